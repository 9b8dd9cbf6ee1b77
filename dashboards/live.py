"""Telling open pages that something changed, by server-sent events."""

import asyncio
from collections.abc import AsyncIterator

MOST_LISTENERS = 500
"""Open pages beyond so many are not told: each holds a connection."""

_KEEP_ALIVE_S = 20.0  # without a word for so long, a line is sent that pages ignore: it finds out who is gone


class Live:
    """Hands the number of the newest change to all who listen; a listener that is slow only misses older ones."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._listeners: set[asyncio.Event] = set()
        self._number = 0
        self._is_closed = False

    @property
    def is_full(self) -> bool:
        """Whether no more can listen."""
        return len(self._listeners) >= MOST_LISTENERS

    def open(self) -> None:
        """Begin, in the loop that serves."""
        self._loop, self._is_closed = asyncio.get_running_loop(), False

    def close(self) -> None:
        """End all streams; in the loop that serves."""
        self._is_closed = True
        self._wake()

    def tell(self, number: int) -> None:
        """Announce a change, from any thread."""
        self._number = max(self._number, number)
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake)

    async def stream(self) -> AsyncIterator[str]:
        """Give the events of one listener until `close`; see the HTML standard, 9.2, server-sent events."""
        woken = asyncio.Event()
        self._listeners.add(woken)
        told = self._number
        try:
            yield "retry: 5000\n\n"
            while not self._is_closed:
                if self._number > told:
                    told = self._number
                    yield f"event: changed\nid: {told}\ndata: {told}\n\n"
                woken.clear()
                try:
                    await asyncio.wait_for(woken.wait(), _KEEP_ALIVE_S)
                except TimeoutError:
                    yield ":\n\n"
        finally:
            self._listeners.discard(woken)

    def _wake(self) -> None:
        for listener in self._listeners:
            listener.set()
