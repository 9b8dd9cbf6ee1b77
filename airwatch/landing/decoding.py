"""Decoding beside the network: in a process of its own, so that it does not share the interpreter with what reads.

Packets go to the process as they came, frames come back as Arrow IPC (`airwatch.landing.worker`). A process that dies
over a group (out of memory, a fault in a native library) is started again; the group is then decoded in ever smaller
parts, and a single message that ends the process again is set aside like any other that can't be used: it neither
stops the stream nor disappears.
"""

import logging
from collections.abc import Callable, Sequence
from itertools import chain
from typing import Protocol

from airwatch.contract.batch import DecodedBatch, decode_batch, refused
from airwatch.contract.topics import ROOT
from airwatch.errors import DecoderError
from airwatch.landing.packets import Messages, Packets
from airwatch.landing.worker import Decode, Worker, WorkerDiedError

log = logging.getLogger(__name__)

Outcome = Callable[[], list[DecodedBatch]]
"""Waits for a group to be decoded; gives the parts it was decoded in, in order."""


class Decoder(Protocol):
    """Something that decodes groups of packets, at once or meanwhile; outcomes are asked for in order of submission."""

    def submit(self, group: Sequence[Packets]) -> Outcome:
        """Begin to decode messages."""
        ...

    def close(self) -> None:
        """Let go of what it holds."""
        ...


class InlineDecoder:
    """Decodes in the calling thread: for small loads and tests."""

    def __init__(self, root: str = ROOT) -> None:
        self._root = root

    def submit(self, group: Sequence[Packets]) -> Outcome:
        """Decode now."""
        decoded = _decode(group, self._root)
        return lambda: [decoded]

    def close(self) -> None:
        """Hold nothing."""


def decode_packets(about: list[tuple[int, int, bool]], parts: list[memoryview], root: str) -> DecodedBatch:
    """Decode what `ProcessDecoder` sent: the parts are packets, and about each it says the other fields."""
    return _decode([Packets(wire, *others) for wire, others in zip(parts, about, strict=True)], root)


def _decode(group: Sequence[Packets], root: str) -> DecodedBatch:
    return decode_batch(Messages(group), root=root)


def _send(worker: Worker, group: Sequence[Packets]) -> None:
    about = [(packets.n, packets.received_us, packets.is_v5) for packets in group]
    worker.send(about, [packets.wire for packets in group])


class ProcessDecoder:
    """Decodes in one other process, group after group.

    Parameters
    ----------
    root : str
        The topic root.
    decode : callable
        What the process runs; a function of a module, so that the process finds it.
    """

    def __init__(self, root: str = ROOT, decode: Decode = decode_packets) -> None:
        self._root = root
        self._decode = decode
        self._worker = self._new_worker()

    def submit(self, group: Sequence[Packets]) -> Outcome:
        """Send packets to the process."""
        packets = list(group)
        if not self._worker.is_alive():
            self._worker.close()
            self._worker = self._new_worker()
        worker = self._worker
        try:
            _send(worker, packets)
        except WorkerDiedError:
            return lambda: self._recover(packets)
        return lambda: self._outcome(worker, packets)

    def close(self) -> None:
        """End the process."""
        self._worker.close()

    def _new_worker(self) -> Worker:
        return Worker(self._decode, self._root)

    def _outcome(self, worker: Worker, group: list[Packets]) -> list[DecodedBatch]:
        try:
            return [worker.receive()]
        except WorkerDiedError:
            return self._recover(group)

    def _recover(self, group: list[Packets]) -> list[DecodedBatch]:
        """Decode a group in a process of its own, whole and then part by part."""
        log.error("the decoding process died; decoding %d messages anew", sum(packets.n for packets in group))
        if (whole := self._try(group)) is not None:
            return [whole]
        single = list(chain.from_iterable(packets.single() for packets in group))
        middle = len(single) // 2
        if middle:
            return self._recover(single[:middle]) + self._recover(single[middle:])
        if self._try([]) is None:  # no message is to be blamed for a machine that is out of order
            raise DecoderError("the decoding process does not live; is the machine out of memory?")
        return [refused(message, "the decoding process died over this message") for message in single[0].messages()]

    def _try(self, group: list[Packets]) -> DecodedBatch | None:
        worker = self._new_worker()
        try:
            _send(worker, group)
            return worker.receive()
        except WorkerDiedError:
            return None
        finally:
            worker.close()
