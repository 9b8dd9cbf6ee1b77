"""Candump lines of the plain form, read as columns of bytes: nearly all lines of nearly all logs.

A plain line is ``(seconds.micros) channel id#data`` with ten digits of seconds, six of microseconds, one space at each
place, eight hexadecimal digits of a 29-bit id and whole bytes of data, at most eight. Whatever else a line is, it is
left to those who look at it as text; so both say the same of every line.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from airwatch.contract.columns import TIME

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]

_STAMP = 20  # "(1738581600.123456) " before the channel
_DOT = 11  # where the dot of a stamp stands
_ID_DIGITS = 8
_DATA_DIGITS = 16
_MAX_ID = 0x1FFFFFFF
_LONGEST_CHANNEL = 16
_POWERS = 10 ** np.arange(15, -1, -1, dtype=np.int64)
_NO_DIGIT = 255
_HEX = np.full(256, _NO_DIGIT, dtype=np.uint8)
for _digit in range(16):
    _HEX[ord(f"{_digit:x}")] = _HEX[ord(f"{_digit:X}")] = _digit
_NO_LINES = pl.DataFrame(schema={"t": TIME, "can_id": pl.UInt32, "data": pl.Binary, "channel": pl.String})


@dataclass(frozen=True, slots=True)
class PlainLines:
    """``frames`` stand in the lines ``at``, counted from 0; ``others`` are the other ones.

    Every line reaches from its entry in ``starts`` to that in ``ends``.
    """

    frames: pl.DataFrame
    at: Ints
    others: Ints
    starts: Ints
    ends: Ints


def read_plain_lines(text: bytes) -> PlainLines:
    """Read the plain lines of a text, and say where every line begins and ends (its end not included)."""
    buffer: Bytes = np.frombuffer(text, dtype=np.uint8)
    breaks = np.flatnonzero(buffer == ord("\n"))
    ends = breaks if not text or text.endswith(b"\n") else np.append(breaks, buffer.size)
    starts = np.concatenate([[0], breaks[: ends.size - 1] + 1]) if ends.size else np.empty(0, dtype=np.int64)
    marks = np.flatnonzero(buffer == ord("#"))
    line = np.searchsorted(ends, marks)  # in which line each mark stands
    n_marks = np.bincount(line, minlength=ends.size)[: ends.size]
    hash_at = np.zeros(ends.size, dtype=np.int64)
    hash_at[line] = marks
    least = _STAMP + 1 + 1 + _ID_DIGITS + 1
    at = np.flatnonzero((n_marks == 1) & (ends - starts >= least) & (hash_at - starts >= least - 1))
    frames, is_plain = _frames(buffer, starts[at], hash_at[at], ends[at])
    others = np.ones(ends.size, dtype=bool)
    others[at[is_plain]] = False
    return PlainLines(frames, at[is_plain], np.flatnonzero(others), starts, ends)


def _frames(buffer: Bytes, starts: Ints, marks: Ints, ends: Ints) -> tuple[pl.DataFrame, NDArray[np.bool_]]:
    """Read lines that may be plain; give the frames of those that are, and which they are."""
    if not starts.size:
        return _NO_LINES, np.zeros(0, dtype=bool)
    stamp = buffer[starts[:, None] + np.arange(_STAMP)]
    digits = np.delete(stamp[:, 1:18], _DOT - 1, axis=1) - ord("0")
    is_plain = (digits <= 9).all(axis=1)  # noqa: PLR2004 a digit; what stands below "0" has wrapped around
    for place, mark in ((0, "("), (_DOT, "."), (18, ")"), (19, " ")):
        is_plain &= stamp[:, place] == ord(mark)
    id_digits = _HEX[buffer[marks[:, None] + np.arange(-_ID_DIGITS, 0)]]
    is_plain &= (id_digits != _NO_DIGIT).all(axis=1) & (buffer[marks - _ID_DIGITS - 1] == ord(" "))
    can_id = (id_digits.astype(np.uint32) << np.arange(28, -4, -4, dtype=np.uint32)).sum(axis=1, dtype=np.uint32)
    n_digits = ends - marks - 1
    is_plain &= (can_id <= _MAX_ID) & (n_digits <= _DATA_DIGITS) & (n_digits % 2 == 0)
    places = np.minimum(marks[:, None] + 1 + np.arange(_DATA_DIGITS), buffer.size - 1)
    data_digits = _HEX[buffer[places]]
    is_data = np.arange(_DATA_DIGITS) < n_digits[:, None]
    is_plain &= ((data_digits != _NO_DIGIT) | ~is_data).all(axis=1)
    channel_size = marks - _ID_DIGITS - 1 - starts - _STAMP
    is_plain &= (channel_size >= 1) & (channel_size <= _LONGEST_CHANNEL)
    channel, is_named = _channels(buffer, starts + _STAMP, np.clip(channel_size, 0, _LONGEST_CHANNEL))
    is_plain &= is_named
    keep = np.flatnonzero(is_plain)
    frames = pl.DataFrame(
        {
            "t": pl.Series(digits[keep] @ _POWERS).cast(TIME),
            "can_id": can_id[keep],
            "data": _binary(data_digits[keep], n_digits[keep] // 2),
            "channel": channel.gather(keep),
        }
    )
    return frames, is_plain


def _binary(digits: Bytes, sizes: Ints) -> pl.Series:
    """Put pairs of hexadecimal digits together, ``sizes`` bytes of each row."""
    values = (digits[:, ::2] << 4) | digits[:, 1::2]
    is_there = np.arange(_DATA_DIGITS // 2) < sizes[:, None]
    offsets = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    buffers = [None, pa.py_buffer(offsets), pa.py_buffer(values[is_there])]
    return pl.Series("data", pl.from_arrow(pa.Array.from_buffers(pa.large_binary(), len(sizes), buffers)))


def _channels(buffer: Bytes, starts: Ints, sizes: Ints) -> tuple[pl.Series, NDArray[np.bool_]]:
    """Give each line's channel, and whether it is a word of printable ASCII."""
    width = int(sizes.max())
    padded = buffer[np.minimum(starts[:, None] + np.arange(width), buffer.size - 1)]
    padded = np.where(np.arange(width) < sizes[:, None], padded, 0)
    if (padded == padded[0]).all():
        names, which = padded[:1], np.zeros(len(padded), dtype=np.int64)
    else:
        names, which = np.unique(padded, axis=0, return_inverse=True)
    is_word = (((names > ord(" ")) & (names < 127)) | (names == 0)).all(axis=1)  # noqa: PLR2004 DEL
    texts = pl.Series("channel", [bytes(name).rstrip(b"\0").decode("ascii", "replace") for name in names])
    return texts.gather(which.ravel()), is_word[which.ravel()]
