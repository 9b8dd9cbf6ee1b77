"""A decoding process and the line to it: bytes out, Arrow frames back, in order.

The line is a pair of sockets: it takes large blocks without a copy for each layer between, and is closed when either
end dies, so that a process never outlives what started it, and nobody waits for one that is gone.
"""

import gc
import io
import pickle
import socket
import struct
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import fields
from multiprocessing import get_context
from typing import Any

import polars as pl
import pyarrow as pa

from airwatch.contract.batch import DecodedBatch
from airwatch.landing.child import begin

Decode = Callable[[Any, list[memoryview], str], DecodedBatch]
"""Gets what was sent (what is to be known about the parts, and the parts) and the topic root."""
_LENGTH = struct.Struct("<Q")
_FIELDS = tuple(field.name for field in fields(DecodedBatch))
_OBJECTS_BETWEEN_COLLECTIONS = 100_000  # a group is many long-lived tuples and no cycles; looking at them is wasted


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
    """

    def __init__(self, decode: Decode, root: str) -> None:
        self._line, far = socket.socketpair()
        named = (far, decode.__module__, decode.__qualname__, root)
        self._process = get_context("spawn").Process(target=begin, args=named, daemon=True)
        self._process.start()
        far.close()

    def is_alive(self) -> bool:
        """Tell whether the process lives."""
        return self._process.is_alive()

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

        Raises
        ------
        WorkerDiedError
            The process is gone.
        """
        _, parts = _receive(self._line)
        return DecodedBatch(**{name: _read_frame(part) for name, part in zip(_FIELDS, parts, strict=True)})

    def close(self) -> None:
        """End the process."""
        self._line.close()
        self._process.join()


def work(line: socket.socket, decode: Decode, root: str) -> None:
    """Answer until the line is closed."""
    gc.freeze()
    gc.set_threshold(_OBJECTS_BETWEEN_COLLECTIONS)
    with line, suppress(WorkerDiedError):
        while True:
            _answer(line, decode, root)


def _answer(line: socket.socket, decode: Decode, root: str) -> None:
    """Answer once, and hold nothing afterwards."""
    about, parts = _receive(line)
    decoded = decode(about, parts, root)
    parts.clear()
    _send(line, None, [_write_frame(getattr(decoded, name)) for name in _FIELDS])


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
