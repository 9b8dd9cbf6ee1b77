"""Consecutive blocks of one unit's frames, decoded as the one log that they are: state in, state out.

What the border of a block would cut is carried over it: broadcasts of which only the first packets have come, the last
trouble codes and lamp states told, and the frames of the last seconds. Those are needed twice: a sample holds values up
to 2 s old, and whether a frame gives a sample at all depends on what else is heard up to some seconds after it. Samples
that are not settled yet come out with the next block, or with `flush`; nothing is given twice.

A log that is cut anywhere gives the same samples, trouble codes and lamp events as the whole, with two exceptions.
After ``forget_after_s`` without a frame a new log begins, so that a unit tells its lamps and codes again. And of two
senders of one lamp the better one counts from when it is first heard, not from the beginning of the log.

A block that begins before what is known already (late, out of order, sent twice) can't be joined: what the state holds
back is given out, and the block begins anew. The next block is then joined to this one, so that a backlog that comes in
its own order is joined, too.
"""

import operator
from collections.abc import Sequence
from dataclasses import replace

import msgspec
import numpy as np
import polars as pl
from msgspec import Struct, structs
from numpy.typing import NDArray

from airwatch.can.counts import CanCounts
from airwatch.can.dm1 import CODE_COLUMNS, DM1, REPORT_COLUMNS, keep_changes, parse_dm1
from airwatch.can.frames import Frames, Schema, are_of, put_together, select_frames
from airwatch.can.j1939 import CanDecoded, single_frames
from airwatch.can.lamps import LAMP_COLUMNS, lamp_events
from airwatch.can.samples import MOTION, TANKS, join_samples
from airwatch.can.signals import LAMPS, SignalTable, load_signals
from airwatch.can.transport import TP_CM, TP_DT, Reassembly, Received, Transfer
from airwatch.can.values import Stream, decode_signals
from airwatch.contract.columns import COLUMNS, TIME

_SECOND_US = 1_000_000
_WINDOW_US, _GAP_US = 2_000_000, 1_500_000  # as `join_samples` has them
_DISORDER_US = 100_000  # frames of two buses that are so much out of order are still sorted into one log
_STALE_US = _SECOND_US  # a transfer that waited so long is over: more than T1 of J1939-21, 0.75 s
_MAX_LEVELS = 6  # pressure senders that are told apart when it is settled what gives a sample
_MAX_ROWS = 200_000
_SAMPLE_COLUMNS: Schema = {"t": TIME, **{column.name: column.dtype for column in COLUMNS}}


class _PackedFrames(Struct, frozen=True):
    """`Frames` as plain bytes, 25 for each."""

    t_us: bytes = b""
    can_id: bytes = b""
    channel: bytes = b""
    word: bytes = b""
    size: bytes = b""
    channels: tuple[str, ...] = ()


class _OpenTransfer(Struct, frozen=True):
    channel: str
    source_address: int
    pgn: int
    size: int
    n_packets: int
    heard_us: int
    packets: tuple[bytes, ...]


class _LastReport(Struct, frozen=True):
    source_address: int
    channel: str
    t_us: int
    data: bytes


class _LastLamp(Struct, frozen=True):
    """``rank`` is the row of the signal, the sender's two ranks, and the channel: less is better."""

    lamp: str
    rank: tuple[int, int, int, str]
    is_on: bool


class CanState(Struct, frozen=True):
    """What one unit's next block needs of those before it; 25 bytes for each used frame of the last seconds.

    All before ``known_us`` is known and told, but for samples; samples before ``settled_us`` are told. ``last_us`` is
    the time of the newest frame.
    """

    known_us: int
    settled_us: int
    last_us: int
    frames: _PackedFrames = _PackedFrames()
    transfers: tuple[_OpenTransfer, ...] = ()
    reports: tuple[_LastReport, ...] = ()
    lamps: tuple[_LastLamp, ...] = ()

    def to_bytes(self) -> bytes:
        """Write the state, to be kept in the transaction that holds what was decoded."""
        return msgspec.msgpack.encode(self)

    @classmethod
    def from_bytes(cls, text: bytes) -> "CanState | None":
        """Read what `to_bytes` wrote; None if it is of another version."""
        try:
            return msgspec.msgpack.decode(text, type=cls)
        except msgspec.MsgspecError:
            return None


def join_frames(
    frames: pl.DataFrame,
    state: CanState | None,
    *,
    is_end: bool = False,
    keep_alive_s: float = 60.0,
    forget_after_s: float = 60.0,
) -> tuple[CanDecoded, CanState | None]:
    """Decode a block of one unit's frames as the continuation of those before it.

    Parameters
    ----------
    frames : DataFrame
        As for `decode_frames`.
    state : CanState or None
        What the call before returned for this unit; None at the beginning.
    is_end : bool
        Whether the log ends with this block, so that nothing is to be held back.
    keep_alive_s : float
        As for `decode_frames`, seconds.
    forget_after_s : float
        A silence, seconds, after which a new log begins.

    Returns
    -------
    decoded : CanDecoded
        What is certain by now and was not given before. Counts add up over the calls of a log and its `flush` to those
        of the whole, but for ``n_old_conversion``, whose distinct messages are those of one call.
    state : CanState or None
        For the next call; the one given if no frame of the block is used; None after the end.

    Raises
    ------
    FrameError, SignalTableError, ValueError
        As `decode_frames`.
    """
    if not keep_alive_s > 0:
        raise ValueError(f"keep_alive_s must be above 0; got {keep_alive_s}")
    used, counted = select_frames(frames, _pgns(load_signals()))
    told = replace(_nothing(), counts=counted)
    if not len(used):
        if is_end and state is not None:
            return _merged(told, flush(state, keep_alive_s=keep_alive_s)), None
        return told, state
    first_us, last_us = int(used.t_us[0]), int(used.t_us[-1])
    if state is not None and not state.known_us <= first_us <= state.last_us + forget_after_s * _SECOND_US:
        told = _merged(told, flush(state, keep_alive_s=keep_alive_s))
        state = None
    state = state or CanState(first_us, first_us, last_us)
    log = put_together(_unpack(state.frames), used)
    state = structs.replace(state, last_us=max(last_us, state.last_us))
    known_us = max(state.known_us, state.last_us - _DISORDER_US)
    decoded, after = _advance(log, state, None if is_end else known_us, keep_alive_s)
    if len(after.frames.size) > _MAX_ROWS:  # a log that never moves on in time; nothing of it is to be held back
        is_end, (decoded, _) = True, _advance(log, state, None, keep_alive_s)
    return _merged(told, decoded), None if is_end else after


def flush(state: CanState, *, keep_alive_s: float = 60.0) -> CanDecoded:
    """Give what a state holds back, as if the log ended there; the state is not to be used again.

    Parameters
    ----------
    state : CanState
        Of a unit that is not heard any more.
    keep_alive_s : float
        As for `decode_frames`, seconds.

    Returns
    -------
    CanDecoded
        As from `join_frames`.
    """
    return _advance(_unpack(state.frames), state, None, keep_alive_s)[0]


def _advance(log: Frames, state: CanState, known_us: int | None, keep_alive_s: float) -> tuple[CanDecoded, CanState]:
    """Tell all of the log that is certain when everything before ``known_us`` is known; None for the end of the log."""
    table = load_signals()
    begin = int(np.searchsorted(log.t_us, state.known_us))
    end = len(log) if known_us is None else max(begin, int(np.searchsorted(log.t_us, known_us)))
    fresh = log.where(slice(begin, end))
    streams, counts = decode_signals(log, table, counted=slice(begin, end))
    channels = _numbered(log, state)
    lamps, last_lamps = _lamps(_between(streams, fresh.t_us), table, channels, state.lamps)
    transfers = _Ongoing.of(state.transfers, channels)
    messages = sorted([*single_frames(fresh), *transfers.take(fresh)], key=operator.attrgetter("t_us"))
    if known_us is None:
        transfers.end()
    open_transfers = () if known_us is None else transfers.still_open(channels, known_us)
    counts += CanCounts(
        n_transfers=transfers.n_complete, n_broken_transfers=transfers.n_broken, n_stray_packets=transfers.n_stray
    )
    reports, codes, fault_counts, last_reports = _faults(messages, channels, state, keep_alive_s)
    samples, settled_us, keep_from_us = _samples(streams, table, state, known_us)
    decoded = CanDecoded(samples, reports, codes, lamps, counts + fault_counts)
    if known_us is None:
        return decoded, state
    held = log.where(slice(min(end, int(np.searchsorted(log.t_us, keep_from_us))), len(log)))
    is_signal = are_of(held.can_id, [message.pgn for message in table.messages])
    return decoded, structs.replace(
        state,
        known_us=known_us,
        settled_us=settled_us,
        frames=_pack(held.where(is_signal | (held.t_us >= known_us))),
        transfers=open_transfers,
        reports=last_reports,
        lamps=last_lamps,
    )


def _between(streams: Sequence[Stream], t_us: NDArray[np.int64]) -> list[Stream]:
    """Keep what of each stream lies in the time of some frames."""
    if not t_us.size:
        return []
    kept = []
    for stream in streams:
        begin = np.searchsorted(stream.t_us, t_us[0])
        within = slice(begin, np.searchsorted(stream.t_us, t_us[-1], side="right"))
        if stream.t_us[within].size:
            kept.append(replace(stream, t_us=stream.t_us[within], value=stream.value[within]))
    return kept


def _numbered(log: Frames, state: CanState) -> list[str]:
    """List the channels by their numbers, and after them those that only the state knows."""
    known = {transfer.channel for transfer in state.transfers} | {report.channel for report in state.reports}
    return [*log.channels, *sorted(known - set(log.channels))]


def _samples(
    streams: Sequence[Stream], table: SignalTable, state: CanState, known_us: int | None
) -> tuple[pl.DataFrame, int, int]:
    """Give the samples that are settled, up to when they are, and from when on frames are needed for the others.

    Whether a frame gives a sample depends on those of better senders within ``_GAP_US``, whether these do on those of
    still better ones, and so on: on what lies within as many gaps as there are senders, on either side. What may come
    after ``known_us`` can therefore change nothing that lies as many gaps before it. A sample of whole seconds comes
    from the second before it.
    """
    pressure = {(s.signal.pgn, s.source_address, s.channel) for s in streams if s.signal.feeds in TANKS}
    n_levels = min(_MAX_LEVELS, len(pressure) + any(s.signal.feeds in MOTION for s in streams))
    samples = join_samples(streams, table, window_us=_WINDOW_US, gap_us=_GAP_US)
    t_us = samples["t"].to_physical()
    if known_us is None:
        return samples.filter(t_us >= state.settled_us), state.settled_us, 0
    settled_us = max(state.settled_us, known_us - n_levels * _GAP_US)
    keep_from_us = settled_us - max(_WINDOW_US, n_levels * _GAP_US) - _SECOND_US
    return samples.filter((t_us >= state.settled_us) & (t_us < settled_us)), settled_us, keep_from_us


def _lamps(
    streams: Sequence[Stream], table: SignalTable, channels: list[str], before: tuple[_LastLamp, ...]
) -> tuple[pl.DataFrame, tuple[_LastLamp, ...]]:
    """Give lamp events as `lamp_events` does, without the first state where it was told already."""
    last = {state.lamp: state for state in before}
    events = [pl.DataFrame(schema=LAMP_COLUMNS)]
    for lamp in LAMPS:
        for stream in [stream for stream in streams if stream.signal.feeds == lamp][:1]:
            sender = (*stream.signal.rank(stream.source_address), channels[stream.channel])
            rank = (table.signals.index(stream.signal), *sender)
            told = last.get(lamp)
            if told is None or rank <= told.rank:
                found = lamp_events([stream])
                events.append(found if told is None or found["is_on"][0] != told.is_on else found.slice(1))
                last[lamp] = _LastLamp(lamp, rank, is_on=found["is_on"][-1])
    return pl.concat(events).sort("t", "lamp"), tuple(last.values())


def _faults(
    messages: list[Received], channels: list[str], state: CanState, keep_alive_s: float
) -> tuple[pl.DataFrame, pl.DataFrame, CanCounts, tuple[_LastReport, ...]]:
    """Keep the changes: each source's last report is told again before the new ones, and then left out."""
    again = [Received(r.t_us, r.source_address, channels.index(r.channel), r.data) for r in state.reports]
    kept = keep_changes([*again, *messages], keep_alive_us=max(1, round(keep_alive_s * _SECOND_US)))
    is_new = pl.col("t").to_physical() >= state.known_us
    reports, codes = kept.reports.filter(is_new), kept.codes.filter(is_new)
    parsed = {data: parse_dm1(data) for data in {message.data for message in messages}}
    last = {report.source_address: report for report in state.reports}
    heard_on = {report.source_address: report.channel for report in state.reports}
    data_of: dict[tuple[int, int], bytes] = {}
    for message in messages:
        channel = channels[message.channel]
        if parsed[message.data] is not None and heard_on.setdefault(message.source_address, channel) == channel:
            data_of[message.t_us, message.source_address] = message.data
    for t_us, source in zip(reports["t"].to_physical(), reports["source_address"], strict=True):
        last[source] = _LastReport(source, heard_on[source], t_us, data_of[t_us, source])
    counts = CanCounts(
        n_dm1=len(messages),
        n_dm1_malformed=kept.n_malformed,
        n_dm1_other_channel=kept.n_other_channel,
        n_old_conversion=sum(active.n_old_conversion for active in parsed.values() if active is not None),
    )
    return reports, codes, counts, tuple(last.values())


class _Ongoing(Reassembly):
    """A reassembly that goes on where another stopped."""

    @classmethod
    def of(cls, transfers: tuple[_OpenTransfer, ...], channels: list[str]) -> "_Ongoing":
        """Open again what was open."""
        ongoing = cls(DM1)
        for t in transfers:
            opened = Transfer(t.pgn, t.size, t.n_packets, t.heard_us, list(t.packets))
            ongoing._open[channels.index(t.channel), t.source_address] = opened
        return ongoing

    def still_open(self, channels: list[str], known_us: int) -> tuple[_OpenTransfer, ...]:
        """Give what waits for packets; what waited too long is broken."""
        for sender, transfer in list(self._open.items()):
            if known_us - transfer.heard_us > _STALE_US:
                self._break(sender)
        return tuple(
            _OpenTransfer(channels[channel], source, t.pgn, t.size, t.n_packets, t.heard_us, tuple(t.packets))
            for (channel, source), t in self._open.items()
        )


def _pgns(table: SignalTable) -> list[int]:
    return [*(message.pgn for message in table.messages), DM1, TP_CM, TP_DT]


def _pack(frames: Frames) -> _PackedFrames:
    heard, channel = np.unique(frames.channel, return_inverse=True)
    return _PackedFrames(
        t_us=frames.t_us.astype("<i8").tobytes(),
        can_id=frames.can_id.astype("<u4").tobytes(),
        channel=channel.astype("<u4").tobytes(),
        word=frames.word.astype("<u8").tobytes(),
        size=frames.size.astype("u1").tobytes(),
        channels=tuple(frames.channels[number] for number in heard.tolist()),
    )


def _unpack(packed: _PackedFrames) -> Frames:
    return Frames(
        t_us=np.frombuffer(packed.t_us, "<i8"),
        can_id=np.frombuffer(packed.can_id, "<u4"),
        channel=np.frombuffer(packed.channel, "<u4"),
        word=np.frombuffer(packed.word, "<u8"),
        size=np.frombuffer(packed.size, "u1"),
        channels=packed.channels,
    )


def _nothing() -> CanDecoded:
    samples, reports, codes, lamps = (
        pl.DataFrame(schema=schema) for schema in (_SAMPLE_COLUMNS, REPORT_COLUMNS, CODE_COLUMNS, LAMP_COLUMNS)
    )
    return CanDecoded(samples, reports, codes, lamps, CanCounts())


def _merged(one: CanDecoded, other: CanDecoded) -> CanDecoded:
    """Put two results together; where both have a sample or a report of one time, the first one's stays."""
    report = ["t", "source_address"]
    reports = other.fault_reports.join(one.fault_reports, on=report, how="anti")
    codes = other.fault_codes.join(one.fault_reports, on=report, how="anti")
    return CanDecoded(
        samples=pl.concat([one.samples, other.samples]).unique("t", keep="first", maintain_order=True).sort("t"),
        fault_reports=pl.concat([one.fault_reports, reports]).sort(report),
        fault_codes=pl.concat([one.fault_codes, codes]).sort(report, maintain_order=True),
        lamp_events=pl.concat([one.lamp_events, other.lamp_events]).unique(maintain_order=True).sort("t", "lamp"),
        counts=one.counts + other.counts,
    )
