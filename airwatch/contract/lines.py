"""Pressure blocks in the lines of a recording, read many at a time.

Reading a recording costs most where its numbers are. Here a line is cut at its brackets: what is left of it is a short
message whose arrays are empty, which `msgspec` checks as it checks any other, and the arrays of one column of many
lines are handed to `simdjson` as one array of plain numbers. Whatever is out of the ordinary (a head written in another
way, an array in an array, a wrong type, an unknown field) is given as a message for the plain way, which decides and
gives the reason; so both ways say the same.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from operator import attrgetter
from typing import Any

import msgspec
import numpy as np
import simdjson
from msgspec import UNSET, Struct
from numpy.typing import NDArray

from airwatch.contract.columns import COLUMN_NAMES
from airwatch.contract.message import RawMessage
from airwatch.contract.payloads import (
    LATEST_US,
    MILLISECOND_US,
    Instant,
    PressurePayload,
    microseconds,
    strict_decoder,
)
from airwatch.contract.recordings import LineChunk, message_of
from airwatch.contract.topics import Topic, parse_topic
from airwatch.errors import PayloadError

_GROUP = 128  # lines whose numbers are read together; their text stays in the processor's cache
_HEAD = re.compile(rb'\{"received":("[^"\\]*"),"topic":"([^"\\]*)","content_type":"application/json","payload":(?=\{)')
_ARRAY_KEY = re.compile(rb',\s*"(\w+)"\s*:\s*\[')
_TIMES = "t_ms"
_COLUMNS = attrgetter(*COLUMN_NAMES, _TIMES)
_BLOCK = strict_decoder(PressurePayload)
_INSTANT = msgspec.json.Decoder(Instant)
_PARSER: Any = simdjson.Parser()
# Numbers that no column can hold stand for a border and for a null; where a vehicle sends one of them, the counts of
# what was written and what was read differ, and the plain way takes over.
_BORDER, _BORDER_TEXT = -1.25e307, b",-1.25e307,"
_NULL, _NULL_TEXT = -1.5e307, b" -1.5e307 "
_NOT_NUMBERS = (TypeError, ValueError, RuntimeError, AttributeError)  # what simdjson says of anything else
_LARGEST_OFFSET_MS = 1e15  # far beyond any time that is allowed, and whole in a double

Doubles = NDArray[np.float64]
Whole = NDArray[np.int64]


class _Plain(Struct, gc=False):
    """A line whose arrays are not read yet: which there are, and what stands in each."""

    topic: Topic
    received_us: int
    t0_us: int
    body: PressurePayload
    n_bytes: int
    layout: "_Layout"
    arrays: list[bytes]
    begin: int
    end: int
    number: int


@dataclass(frozen=True, slots=True)
class Blocks:
    """Some pressure blocks, each with one sample or more, that keep to the contract but for ranges.

    ``columns`` are laid end to end, NaN for null (which those ``with_nulls`` have) and where a block has no such
    column. Times are microseconds since the epoch: each block's first and the spacing, and where ``t_ms`` gave them one
    by one, ``times_us``: for which samples, and these.
    """

    chunk: LineChunk
    lines: Sequence[_Plain]
    sizes: Whole
    t0_us: Whole
    dt_us: Doubles
    times_us: tuple[NDArray[np.bool_], Whole] | None
    columns: dict[str, Doubles]
    with_nulls: frozenset[str]

    def messages(self) -> Iterator[RawMessage]:
        """Give the messages for the plain way."""
        return (_raw(self.chunk, line.begin, line.end, line.number) for line in self.lines)


@dataclass(frozen=True, slots=True)
class ChunkMessages:
    """The messages of a chunk in order, blocks together where that is quick. It can be gone through again."""

    chunk: LineChunk
    root: str

    def __iter__(self) -> Iterator[RawMessage | Blocks]:
        chunk, text, group = self.chunk, self.chunk.text, list[_Plain]()
        begin, number = 0, chunk.first_line
        layout = _NO_LAYOUT
        while begin < len(text):
            end = at if (at := text.find(b"\n", begin)) >= 0 else len(text)
            if (line := _plain(text, begin, end, number, self.root, layout)) is not None:
                group.append(line)
                layout = line.layout  # a fleet has few, and the next line mostly has the same
            elif not text[begin:end].isspace() and begin < end:
                yield from _together(chunk, group)
                group = []
                yield _raw(chunk, begin, end, number)
            if len(group) == _GROUP:
                yield from _together(chunk, group)
                group = []
            begin, number = end + 1, number + 1
        yield from _together(chunk, group)


def _raw(chunk: LineChunk, begin: int, end: int, number: int) -> RawMessage:
    return message_of(chunk.text[begin:end].strip(), f"{chunk.name} line {number}")


def _plain(text: bytes, begin: int, end: int, number: int, root: str, likely: "_Layout") -> _Plain | None:
    """Cut one line at its brackets; None if it is nothing for this."""
    if (line := likely.line.fullmatch(text, begin, end)) is not None:
        received, name, head, *arrays = line.groups()
        payload, layout, rest = line.start(3), likely, b"]}"
    elif (start := _HEAD.match(text, begin, end)) is not None:
        received, name = start.groups()
        payload = start.end()
        parts = text[payload:end].split(b"]")
        first, last = parts[0], parts[-1]
        opens = first.find(b"[") + 1
        found = _layout_of(parts, first[first.rfind(b",", 0, opens) : opens])
        if found is None or not last.endswith(b"}}"):
            return None
        layout, head = found, first[:opens]
        # where only arrays follow, what they are called is known, and all else stands before them
        rest = b"]}" if last == b"}}" else b"]" + layout.rest + last[:-1]
        arrays = [first[opens:], *[part[at:] for part, at in zip(parts[1:], layout.ends, strict=False)]]
    else:
        return None
    try:
        body = _BLOCK.decode(head + rest)
        topic = parse_topic(name.decode("ascii"), root)
        received_us, t0_us = microseconds(_INSTANT.decode(received)), microseconds(body.t0)
    except (msgspec.MsgspecError, PayloadError, ValueError):
        return None
    if (body.dt_ms is UNSET) != layout.has_times or topic.stream != "pressure" or topic.unit != body.unit:
        return None
    if rest != b"]}" and _COLUMNS(body) != layout.empty:
        return None
    return _Plain(topic, received_us, t0_us, body, end - 1 - payload, layout, arrays, begin, end, number)


@dataclass(frozen=True, slots=True)
class _Layout:
    """Which arrays a payload has, with nothing but their names between them.

    ``keys`` are what stands before each array but the first, as `, "primary_kpa": [`, ``ends`` their lengths, ``rest``
    all of them with empty arrays, and ``empty`` the columns and ``t_ms`` as they are decoded then. ``line`` is a whole
    line where nothing follows the arrays: received, topic, what stands before the first array, and what in each.
    """

    names: tuple[str, ...]
    keys: list[bytes]
    ends: list[int]
    rest: bytes
    empty: tuple[Any, ...]
    has_times: bool
    n_columns: int
    line: re.Pattern[bytes]


_NO_LINE = re.compile(rb"(?!)")
_NO_LAYOUT = _Layout((), [], [], b"", (), has_times=False, n_columns=0, line=_NO_LINE)
_layouts: dict[tuple[bytes, int], _Layout] = {}
_MOST_LAYOUTS = 1000  # a fleet has few; what somebody else sends must not fill the memory


def _layout_of(parts: list[bytes], first_key: bytes) -> _Layout | None:
    """Find out which arrays a payload has that was cut at each closing bracket."""
    layout = _layouts.get((first_key, len(parts)))
    inner = parts[1:-1]
    if layout is not None and layout.keys == [part[:at] for part, at in zip(inner, layout.ends, strict=True)]:
        return layout
    keys = [part[: part.find(b"[") + 1] for part in inner]
    matches = [_ARRAY_KEY.fullmatch(key) for key in (first_key, *keys)]
    names = tuple(match[1].decode("ascii", "replace") for match in matches if match)
    if len(set(names)) != len(matches) or not {*COLUMN_NAMES, _TIMES}.issuperset(names):
        return None
    empty: tuple[Any, ...] = tuple([] if name in names else UNSET for name in (*COLUMN_NAMES, _TIMES))
    has_times = _TIMES in names
    rest = b"".join(key + b"]" for key in keys)
    is_kept = len(_layouts) < _MOST_LAYOUTS or (first_key, len(parts)) in _layouts
    line = _line_of(first_key, keys) if is_kept else _NO_LINE
    ends = [len(key) for key in keys]
    layout = _Layout(names, keys, ends, rest, empty, has_times, len(names) - has_times, line)
    if is_kept:
        _layouts[first_key, len(parts)] = layout
    return layout


def _line_of(first_key: bytes, keys: list[bytes]) -> re.Pattern[bytes]:
    """Make the pattern of a whole line that has these arrays and nothing behind them."""
    head = rb"([^\[]*+\[(?<=" + re.escape(first_key) + rb"))"
    arrays = [rb"([^\]]*+)\]", *[re.escape(key) + rb"([^\]]*+)\]" for key in keys]]
    return re.compile(_HEAD.pattern + head + b"".join(arrays) + rb"\}\}")


def _together(chunk: LineChunk, group: list[_Plain]) -> Iterator[RawMessage | Blocks]:
    """Read the numbers of a group; where that fails, of ever smaller parts, and what is left goes the plain way."""
    if not group:
        return
    if (blocks := _blocks(chunk, group)) is not None:
        yield blocks
    elif len(group) == 1:
        yield _raw(chunk, group[0].begin, group[0].end, group[0].number)
    else:
        middle = len(group) // 2
        yield from _together(chunk, group[:middle])
        yield from _together(chunk, group[middle:])


def _blocks(chunk: LineChunk, group: list[_Plain]) -> Blocks | None:
    """Read the numbers of a group and check its shape; None if anything is not as the contract has it."""
    having = _by_name(group)
    sizes = np.zeros(len(group), np.int64)  # an array has one number or more
    read: dict[str, tuple[Whole | None, Doubles]] = {}
    with_nulls = set()
    for name, (which, arrays) in having.items():
        if (numbers := _numbers(arrays)) is None:
            return None
        n, values, has_nulls = numbers
        if which is None:
            if ((sizes != 0) & (sizes != n)).any():
                return None
            sizes = n
        else:
            if ((sizes[which] != 0) & (sizes[which] != n)).any():
                return None
            sizes[which] = n
        read[name] = which, values
        if has_nulls or which is not None:
            with_nulls.add(name)
    offsets = read.pop(_TIMES, None)
    t0_us = np.array([line.t0_us for line in group], np.int64)
    dt_us = np.array([0.0 if line.layout.has_times else line.body.dt_ms for line in group]) * 1000.0
    if not _is_allowed(t0_us, dt_us, sizes, [line.layout.has_times for line in group]):
        return None
    times_us = None
    if offsets is not None and (times_us := _given_times(t0_us, sizes, *offsets)) is None:
        return None
    columns = {name: _spread(values, which, sizes) for name, (which, values) in read.items()}
    return Blocks(chunk, group, sizes, t0_us, dt_us, times_us, columns, frozenset(with_nulls))


def _by_name(group: list[_Plain]) -> dict[str, tuple[Whole | None, Sequence[bytes]]]:
    """Give the arrays of each name in the order of the lines, and which lines have it, None for all."""
    names = group[0].layout.names
    if all(line.layout.names == names for line in group):
        arrays = zip(*[line.arrays for line in group], strict=True)
        return {name: (None, array) for name, array in zip(names, arrays, strict=True)}
    having: dict[str, tuple[list[int], list[bytes]]] = {}
    for k, line in enumerate(group):
        for name, array in zip(line.layout.names, line.arrays, strict=True):
            which, some = having.setdefault(name, ([], []))
            which.append(k)
            some.append(array)
    n = len(group)
    return {name: (None if len(which) == n else np.array(which), some) for name, (which, some) in having.items()}


def _numbers(arrays: Sequence[bytes]) -> tuple[Whole, Doubles, bool] | None:
    """Read what stands in some arrays: how many numbers each holds, all of them, NaN for null, and if there is one."""
    if len(arrays) > 1 and arrays.count(arrays[0]) == len(arrays):  # as of a switch that nobody touches
        if (once := _numbers(arrays[:1])) is None:
            return None
        sizes, values, has_nulls = once
        return np.repeat(sizes, len(arrays)), np.tile(values, len(arrays)), has_nulls
    # an array in an array would lack its end here, as lines are cut at each
    text = b"[" + _BORDER_TEXT.join(arrays) + _BORDER_TEXT[:-1] + b"]"
    n_null = text.count(b"null") if b"n" in text else 0  # looking for one byte is many times faster than counting
    if n_null:
        text = text.replace(b"null", _NULL_TEXT)
    try:
        values = np.frombuffer(_PARSER.parse(text).as_buffer(of_type="d"), np.float64)
    except _NOT_NUMBERS:
        return None
    borders = np.flatnonzero(values == _BORDER)
    if borders.size != len(arrays):
        return None
    sizes = np.diff(borders, prepend=-1) - 1
    if (sizes == sizes[0]).all():
        values = values.reshape(len(arrays), -1)[:, :-1].reshape(-1)
    else:
        values = np.delete(values, borders)
    if n_null:
        is_null = values == _NULL
        if np.count_nonzero(is_null) != n_null:
            return None
        values[is_null] = np.nan
    return sizes, values, n_null > 0


def _spread(values: Doubles, which: Whole | None, sizes: Whole) -> Doubles:
    """Lay a column out over all blocks of a group; ``which`` have it."""
    if which is None:
        return values
    has = np.zeros(sizes.size, np.bool_)
    has[which] = True
    whole = np.full(int(sizes.sum()), np.nan)
    whole[np.repeat(has, sizes)] = values
    return whole


def _is_allowed(t0_us: Whole, dt_us: Doubles, sizes: Whole, has_times: list[bool]) -> bool:
    """Tell whether evenly spaced blocks stay within the calendar, and their samples a millisecond apart."""
    is_close = (sizes > 1) & (dt_us < MILLISECOND_US) & ~np.array(has_times)
    return bool((t0_us + (sizes - 1) * dt_us <= LATEST_US).all()) and not is_close.any()


def _given_times(
    t0_us: Whole, sizes: Whole, which: Whole | None, offsets_ms: Doubles
) -> tuple[NDArray[np.bool_], Whole] | None:
    """Give the times of the blocks that have ``t_ms``, and for which samples they are; None if one is not allowed."""
    if not (np.abs(offsets_ms) < _LARGEST_OFFSET_MS).all():  # nor null, which is NaN
        return None
    which = np.arange(sizes.size) if which is None else which
    own = sizes[which]
    times_us = np.repeat(t0_us[which], own) + np.rint(offsets_ms).astype(np.int64) * 1000
    is_first = np.zeros(times_us.size, np.bool_)
    is_first[np.cumsum(own) - own] = True
    rises = np.diff(times_us, prepend=times_us[0]) > 0
    if not (rises | is_first).all() or times_us.min() < 0 or times_us.max() > LATEST_US:
        return None
    has_times = np.zeros(sizes.size, np.bool_)
    has_times[which] = True
    return np.repeat(has_times, sizes), times_us
