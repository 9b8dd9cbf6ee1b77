"""A decoding process and the line to it: bytes out, Arrow frames back, in order.

The line is a pair of sockets: it takes large blocks without a copy for each layer between, and is closed when either
end dies, so that a process never outlives what started it, and nobody waits for one that is gone.
"""

import io
import pickle
import socket
import struct
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import fields
from typing import Any

import polars as pl
import pyarrow as pa

from airwatch.contract.batch import SAMPLES_SCHEMA, DecodedBatch
from airwatch.landing.areas import AreaReader, AreaWriter, Place
from airwatch.landing.child import Started, start

Decode = Callable[[Any, list[memoryview], str], DecodedBatch]
"""Gets what was sent (what is to be known about the parts, and the parts) and the topic root."""
_LENGTH = struct.Struct("<Q")
_FIELDS = tuple(field.name for field in fields(DecodedBatch))
_SAMPLES = "samples"


class WorkerDiedError(Exception):
    """The process at the other end is gone."""


class Worker:
    """One decoding process. What is sent is answered in order.

    Parameters
    ----------
    decode : callable
        What the process runs; a function of a module, so that the process finds it.
    root : str
        The topic root.
    started : Started, optional
        The process, where it was started already with this function and root.
    """

    def __init__(self, decode: Decode, root: str, started: Started | None = None) -> None:
        started = started or start(decode.__module__, decode.__qualname__, root)
        self._process, self._line, self._close = started.process, started.line, started.close
        self._areas = AreaReader(started.line)

    def is_alive(self) -> bool:
        """Tell whether the process lives."""
        return self._process.poll() is None

    def send(self, about: Any, parts: Sequence[bytes | memoryview]) -> None:
        """Send something to decode; waits while the process has not taken what was sent before.

        Raises
        ------
        WorkerDiedError
            The process is gone.
        """
        _send(self._line, about, parts)

    def receive(self) -> DecodedBatch:
        """Wait for the next answer.

        Of a process that shares, the samples lie in memory of both and hold until the answer after the next is asked
        for, which spares copying them.

        Raises
        ------
        WorkerDiedError
            The process is gone.
        """
        place, parts = _receive(self._line)
        frames = {name: _read_frame(part) for name, part in zip(_FIELDS, parts, strict=True)}
        if place is not None:
            frames[_SAMPLES] = self._shared(place)
        return DecodedBatch(**frames)

    def _shared(self, place: Place) -> pl.DataFrame:
        if place[-1]:
            try:
                self._areas.receive_file(place)
            except (OSError, ValueError) as err:  # the line ended before the file came
                raise WorkerDiedError from err
        sent = self._areas.read(place)
        lacking = [
            pl.lit(None, dtype).alias(name) for name, dtype in SAMPLES_SCHEMA.items() if name not in sent.columns
        ]
        return sent.with_columns(lacking).select(SAMPLES_SCHEMA.names())

    def close(self) -> None:
        """End the process."""
        self._close()


def work(line: socket.socket, decode: Decode, root: str, *, is_sharing: bool) -> None:
    """Answer until the line is closed."""
    areas = AreaWriter(line) if is_sharing else None
    with line, suppress(WorkerDiedError):
        while True:
            _answer(line, decode, root, areas)


def _answer(line: socket.socket, decode: Decode, root: str, areas: AreaWriter | None) -> None:
    """Answer once, and hold nothing afterwards."""
    about, parts = _receive(line)
    decoded = decode(about, parts, root)
    parts.clear()
    place = areas.write(decoded.samples) if areas is not None and decoded.samples.height else None
    sent = {_SAMPLES: decoded.samples.clear()} if place is not None else {}
    _send(line, place, [_write_frame(sent.get(name, getattr(decoded, name))) for name in _FIELDS])
    if areas is not None and place is not None and place[-1]:
        areas.send_file()


def _write_frame(frame: pl.DataFrame) -> memoryview:
    stream = io.BytesIO()
    frame.write_ipc(stream, compression="uncompressed", compat_level=pl.CompatLevel.oldest())
    return stream.getbuffer()


def _read_frame(part: memoryview) -> pl.DataFrame:
    """Read a frame without copying it."""
    frame = pl.from_arrow(pa.ipc.open_file(pa.py_buffer(part)).read_all())
    assert isinstance(frame, pl.DataFrame)  # noqa: S101 a table is never a series
    return frame


def _send(line: socket.socket, about: Any, parts: Sequence[bytes | memoryview]) -> None:
    head = pickle.dumps((about, [len(part) for part in parts]))
    try:
        line.sendall(_LENGTH.pack(len(head)) + head)
        for part in parts:
            line.sendall(part)
    except OSError as err:
        raise WorkerDiedError from err


def _receive(line: socket.socket) -> tuple[Any, list[memoryview]]:
    (length,) = _LENGTH.unpack(_receive_bytes(line, _LENGTH.size))
    about, lengths = pickle.loads(_receive_bytes(line, length))  # noqa: S301 both ends are this program
    whole = _receive_bytes(line, sum(lengths))
    parts, at = [], 0
    for size in lengths:
        parts.append(whole[at : at + size])
        at += size
    return about, parts


def _receive_bytes(line: socket.socket, n: int) -> memoryview:
    view = memoryview(bytearray(n))
    at = 0
    while at < n:
        try:
            got = line.recv_into(view[at:])
        except OSError as err:
            raise WorkerDiedError from err
        if not got:
            raise WorkerDiedError
        at += got
    return view
