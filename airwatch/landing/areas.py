"""Memory that two processes share: one writes a frame into it, the other reads it where it lies.

There are two areas, used by turns, so that one frame can be read while the next is written. They are files without a
name: both ends may die, and nothing is left of them.
"""

import mmap
import os
import socket
import tempfile

import polars as pl
import pyarrow as pa

_N_AREAS = 2
_SPARE = 1.25  # the next frame may be somewhat larger
_SIGN = b"f"  # a file can only go with a byte

Place = tuple[int, int, bool]
"""Which area, how many bytes of it, and whether it is a new one, whose file follows."""


class AreaWriter:
    """The end that writes frames; numbers only, no strings."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line
        self._areas: list[mmap.mmap | None] = [None] * _N_AREAS
        self._turn = 0
        self._file = -1

    def write(self, frame: pl.DataFrame) -> Place:
        """Write a frame over the one before the last; columns without values are left out."""
        kept = [column.name for column in frame if column.null_count() < frame.height]
        table = frame.select(kept).to_arrow(compat_level=pl.CompatLevel.oldest())
        counter = pa.MockOutputStream()
        _write(table, counter)
        size, turn = counter.size(), self._turn
        area = self._areas[turn]
        is_new = area is None or len(area) < size
        if area is None or is_new:
            area = self._areas[turn] = self._new(int(size * _SPARE))
        _write(table, pa.FixedSizeBufferWriter(pa.py_buffer(area)))
        self._turn = (turn + 1) % _N_AREAS
        return turn, size, is_new

    def send_file(self) -> None:
        """Let the other end have the file of the newest area."""
        socket.send_fds(self._line, [_SIGN], [self._file])
        os.close(self._file)

    def _new(self, size: int) -> mmap.mmap:
        self._file = _unnamed_file()
        os.ftruncate(self._file, size)
        return mmap.mmap(self._file, size)


class AreaReader:
    """The end that reads frames."""

    def __init__(self, line: socket.socket) -> None:
        self._line = line
        self._areas: list[mmap.mmap | None] = [None] * _N_AREAS

    def receive_file(self, place: Place) -> None:
        """Take the file of a new area."""
        _, (file, *_), _, _ = socket.recv_fds(self._line, len(_SIGN), 1)
        self._areas[place[0]] = mmap.mmap(file, 0, prot=mmap.PROT_READ)
        os.close(file)

    def read(self, place: Place) -> pl.DataFrame:
        """Give the frame where it lies; it holds until the one after the next is asked for."""
        turn, size, _ = place
        area = pa.py_buffer(self._areas[turn]).slice(0, size)
        frame = pl.from_arrow(pa.ipc.open_file(area).read_all())
        assert isinstance(frame, pl.DataFrame)  # noqa: S101 a table is never a series
        return frame


def _write(table: pa.Table, into: pa.NativeFile) -> None:
    with pa.ipc.new_file(into, table.schema) as writer:
        writer.write_table(table)


def _unnamed_file() -> int:
    if hasattr(os, "memfd_create"):
        return os.memfd_create("airwatch")
    with tempfile.TemporaryFile() as file:
        return os.dup(file.fileno())
