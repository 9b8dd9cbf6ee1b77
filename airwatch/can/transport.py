"""Messages of more than 8 bytes that were sent to everybody: announcement and packets back to one (J1939-21, BAM)."""

from collections.abc import Iterator
from dataclasses import dataclass, field

from airwatch.can.frames import GLOBAL_ADDRESS, Frames, are_of

TP_CM = 60416
"""PGN of connection management; its first byte 32 announces a broadcast."""
TP_DT = 60160
"""PGN of data transfer: packet number from 1, then 7 bytes."""

# Layout and times as in juergenH87/python-can-j1939 (j1939_21.py) and DanielMartensson/Open-SAE-J1939: byte 1 control,
# 2-3 size, 4 packets, 5 0xFF, 6-8 PGN, least byte first. T1 = 0.75 s is the longest wait for the next packet. The
# greatest size, 255 packets of 7 bytes, follows from the layout.
_BAM = 32
_T1_US = 750_000
_PACKET_BYTES = 7
_MIN_SIZE, _MAX_SIZE = 9, 1785
_HEADER = 8


@dataclass(frozen=True, slots=True)
class Received:
    """A message put together; ``t_us`` is when its last packet came."""

    t_us: int
    source_address: int
    channel: int
    data: bytes


@dataclass(slots=True)
class Transfer:
    """A broadcast whose packets are still coming."""

    pgn: int
    size: int
    n_packets: int
    heard_us: int
    packets: list[bytes] = field(default_factory=list)


@dataclass(slots=True)
class Reassembly:
    """Puts broadcasts of one parameter group together; a sender has one transfer at a time, on each channel.

    A new announcement ends the sender's transfer, whatever its group. A packet that comes twice in a row with the same
    content is taken once. A missing, late or contradicting packet ends the transfer: it is counted and not guessed at.
    What can't be seen is the loss of a stretch that holds an announcement, is shorter than 0.75 s, and ends at just the
    packet number at which it began.
    """

    pgn: int
    n_complete: int = 0
    n_broken: int = 0
    """Transfers of this group only."""
    n_stray: int = 0
    """Packets of any group that belong to no transfer that is still whole."""
    _open: dict[tuple[int, int], Transfer] = field(default_factory=dict)

    def run(self, frames: Frames) -> Iterator[Received]:
        """Give the messages of a whole log: `take`, then `end`."""
        yield from self.take(frames)
        self.end()

    def take(self, frames: Frames) -> Iterator[Received]:
        """Give the messages in the order in which they were complete, and leave open what is not.

        Parameters
        ----------
        frames : Frames
            In order of time; all but broadcast TP.CM and TP.DT are passed over.
        """
        transport = frames.where(are_of(frames.can_id, (TP_CM, TP_DT)))
        part = transport.where(transport.destination == GLOBAL_ADDRESS)
        senders = zip(part.channel.tolist(), part.source.tolist(), strict=True)
        rows = zip(part.t_us.tolist(), senders, part.pgn.tolist(), part.data, strict=True)
        for t_us, sender, pgn, data in rows:
            if pgn == TP_CM:
                self._announce(t_us, sender, data)
            elif (whole := self._packet(t_us, sender, data)) is not None:
                yield Received(t_us, sender[1], sender[0], whole)

    def end(self) -> None:
        """Count what is still open as broken."""
        for sender in list(self._open):
            self._break(sender)

    def _announce(self, t_us: int, sender: tuple[int, int], data: bytes) -> None:
        if len(data) < _HEADER or data[0] != _BAM:
            return
        self._break(sender)
        size, n_packets, pgn = int.from_bytes(data[1:3], "little"), data[3], int.from_bytes(data[5:8], "little")
        self._open[sender] = Transfer(pgn, size, n_packets, t_us)
        if not _MIN_SIZE <= size <= _MAX_SIZE or n_packets != -(-size // _PACKET_BYTES):
            self._break(sender)

    def _packet(self, t_us: int, sender: tuple[int, int], data: bytes) -> bytes | None:
        transfer = self._open.get(sender)
        if transfer is None:
            self.n_stray += 1
            return None
        number, packets = data[0] if data else 0, transfer.packets
        if t_us - transfer.heard_us <= _T1_US:
            transfer.heard_us = t_us
            if packets and number == len(packets) and data[1:] == packets[-1]:
                return None
            is_last = number == transfer.n_packets
            rest = transfer.size - len(packets) * _PACKET_BYTES
            if number == len(packets) + 1 and len(data) > min(rest, _PACKET_BYTES):
                packets.append(data[1:])
                return self._finish(sender) if is_last else None
        self._break(sender)
        self.n_stray += 1
        return None

    def _finish(self, sender: tuple[int, int]) -> bytes | None:
        transfer = self._open.pop(sender)
        if transfer.pgn != self.pgn:
            return None
        self.n_complete += 1
        return b"".join(transfer.packets)[: transfer.size]

    def _break(self, sender: tuple[int, int]) -> None:
        transfer = self._open.pop(sender, None)
        if transfer is not None and transfer.pgn == self.pgn:
            self.n_broken += 1
