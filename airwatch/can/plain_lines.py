"""Candump lines of the plain form, read eight characters at a time: nearly all lines of nearly all logs.

A plain line is ``(seconds.micros) channel id#data`` with ten digits of seconds, six of microseconds, one space at each
place, eight hexadecimal digits of a 29-bit id and whole bytes of data, at most eight. Whatever else a line is, it is
left to those who look at it as text; so both say the same of every line.

Eight characters of a line are one 64-bit number, the first character its lowest byte, and what is done to that number
is done to all eight at once. Sums of bytes below 128 and of what is added to them here never carry into the next byte.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
import pyarrow as pa
from numpy.typing import NDArray

from airwatch.can.frames import BINARY_VIEW
from airwatch.contract.columns import TIME

Bytes = NDArray[np.uint8]
Ints = NDArray[np.int64]
Words = NDArray[np.uint64]
Bools = NDArray[np.bool_]

_STAMP = 20  # "(1738581600.123456) " before the channel
_ID_DIGITS = 8
_MAX_ID = 0x1FFFFFFF
_DATA_DIGITS = 16
_WORD = 8
_LEAST = _STAMP + 1 + 1 + _ID_DIGITS  # characters before the mark
_LONGEST_CHANNEL = 16
_MOST_CHANNELS = 16  # that are told apart here
_MOST_PLACES = 8  # where marks are looked for; a log has as many as it has lengths of channel names
_NO_LINES = pl.DataFrame(schema={"t": TIME, "can_id": pl.UInt32, "data": pl.Binary, "channel": pl.String})


def _each(byte: int) -> np.uint64:
    """Give the word that has this byte eight times."""
    return np.uint64(byte * 0x0101010101010101)


_TOPS, _LOW_NIBBLES = _each(0x80), _each(0x0F)
_ZEROS, _SPACES, _BREAKS = _each(ord("0")), _each(ord(" ")), _each(ord("\n"))


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
    buffer: Bytes = np.frombuffer(text + bytes(_DATA_DIGITS), dtype=np.uint8)  # so that words may reach past the end
    breaks = np.flatnonzero(buffer[: len(text)] == ord("\n"))
    ends = breaks if not text or text.endswith(b"\n") else np.append(breaks, len(text))
    starts = np.concatenate([[0], breaks[: ends.size - 1] + 1]) if ends.size else np.empty(0, dtype=np.int64)
    at = np.flatnonzero(ends - starts > _LEAST)
    marks = _marks(buffer, starts[at], ends[at])
    has_mark = marks > 0
    if not has_mark.all():
        at, marks = at[has_mark], marks[has_mark]
    frames, is_plain = _frames(buffer, starts[at], marks, ends[at])
    others = np.ones(ends.size, dtype=bool)
    others[at[is_plain]] = False
    return PlainLines(frames, at[is_plain], np.flatnonzero(others), starts, ends)


def _marks(buffer: Bytes, starts: Ints, ends: Ints) -> Ints:
    """Find the mark between id and data of each line, 0 where it is at none of the places of the first few lines."""
    marks = np.zeros(starts.size, dtype=np.int64)
    left = np.arange(starts.size)
    for _ in range(_MOST_PLACES):
        if not left.size:
            break
        first, end = starts[left[0]], ends[left[0]]
        place = np.flatnonzero(buffer[first + _LEAST : end] == ord("#"))
        after = _LEAST + int(place[0]) if place.size else 0
        at = starts[left] + after
        is_there = (at < ends[left]) & (buffer[np.minimum(at, buffer.size - 1)] == ord("#")) & (after > 0)
        marks[left[is_there]] = at[is_there]
        is_there[0] = True  # whatever it is, it is not looked at again
        left = left[~is_there]
    return marks


def _frames(buffer: Bytes, starts: Ints, marks: Ints, ends: Ints) -> tuple[pl.DataFrame, Bools]:
    """Read lines that may be plain; give the frames of those that are, and which they are."""
    if not starts.size:
        return _NO_LINES, np.zeros(0, dtype=bool)
    t_us, is_plain = _stamps(buffer, starts)
    id_digits = _words(buffer, marks - _ID_DIGITS)
    is_plain &= _are_hex(id_digits) & (buffer[marks - _ID_DIGITS - 1] == ord(" "))
    can_id = _bytes_of(id_digits).astype(np.uint32).byteswap()
    n_digits = ends - marks - 1
    is_plain &= (can_id <= _MAX_ID) & (n_digits <= _DATA_DIGITS) & (n_digits % 2 == 0)
    sizes = np.clip(n_digits // 2, 0, _WORD)
    data, is_data = _data(buffer, marks + 1, sizes)
    is_plain &= is_data
    channel_size = marks - _ID_DIGITS - 1 - starts - _STAMP
    is_plain &= channel_size <= _LONGEST_CHANNEL
    channel, is_named = _channels(buffer, starts + _STAMP, np.minimum(channel_size, _LONGEST_CHANNEL))
    is_plain &= is_named
    frames = pl.DataFrame(
        {"t": pl.Series(t_us).cast(TIME), "can_id": can_id, "data": _binary(data, sizes), "channel": channel}
    )
    return frames if is_plain.all() else frames.filter(pl.Series(is_plain)), is_plain


def _words(buffer: Bytes, at: Ints) -> Words:
    """Give the eight characters from each place on."""
    return np.ndarray((buffer.size - _WORD + 1,), "<u8", buffer, strides=(1,))[at]


def _stamps(buffer: Bytes, starts: Ints) -> tuple[Ints, Bools]:
    """Read ``(1738581600.123456) ``: microseconds, and whether it is of that form."""
    seconds, middle, micros = (_words(buffer, starts + place) for place in (1, 9, 12))
    is_stamp = buffer[starts] == ord("(")
    is_stamp &= (middle & np.uint64(0xFF0000)) == np.uint64(ord(".") << 16)
    is_stamp &= (micros >> np.uint64(48)) == np.uint64(ord(")") | ord(" ") << 8)
    last_two = (middle & np.uint64(0xFFFF)) << np.uint64(48) | _ZEROS >> np.uint64(16)  # of the ten
    six = (micros & np.uint64(0xFFFFFFFFFFFF)) << np.uint64(16) | _ZEROS & np.uint64(0xFFFF)
    for digits in (seconds, last_two, six):
        is_stamp &= _are_digits(digits)
    t_us = (_number(seconds) * np.uint64(100) + _number(last_two)) * np.uint64(1_000_000) + _number(six)
    return t_us.astype(np.int64), is_stamp


def _at_least(words: Words, low: int) -> Words:
    """Set the top bit of each byte from ``low`` on; bytes are below 128."""
    return (words + _each(0x80 - low)) & _TOPS


def _are_digits(words: Words) -> Bools:
    """Tell where all eight characters are decimal digits."""
    is_ascii: Bools = (words & _TOPS) == 0
    plain = words & ~_TOPS
    is_digit: Bools = (_at_least(plain, ord("0")) & ~_at_least(plain, ord("9") + 1)) == _TOPS
    return is_ascii & is_digit


def _are_hex(words: Words) -> Bools:
    """Tell where all eight characters are hexadecimal digits."""
    is_ascii: Bools = (words & _TOPS) == 0
    plain = words & ~_TOPS
    small = plain | _SPACES  # a small letter for a capital one
    is_digit = _at_least(plain, ord("0")) & ~_at_least(plain, ord("9") + 1)
    is_letter = _at_least(small, ord("a")) & ~_at_least(small, ord("f") + 1)
    is_hex: Bools = (is_digit | is_letter) == _TOPS
    return is_ascii & is_hex


def _number(digits: Words) -> Words:
    """Read eight decimal digits, two by two, then four by four, then all."""
    value = digits & _LOW_NIBBLES
    value = (value * np.uint64(10) + (value >> np.uint64(8))) & np.uint64(0x00FF00FF00FF00FF)
    value = (value * np.uint64(100) + (value >> np.uint64(16))) & np.uint64(0x0000FFFF0000FFFF)
    return (value * np.uint64(10_000) + (value >> np.uint64(32))) & np.uint64(0xFFFFFFFF)


def _bytes_of(digits: Words) -> Words:
    """Read eight hexadecimal digits as four bytes, the first of them lowest."""
    value = (digits & _LOW_NIBBLES) + (digits >> np.uint64(6) & _each(1)) * np.uint64(9)
    value = (value << np.uint64(4) | value >> np.uint64(8)) & np.uint64(0x00FF00FF00FF00FF)
    value = (value | value >> np.uint64(8)) & np.uint64(0x0000FFFF0000FFFF)
    return (value | value >> np.uint64(16)) & np.uint64(0xFFFFFFFF)


def _data(buffer: Bytes, at: Ints, sizes: Ints) -> tuple[Words, Bools]:
    """Read so many bytes of data, the first lowest and 0 beyond the last; and whether they are written as such."""
    first, second = _words(buffer, at), _words(buffer, at + _WORD)
    if not (sizes == _WORD).all():  # what stands behind the data is taken for zeros
        first, second = _filled(first, 2 * sizes, _ZEROS), _filled(second, 2 * sizes - _WORD, _ZEROS)
    return _bytes_of(first) | _bytes_of(second) << np.uint64(32), _are_hex(first) & _are_hex(second)


def _filled(words: Words, n: Ints, filler: np.uint64) -> Words:
    """Keep the first ``n`` of eight characters, and take the others from ``filler``."""
    n_bits = np.clip(n, 0, _WORD).astype(np.uint64) * np.uint64(8)
    # a shift by all 64 bits is not defined, so one of them goes by itself
    kept = (np.uint64(1) << (n_bits >> np.uint64(1)) << (n_bits >> np.uint64(1))) - np.uint64(1)
    return words & kept | filler & ~kept


def _binary(words: Words, sizes: Ints) -> pl.Series:
    """Make binary values of words, ``sizes`` bytes of each; what a word has beyond is 0."""
    views = np.zeros(words.size, BINARY_VIEW)
    views["size"], views["word"] = sizes, words
    array = pa.Array.from_buffers(pa.binary_view(), words.size, [None, pa.py_buffer(views)])
    return pl.Series("data", pl.from_arrow(array))


def _channels(buffer: Bytes, starts: Ints, sizes: Ints) -> tuple[pl.Series, Bools]:
    """Give each line's channel, and whether it is a word of printable ASCII; the lines of a log name a few channels."""
    # a line has no line break in it, so names of different length are never the same
    first = _filled(_words(buffer, starts), sizes, _BREAKS)
    is_long = int(sizes.max()) > _WORD
    second = (
        _filled(_words(buffer, starts + _WORD), sizes - _WORD, _BREAKS) if is_long else np.full_like(first, _BREAKS)
    )
    names: list[bytes] = []
    which, left = np.full(starts.size, _MOST_CHANNELS), np.arange(starts.size)
    while left.size and len(names) < _MOST_CHANNELS:
        one, other = first[left[0]], second[left[0]]
        is_same = (first[left] == one) & (second[left] == other)
        which[left[is_same]] = len(names)
        names.append((int(one) | int(other) << 64).to_bytes(2 * _WORD, "little").rstrip(b"\n"))
        left = left[~is_same]
    is_word = [all(ord(" ") < code < 127 for code in name) for name in names]  # noqa: PLR2004 DEL
    none = [""] * (_MOST_CHANNELS + 1 - len(names))
    texts = pl.Series("channel", [name.decode("ascii", "replace") for name in names] + none, dtype=pl.String)
    if len(names) == 1:  # as of nearly every log
        return texts[:1].new_from_index(0, starts.size), np.full(starts.size, is_word[0])
    return texts.gather(which), np.array([*is_word, *[False] * len(none)])[which]
