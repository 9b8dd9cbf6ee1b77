"""How long each answer took, where a browser's tools and the benchmark look for it."""

import time

from starlette.datastructures import MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send


class ServerTiming:
    """Adds the header Server-Timing: from the arrival of a request to the first of its answer, waiting included."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        began = time.perf_counter()

        async def send_timed(message: Message) -> None:
            if message["type"] == "http.response.start":
                took_ms = (time.perf_counter() - began) * 1e3
                MutableHeaders(scope=message)["Server-Timing"] = f"total;dur={took_ms:.1f}"
            await send(message)

        await self._app(scope, receive, send_timed)
