"""Candump text, read line by line: which lines are frames, and that each landed value was sent shortly before."""

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from airwatch.contract.columns import COLUMN_NAMES
from tests.fuzz.outcome import Outcome
from tests.fuzz.violation import ViolationError

_LINE = re.compile(r"\s*\(([0-9]{1,10})\.([0-9]{1,9})\)\s+\S+\s+([0-9A-Fa-f]+)#(\S*?)(?:_[0-9A-Fa-f])?(?:\s+[RT])?\s*")
_CLASSIC, _FD, _REMOTE = r"(?:[0-9A-Fa-f]{2}){0,8}", r"#[0-9A-Fa-f](?:[0-9A-Fa-f]{2})*", r"R[0-8]?"
_BODY = re.compile(f"{_CLASSIC}|{_FD}|{_REMOTE}")
_DATA = re.compile(_CLASSIC)
_MAX_STANDARD, _MAX_ERROR, _ERROR_FLAG, _BOTH_PAGES = 0x7FF, 0x3FFFFFFF, 0x20000000, 0b11 << 24
_WINDOW_US, _SECOND_US, _ROUNDING_US = 2_000_000, 1_000_000, 1000

# Column: (parameter group, first byte from 0, bytes, scale, offset), as the sources of signals.toml have them.
_B1, _AIR1, _EEC1, _CCVS1, _AMB = 65274, 65198, 61444, 65265, 65269
_SIGNALS: dict[str, tuple[tuple[int, int, int, float, float], ...]] = {
    "supply_kpa": ((_AIR1, 0, 1, 8, 0),),
    "primary_kpa": ((_B1, 1, 1, 4, 0), (_AIR1, 2, 1, 8, 0)),
    "secondary_kpa": ((_B1, 2, 1, 4, 0), (_AIR1, 3, 1, 8, 0)),
    "application_kpa": ((_B1, 0, 1, 4, 0),),
    "engine_rpm": ((_EEC1, 3, 2, 0.125, 0),),
    "speed_kph": ((_CCVS1, 1, 2, 1 / 256, 0),),
    "ambient_c": ((_AMB, 3, 2, 0.03125, -273),),
}


@dataclass(frozen=True, slots=True)
class _Frame:
    t_us: int
    pgn: int
    data: bytes


def check_candump(payload: bytes, outcome: Outcome) -> bool:
    """Compare a message of stream ``can`` with its second reading; False if its text is not plain enough for that.

    Raises
    ------
    ViolationError
        Lines were sorted out otherwise, or a sample holds a value that no frame of the last seconds says.
    """
    if not payload.isascii() or re.search(rb"[\x00-\x08\x0b\x0c\x0e-\x1f]|\r(?!\n)", payload):
        return False  # what counts as white space is settled between the two only for plain text
    lines = [line.removesuffix("\r") for line in payload.decode().split("\n")]
    if lines[-1] == "":
        lines.pop()
    kinds = [_kind(line) for line in lines]
    n_bad, n_blank = kinds.count("bad"), kinds.count("blank")
    expected = "landed" if not n_bad else "set aside" if n_bad + n_blank == len(lines) else "both"
    if outcome.verdict != expected:
        raise ViolationError(
            "a second reading differs", f"{n_bad} bad lines of {len(lines)}, message {outcome.verdict}"
        )
    if outcome.ledger:
        _check_samples(list(_frames(lines, kinds)), outcome)
    return True


def _kind(line: str) -> str:
    if not line.strip():
        return "blank"
    found = _LINE.fullmatch(line)
    if found is None or not _BODY.fullmatch(found[4]) or len(found[3]) not in {3, 8}:
        return "bad"
    number = int(found[3], 16)
    if number > (_MAX_STANDARD if len(found[3]) == 3 else _MAX_ERROR):
        return "bad"
    is_j1939 = len(found[3]) == 8 and not number & _ERROR_FLAG and _DATA.fullmatch(found[4])
    return "frame" if is_j1939 else "other"


def _frames(lines: list[str], kinds: list[str]) -> Iterator[_Frame]:
    for line, kind in zip(lines, kinds, strict=True):
        found = _LINE.fullmatch(line)
        if kind != "frame" or found is None or int(found[3], 16) & _BOTH_PAGES == _BOTH_PAGES:
            continue
        t_us = int(found[1]) * _SECOND_US + int(found[2].ljust(6, "0")[:6])
        yield _Frame(t_us, int(found[3], 16) >> 8 & 0x3FFFF, bytes.fromhex(found[4]).ljust(8, b"\xff"))


def _check_samples(frames: list[_Frame], outcome: Outcome) -> None:
    for t_us, *values in outcome.rows.get("samples", ()):
        named: dict[str, Any] = dict(zip(COLUMN_NAMES, values, strict=True))
        recent = [f for f in frames if -_ROUNDING_US <= t_us - f.t_us <= _WINDOW_US + _ROUNDING_US]
        for name, signals in _SIGNALS.items():
            said = {
                int.from_bytes(frame.data[at : at + size], "little") * scale + offset
                for pgn, at, size, scale, offset in signals
                for frame in recent
                if frame.pgn == pgn
            }
            if named[name] is not None and named[name] not in said:
                raise ViolationError(
                    "a second reading differs", f"{name} {named[name]} at {t_us} us; sent {said}"[:300]
                )
