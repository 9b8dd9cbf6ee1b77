"""Codes to values: each signal of each sender as a stream of what was valid."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from airwatch.can.counts import CanCounts
from airwatch.can.frames import Frames
from airwatch.can.signals import Signal, SignalTable

# First byte of a measured value's code (SAE J1939-71 table 1): to 0xFA valid, 0xFE error, 0xFF not available.
_VALID_TO, _ERROR, _NOT_AVAILABLE = 0xFA, 0xFE, 0xFF
# Two-bit codes (SAE J1939-71 table 2, as in team-arrow-racing/sae-j1939-rs, src/value.rs).
_TWO_BITS, _ON, _SPARE, _NOTHING = 2, 0b01, 0b10, 0b11
_ALL = slice(None)


@dataclass(frozen=True, slots=True)
class Stream:
    """Valid values of one signal from one sender, in order of time; ``t_us`` and ``value`` have the same length."""

    signal: Signal
    source_address: int
    channel: int
    t_us: NDArray[np.int64]
    value: NDArray[np.float64]

    def last(self, at_us: NDArray[np.int64], *, window_us: int) -> NDArray[np.float64]:
        """Give the newest value at or before each of ``at_us``, NaN where it is older than ``window_us`` or none."""
        index = np.searchsorted(self.t_us, at_us, side="right") - 1
        fresh = (index >= 0) & (at_us - self.t_us[index] <= window_us)
        return np.where(fresh, self.value[index], np.nan)


def decode_signals(frames: Frames, table: SignalTable, *, counted: slice = _ALL) -> tuple[list[Stream], CanCounts]:
    """Decode every signal of the table out of the frames.

    Parameters
    ----------
    frames : Frames
        Of any parameter groups; those not in the table are passed over.
    table : SignalTable
    counted : slice
        The values of which of the frames are counted.

    Returns
    -------
    list of Stream
        Best first: by row of the table, then by sender as the row prefers. A sender that never sent a valid value
        has no stream.
    CanCounts
        Values only: valid, not available, error, reserved.
    """
    senders = _by_sender(frames, table, counted)
    counts = CanCounts()
    streams: list[Stream] = []
    for signal in table.signals:
        found = []
        for part in senders[signal.pgn]:
            code = (part.word >> np.uint64(signal.shift)) & np.uint64((1 << signal.length_bits) - 1)
            valid = _are_valid(signal, code)
            counts += _counted(signal, code[part.counted], int(np.count_nonzero(valid[part.counted])))
            if valid.any():
                t_us, code = (part.t_us, code) if valid.all() else (part.t_us[valid], code[valid])
                value = code.astype(np.float64) * signal.scale + signal.offset
                found.append(Stream(signal, part.source_address, part.channel, t_us, value))
        streams += sorted(found, key=lambda stream: (stream.signal.rank(stream.source_address), stream.channel))
    return streams, counts


@dataclass(frozen=True, slots=True)
class _Sender:
    """The frames of one group from one sender; ``counted`` are those whose values are counted."""

    source_address: int
    channel: int
    t_us: NDArray[np.int64]
    word: NDArray[np.uint64]
    counted: slice


def _by_sender(frames: Frames, table: SignalTable, counted: slice) -> dict[int, list[_Sender]]:
    pgn, sender = frames.pgn, frames.channel.astype(np.uint32) << np.uint32(8) | frames.source
    begin, end, _ = counted.indices(len(frames))
    senders: dict[int, list[_Sender]] = {message.pgn: [] for message in table.messages}
    for number, parts in senders.items():
        rows = np.flatnonzero(pgn == number)
        own = sender[rows]
        while rows.size:  # a bus has few senders of a group, and mostly one
            one = int(own[0])
            is_own = own == one
            is_alone = bool(is_own.all())
            mine = rows if is_alone else rows[is_own]
            within = slice(*np.searchsorted(mine, (begin, end)).tolist())
            parts.append(_Sender(one & 0xFF, one >> 8, frames.t_us[mine], frames.word[mine], within))
            rows, own = (rows[:0], own[:0]) if is_alone else (rows[~is_own], own[~is_own])
    return senders


def _are_valid(signal: Signal, code: NDArray[np.uint64]) -> NDArray[np.bool_]:
    if signal.length_bits == _TWO_BITS:
        return code <= _ON
    return code < np.uint64((_VALID_TO + 1) << (signal.length_bits - 8))


def _counted(signal: Signal, code: NDArray[np.uint64], n_valid: int) -> CanCounts:
    """Count values by what their code says."""
    if n_valid == code.size:
        return CanCounts(n_valid=n_valid)
    if signal.length_bits == _TWO_BITS:
        n_absent, n_spare = int(np.count_nonzero(code == _NOTHING)), int(np.count_nonzero(code == _SPARE))
        is_error = signal.kind == "status"  # 10 is 'error' in a status and 'reserved' in a lamp request
        n_error, n_reserved = (n_spare, 0) if is_error else (0, n_spare)
    else:
        first = code >> np.uint64(signal.length_bits - 8)
        n_absent, n_error = int(np.count_nonzero(first == _NOT_AVAILABLE)), int(np.count_nonzero(first == _ERROR))
        n_reserved = code.size - n_valid - n_absent - n_error
    return CanCounts(n_valid=n_valid, n_not_available=n_absent, n_error=n_error, n_reserved=n_reserved)
