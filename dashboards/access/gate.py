"""The gate: nothing but what is declared public is answered before it is known who asks."""

import logging
from urllib.parse import urlencode

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from starlette.concurrency import run_in_threadpool
from starlette.types import ASGIApp, Receive, Scope, Send

from airwatch.errors import AirwatchError
from dashboards.access.access import Access
from dashboards.access.needs import STATIC
from dashboards.errors import NotOpenError, SignInError
from dashboards.problems import answer

log = logging.getLogger(__name__)

_NAMED = "Sign in first, or send a token: Authorization: Bearer …"


class Gate:
    """Finds out who asks, before anything of a request but its head is read, and turns away whoever is nobody."""

    def __init__(self, app: ASGIApp, access: Access, public: frozenset[str]) -> None:
        self._app, self._access, self._public = app, access, public

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            await send({"type": "websocket.close", "code": 1008})
            return
        request = Request(scope, receive)
        refused = await self._refusal(request)
        await (self._app if refused is None else refused)(scope, receive, send)

    async def _refusal(self, request: Request) -> Response | None:
        """Note who asks, and give the answer for whoever may not; None: go on."""
        path = request.url.path
        request.state.caller = None
        if path.startswith(STATIC):
            return None
        is_public = path in self._public
        try:
            request.state.caller = await run_in_threadpool(self._access.caller, request)
        except SignInError as err:
            return _unknown(request, str(err))
        except NotOpenError as err:
            return None if is_public else answer(request, 403, str(err))
        except AirwatchError:
            log.exception("who asks can't be found out")
            return answer(request, 500, "Accounts can't be read; the program's log says why.")
        if request.state.caller is None and not is_public:
            return _unknown(request, _NAMED)
        return None


def _unknown(request: Request, why: str) -> Response:
    is_page = request.method in ("GET", "HEAD") and "text/html" in request.headers.get("accept", "")
    if is_page and not request.url.path.startswith("/api/"):
        here = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        return RedirectResponse(f"/sign-in?{urlencode({'next': here})}" if here != "/" else "/sign-in", 303)
    refused = answer(request, 401, why)
    refused.headers["WWW-Authenticate"] = 'Bearer realm="airwatch"'
    return refused
