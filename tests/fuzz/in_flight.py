"""What is being worked on, kept in a file, so that whoever finds the process dead or stuck knows over what."""

import faulthandler
import pickle
from collections.abc import Sequence
from pathlib import Path
from typing import Self

from airwatch.contract.message import RawMessage

STUCK_S = 60.0


class InFlight:
    """Notes messages before they are worked on, and ends the process if that takes longer than ``STUCK_S``.

    Use it as a context manager: outside of it nothing is watched.

    Parameters
    ----------
    path : Path
        The file; where each thread then stood goes to standard error.
    """

    def __init__(self, path: Path) -> None:
        self._file = path.open("wb", buffering=0)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        faulthandler.cancel_dump_traceback_later()
        self._file.close()

    def note(self, messages: Sequence[RawMessage]) -> None:
        """Say what is worked on from now on."""
        self._file.seek(0)
        self._file.truncate()
        self._file.write(pickle.dumps([*messages]))
        faulthandler.dump_traceback_later(STUCK_S, exit=True)

    def clear(self) -> None:
        """Say that nothing is."""
        faulthandler.cancel_dump_traceback_later()
        self._file.seek(0)
        self._file.truncate()


def read_in_flight(path: Path) -> list[RawMessage]:
    """Read what a process that is gone had worked on; nothing if it was between two."""
    if not path.exists() or not (text := path.read_bytes()):
        return []
    found: list[RawMessage] = pickle.loads(text)  # noqa: S301 - written by our own worker
    return found
