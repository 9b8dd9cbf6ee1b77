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


def decode_signals(frames: Frames, table: SignalTable) -> tuple[list[Stream], CanCounts]:
    """Decode every signal of the table out of the frames.

    Parameters
    ----------
    frames : Frames
        Of any parameter groups; those not in the table are passed over.
    table : SignalTable

    Returns
    -------
    list of Stream
        Best first: by row of the table, then by sender as the row prefers. A sender that never sent a valid value
        has no stream.
    CanCounts
        Values only: valid, not available, error, reserved.
    """
    senders = {message.pgn: _by_sender(frames, message.pgn) for message in table.messages}
    counts = CanCounts()
    streams: list[Stream] = []
    for signal in table.signals:
        found = []
        for part in senders[signal.pgn]:
            code = (part.word >> np.uint64(signal.shift)) & np.uint64((1 << signal.length_bits) - 1)
            valid, counted = _validity(signal, code)
            counts += counted
            if valid.any():
                value = code[valid].astype(np.float64) * signal.scale + signal.offset
                found.append(Stream(signal, int(part.source[0]), int(part.channel[0]), part.t_us[valid], value))
        streams += sorted(found, key=lambda stream: (stream.signal.rank(stream.source_address), stream.channel))
    return streams, counts


def _by_sender(frames: Frames, pgn: int) -> list[Frames]:
    part = frames.where(frames.pgn == pgn)
    sender = part.channel << np.uint32(8) | part.source
    numbers = np.unique(sender)
    return [part] if len(numbers) == 1 else [part.where(sender == number) for number in numbers]


def _validity(signal: Signal, code: NDArray[np.uint64]) -> tuple[NDArray[np.bool_], CanCounts]:
    if signal.length_bits == _TWO_BITS:
        valid, absent, spare = code <= _ON, code == _NOTHING, code == _SPARE
        is_error = signal.kind == "status"  # 10 is 'error' in a status and 'reserved' in a lamp request
        n_error, n_reserved = (int(spare.sum()), 0) if is_error else (0, int(spare.sum()))
    else:
        first = code >> np.uint64(signal.length_bits - 8)
        valid, absent = first <= _VALID_TO, first == _NOT_AVAILABLE
        n_error = int((first == _ERROR).sum())
        n_reserved = len(code) - int(valid.sum()) - int(absent.sum()) - n_error
    n_valid, n_absent = int(valid.sum()), int(absent.sum())
    return valid, CanCounts(n_valid=n_valid, n_not_available=n_absent, n_error=n_error, n_reserved=n_reserved)
