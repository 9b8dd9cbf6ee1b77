"""Decoding beside the network: in a process of its own, so that it does not share the interpreter with what reads.

Messages go to the process as plain tuples, frames come back as Arrow IPC. A process that dies over a batch (out of
memory, a fault in a native library) is started again; the batch is then decoded in ever smaller parts, and a single
message that ends the process again is set aside like any other that can't be used: it neither stops the stream nor
disappears.
"""

import io
import logging
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from concurrent.futures.process import BrokenProcessPool
from dataclasses import fields
from typing import Protocol

import polars as pl

from airwatch.contract.batch import DecodedBatch, decode_batch, refused
from airwatch.contract.message import RawMessage
from airwatch.contract.topics import ROOT
from airwatch.errors import DecoderError
from airwatch.processes import worker_pool

log = logging.getLogger(__name__)

Packed = tuple[str, bytes, int, str | None, str | None]
Decode = Callable[[list[Packed], str], dict[str, bytes]]
Outcome = Callable[[], list[DecodedBatch]]
"""Waits for a batch to be decoded; gives the parts it was decoded in, in order."""


class Decoder(Protocol):
    """Something that decodes batches, at once or meanwhile."""

    def submit(self, messages: Sequence[RawMessage]) -> Outcome:
        """Begin to decode messages."""
        ...

    def close(self) -> None:
        """Let go of what it holds."""
        ...


class InlineDecoder:
    """Decodes in the calling thread: for small loads and tests."""

    def __init__(self, root: str = ROOT) -> None:
        self._root = root

    def submit(self, messages: Sequence[RawMessage]) -> Outcome:
        """Decode now."""
        decoded = decode_batch(messages, root=self._root)
        return lambda: [decoded]

    def close(self) -> None:
        """Hold nothing."""


class ProcessDecoder:
    """Decodes in one other process, batch after batch.

    Parameters
    ----------
    root : str
        The topic root.
    decode : callable
        What the process runs; a function of a module, so that the process finds it.
    """

    def __init__(self, root: str = ROOT, decode: Decode | None = None) -> None:
        self._root = root
        self._decode = decode or decode_packed
        self._pool = worker_pool(1)
        self._pool.submit(self._decode, [], root)  # so that the process is up when the first messages come

    def submit(self, messages: Sequence[RawMessage]) -> Outcome:
        """Send messages to the process."""
        batch = [(m.topic, m.payload, m.received_us, m.content_type, m.line) for m in messages]
        try:
            working = self._pool.submit(self._decode, batch, self._root)
        except BrokenProcessPool:  # it died over the batch before; this one is for the next process
            return lambda: self._recover(batch)
        return lambda: self._outcome(working, batch)

    def close(self) -> None:
        """End the process."""
        self._pool.shutdown()

    def _outcome(self, working: "Future[dict[str, bytes]]", batch: list[Packed]) -> list[DecodedBatch]:
        try:
            return [unpack_batch(working.result())]
        except BrokenProcessPool:
            return self._recover(batch)

    def _recover(self, batch: list[Packed]) -> list[DecodedBatch]:
        """Decode a batch, whole in a new process, then part by part."""
        log.error("the decoding process died; decoding %d messages anew", len(batch))
        self._pool.shutdown(wait=False)
        self._pool = worker_pool(1)
        try:
            return [unpack_batch(self._pool.submit(self._decode, batch, self._root).result())]
        except BrokenProcessPool:
            middle = len(batch) // 2
            if middle == 0:
                self._check()
                return [refused(RawMessage(*batch[0]), "the decoding process died over this message")]
            return self._recover(batch[:middle]) + self._recover(batch[middle:])

    def _check(self) -> None:
        """See that the process works at all, so that no message is blamed for a machine that is out of order.

        Raises
        ------
        DecoderError
            It dies over nothing.
        """
        self._pool.shutdown(wait=False)
        self._pool = worker_pool(1)
        try:
            self._pool.submit(self._decode, [], self._root).result()
        except BrokenProcessPool as err:
            raise DecoderError("the decoding process does not live; is the machine out of memory?") from err


def decode_packed(packed: list[Packed], root: str) -> dict[str, bytes]:
    """Decode tuples of a message's fields into Arrow IPC, one stream for each field of `DecodedBatch`."""
    return pack_batch(decode_batch([RawMessage(*parts) for parts in packed], root=root))


def pack_batch(decoded: DecodedBatch) -> dict[str, bytes]:
    """Write a decoded batch as Arrow IPC, one stream for each of its fields."""
    out = {}
    for field in fields(DecodedBatch):
        stream = io.BytesIO()
        getattr(decoded, field.name).write_ipc(stream, compression="uncompressed")
        out[field.name] = stream.getvalue()
    return out


def unpack_batch(frames: dict[str, bytes]) -> DecodedBatch:
    """Read what `pack_batch` wrote."""
    return DecodedBatch(**{name: pl.read_ipc(frame) for name, frame in frames.items()})
