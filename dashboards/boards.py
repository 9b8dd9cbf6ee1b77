"""A board for each set of fleets that somebody sees."""

import threading

from airwatch.access.fleets import ALL, Fleets
from airwatch.store.views import Views
from dashboards.board import Board


class Boards:
    """Keeps the board of all fleets up to date, and makes one of some fleets anew for whoever asks after a change.

    Each reads the store through the view of its fleets, so none holds a row that its readers may not see.
    """

    def __init__(self, views: Views) -> None:
        self._views = views
        self._guard = threading.Lock()
        self._made = {ALL: Board(views.of(ALL))}

    @property
    def whole(self) -> Board:
        """The board of all fleets."""
        return self._made[ALL]

    def of(self, fleets: Fleets) -> Board:
        """Give the board of some fleets."""
        with self._guard:
            if (found := self._made.get(fleets)) is None:
                found = self._made[fleets] = Board(self._views.of(fleets))
            return found

    def start(self) -> None:
        """Make snapshots of all fleets in a thread from now on."""
        self.whole.start()

    def stop(self) -> None:
        """End that, and listen no more."""
        with self._guard:
            for board in self._made.values():
                board.stop()
