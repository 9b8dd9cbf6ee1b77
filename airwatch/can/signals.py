"""The table of J1939 signals: what stands where in which frame, and which column it feeds. See `signals.toml`."""

import tomllib
from functools import cache
from importlib.resources import files
from itertools import combinations
from typing import Annotated, Any, Literal, TypeVar

import msgspec
from msgspec import Meta, Struct

from airwatch.contract.columns import COLUMNS
from airwatch.errors import SignalTableError

LAMPS = ("tractor_abs", "trailer_abs")
"""Lamps that a signal of kind "lamp" may feed; the contract's names."""

_GREATEST_VALID = {8: 0xFA, 16: 0xFAFF}  # by length in bits of a measured value; SAE J1939-71 table 1
_Text = Annotated[str, Meta(min_length=1)]
_Address = Annotated[int, Meta(ge=0, le=253)]


class Message(Struct, frozen=True, forbid_unknown_fields=True):
    """One parameter group: ``period_ms`` is how often it is sent, ``length_bytes`` the length of its data."""

    pgn: Annotated[int, Meta(ge=0, le=0x1FFFF)]
    name: Annotated[str, Meta(pattern=r"^[A-Z][A-Z0-9]*$")]
    length_bytes: Annotated[int, Meta(ge=8, le=8)]
    period_ms: Annotated[int, Meta(gt=0)]
    source: _Text


class Signal(Struct, frozen=True, forbid_unknown_fields=True):
    """One parameter: code * ``scale`` + ``offset`` in ``unit``, ``low`` to ``high``; bytes and bits count from 1."""

    spn: Annotated[int, Meta(gt=0, lt=524287)]
    name: Annotated[str, Meta(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
    pgn: int
    start_byte: Annotated[int, Meta(ge=1, le=8)]
    start_bit: Annotated[int, Meta(ge=1, le=8)]
    length_bits: Literal[2, 8, 16]
    scale: Annotated[float, Meta(gt=0)]
    offset: float
    unit: str
    low: float
    high: float
    kind: Literal["measured", "status", "lamp"]
    feeds: _Text
    prefer: Annotated[tuple[_Address, ...], Meta(min_length=1)]
    source: _Text

    @property
    def shift(self) -> int:
        """Bits below the signal in the frame's data read as a little-endian number."""
        return (self.start_byte - 1) * 8 + self.start_bit - 1

    def rank(self, source_address: int) -> tuple[int, int]:
        """Order senders: those of ``prefer`` in its order, then all others by address."""
        known = source_address in self.prefer
        return (self.prefer.index(source_address) if known else len(self.prefer), source_address)


class SignalTable(Struct, frozen=True):
    """The table as loaded, rows in file order."""

    messages: tuple[Message, ...]
    signals: tuple[Signal, ...]


def parse_signals(text: str) -> SignalTable:
    """Read a signal table; nothing unknown, missing, repeated or contradictory gets through.

    Parameters
    ----------
    text : str
        TOML with ``[[message]]`` and ``[[signal]]`` rows, as in ``signals.toml``.

    Returns
    -------
    SignalTable

    Raises
    ------
    SignalTableError
        Naming the row and what is wrong with it.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as err:
        raise SignalTableError(f"signal table: not TOML: {err}") from err
    if unlike := sorted(table.keys() ^ {"message", "signal"}):
        raise SignalTableError(f"signal table: unknown or missing tables {unlike}; it has [[message]] and [[signal]]")
    messages = _rows(table["message"], Message, "message")
    signals = _rows(table["signal"], Signal, "signal")
    _check_unique("message", [(m.name, ("pgn", m.pgn)) for m in messages])
    _check_unique("message", [(m.name, ("name", m.name)) for m in messages])
    _check_unique("signal", [(s.name, ("spn", s.spn)) for s in signals])
    _check_unique("signal", [(s.name, ("name", s.name)) for s in signals])
    by_pgn = {message.pgn: message for message in messages}
    for signal in signals:
        if (wrong := _contradiction(signal, by_pgn)) is not None:
            raise SignalTableError(f"signal {signal.name!r}: {wrong}")
    for one, other in combinations(signals, 2):
        if one.pgn == other.pgn and _bits(one) & _bits(other):
            raise SignalTableError(f"signal {other.name!r}: lies on the bits of {one.name!r} in PGN {one.pgn}")
    return SignalTable(messages, signals)


@cache
def load_signals() -> SignalTable:
    """Load the table that comes with the package.

    Raises
    ------
    SignalTableError
        The file was changed and no longer fits.
    """
    return parse_signals((files("airwatch.can") / "signals.toml").read_text(encoding="utf-8"))


_Row = TypeVar("_Row", Message, Signal)


def _rows(rows: Any, kind: type[_Row], what: str) -> tuple[_Row, ...]:
    if not isinstance(rows, list) or not rows:
        raise SignalTableError(f"signal table: {what} must be an array of tables, [[{what}]]")
    read = []
    for number, row in enumerate(rows, start=1):
        try:
            read.append(msgspec.convert(row, kind))
        except msgspec.ValidationError as err:
            name = row.get("name") if isinstance(row, dict) else None
            raise SignalTableError(f"{what} {name!r} (row {number}): {err}") from err
    return tuple(read)


def _check_unique(what: str, keys: list[tuple[str, tuple[str, Any]]]) -> None:
    seen = set()
    for name, (field, value) in keys:
        if value in seen:
            raise SignalTableError(f"{what} {name!r}: {field} {value!r} is there twice")
        seen.add(value)


def _bits(signal: Signal) -> int:
    return ((1 << signal.length_bits) - 1) << signal.shift


def _contradiction(signal: Signal, messages: dict[int, Message]) -> str | None:
    if signal.pgn not in messages:
        return f"pgn {signal.pgn} is not among the messages"
    if signal.shift + signal.length_bits > messages[signal.pgn].length_bytes * 8:
        return f"byte {signal.start_byte} bit {signal.start_bit} and {signal.length_bits} bits run past the frame"
    if len(set(signal.prefer)) < len(signal.prefer):
        return f"prefer names an address twice: {list(signal.prefer)}"
    if (signal.kind == "measured") != (signal.length_bits in _GREATEST_VALID):
        return f"kind {signal.kind!r} does not go with length_bits={signal.length_bits}"
    greatest = _GREATEST_VALID.get(signal.length_bits, 1)
    if (signal.low, signal.high) != (ends := (signal.offset, greatest * signal.scale + signal.offset)):
        return f"low={signal.low}, high={signal.high}, but scale and offset reach from {ends[0]} to {ends[1]}"
    return _misfit(signal)


def _misfit(signal: Signal) -> str | None:
    """Say how a signal does not fit what it feeds."""
    if signal.kind == "lamp":
        return None if signal.feeds in LAMPS else f"feeds must be one of {', '.join(LAMPS)}; got {signal.feeds!r}"
    is_switch = signal.kind == "status"
    fitting = {column.name: column for column in COLUMNS if column.is_switch == is_switch}
    if signal.feeds not in fitting:
        return f"feeds must be one of {', '.join(fitting)}; got {signal.feeds!r}"
    column = fitting[signal.feeds]
    if signal.low < column.low or signal.high > column.high:
        return f"{signal.low}..{signal.high} is more than {column.name} holds, {column.low}..{column.high}"
    return None
