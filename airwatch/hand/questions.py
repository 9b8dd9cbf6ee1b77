"""Entries that look wrong are asked back: who typed them decides, within what is possible."""

import math
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import polars as pl

from airwatch.derive.frames import require
from airwatch.hand.chambers import Fitted, fitted_chambers, row_of
from airwatch.hand.frames import ENTRIES, Wheel
from airwatch.hand.judge import AT_IDLE
from airwatch.hand.lengths import CANONICAL, UNITS_OF
from airwatch.hand.tables import Item, Tables, shipped_tables

AHEAD = timedelta(minutes=10)
"""A phone's clock may be ahead of ours by this much."""

OLD = timedelta(days=366)
"""Entries older than this are asked back: a wrong year."""

SAME = timedelta(minutes=5)
"""The same item, place and value within this time is asked back as perhaps entered twice."""

COUPLINGS = ("single", "combination")


@dataclass(frozen=True, slots=True)
class Question:
    """What is odd about one field of one entry.

    ``row`` is the entry's place among those given, counted from 0. ``would_be`` says what the number would be in other
    units in which it would be usual. With ``may_insist`` the entry lands when it is given again as confirmed; without
    it the entry can't be right as it stands.
    """

    row: int
    id: str
    field: str
    asks: str
    may_insist: bool
    would_be: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Sifted:
    """Entries to take, entries that are there already, and what is asked about the others.

    ``insisted`` are the ids among the accepted that would have been asked back, had nobody confirmed them.
    """

    accepted: pl.DataFrame
    repeated: pl.DataFrame
    questions: tuple[Question, ...]
    insisted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Known:
    tables: Tables
    chambers: dict[tuple[str, str], dict[str, Fitted]]
    now: datetime


def sift(
    entries: pl.DataFrame,
    *,
    units: pl.DataFrame,
    before: pl.DataFrame,
    now: datetime,
    confirmed: Collection[str] = (),
    tables: Tables | None = None,
) -> Sifted:
    """Part entries into those to take and those to ask back.

    Asked back are: an item, unit of measure, position or finding that the tables do not have; a value that is missing,
    not possible, or not usual, with the other units in which it would be; a stroke beyond the chamber's full stroke; a
    wheel end that the unit does not have; a unit that is not registered; a time to come, or long past; an entry that
    looks like another one; an id that another entry has. Right and left mistaken for each other can't be seen.

    Parameters
    ----------
    entries : DataFrame
        Columns as `airwatch.hand.frames.ENTRIES`.
    units : DataFrame
        The registry, columns as `airwatch.registry.SCHEMA`.
    before : DataFrame
        What is stored of the same units, columns as `ENTRIES`.
    now : datetime
        UTC without a zone.
    confirmed : collection of str
        Ids of entries whose questions were answered with yes: what may be insisted on is taken.

    Returns
    -------
    Sifted
        ``accepted`` and ``repeated`` with columns as `ENTRIES`, in order; ``questions`` by row. An entry with a
        question is neither.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    """
    require(entries, ENTRIES, "sift")
    require(before, ENTRIES, "sift")
    known = _Known(
        tables or shipped_tables(),
        {
            (fleet, unit): fitted_chambers(text)
            for fleet, unit, text in units.select("fleet", "unit", "chambers").rows()
        },
        now,
    )
    by_id = {row["id"]: row for row in before.iter_rows(named=True)}
    like = [row for row in by_id.values() if row["value"] is not None]
    accepted: list[int] = []
    repeated: list[int] = []
    questions: list[Question] = []
    insisted: list[str] = []
    for number, row in enumerate(entries.iter_rows(named=True)):
        if (other := by_id.get(row["id"])) is not None:
            if other == row:
                repeated.append(number)
            else:
                questions.append(_asked(number, row, _Odd("id", "stands for another entry; give this one its own")))
            continue
        odd = [*_oddities(row, known), *_twice(row, like)]
        left = [one for one in odd if not (one.may_insist and row["id"] in confirmed)]
        if left:
            questions.extend(_asked(number, row, one) for one in left)
            continue
        insisted.extend([row["id"]] if odd else [])
        accepted.append(number)
        by_id[row["id"]] = row
        like.append(row)
    return Sifted(entries[accepted], entries[repeated], tuple(questions), tuple(insisted))


@dataclass(frozen=True, slots=True)
class _Odd:
    field: str
    asks: str
    may_insist: bool = False
    would_be: tuple[str, ...] = ()


def _asked(number: int, row: dict[str, Any], odd: _Odd) -> Question:
    return Question(number, row["id"], odd.field, odd.asks, odd.may_insist, odd.would_be)


def _oddities(row: dict[str, Any], known: _Known) -> Iterator[_Odd]:
    if not row["by"]:
        yield _Odd("by", "is empty; say who measured")
    if row["taken_at"] > known.now + AHEAD:
        yield _Odd("taken_at", f"{row['taken_at']:%Y-%m-%d %H:%M}Z is still to come; correct it")
    elif row["taken_at"] < known.now - OLD:
        yield _Odd("taken_at", f"{row['taken_at']:%Y-%m-%d} is more than a year ago; is it right?", may_insist=True)
    if (row["fleet"], row["unit"]) not in known.chambers:
        yield _Odd("unit", f"{row['unit']!r} is not in the registry; is it right?", may_insist=True)
    item = known.tables.items.get(row["item"])
    if item is None:
        yield _Odd("item", f"{row['item']!r} is none of {', '.join(known.tables.items)}")
        return
    yield from _position(row, item, known)
    if item.dimension == "finding":
        yield from _finding(row, item, known)
    else:
        yield from _value(row, item, known)


def _position(row: dict[str, Any], item: Item, known: _Known) -> Iterator[_Odd]:
    position = row["position"]
    if item.position == "none" and position is not None:
        yield _Odd("position", f"{item.id} has none; leave {position!r} out")
    elif item.position == "coupling" and position not in COUPLINGS:
        yield _Odd("position", f"{position!r}: say {' or '.join(COUPLINGS)}, how the unit stood in the test")
    elif item.position == "wheel":
        fitted = known.chambers.get((row["fleet"], row["unit"]))
        if Wheel.parse(position) is None:
            yield _Odd("position", f"{position!r} is no wheel end; write axle and side: 1L, 1R, 2L ...")
        elif fitted and position not in fitted:
            yield _Odd(
                "position", f"{row['unit']} has {', '.join(fitted)} and no {position}; is it right?", may_insist=True
            )


def _finding(row: dict[str, Any], item: Item, known: _Known) -> Iterator[_Odd]:
    allowed = known.tables.findings_of(item.id)
    if row["value"] is not None or row["measure"] is not None:
        yield _Odd("value", f"{item.id} is a finding; leave value and measure out")
    if row["finding"] not in allowed:
        yield _Odd("finding", f"{row['finding']!r} is none of {', '.join(allowed)}")


def _value(row: dict[str, Any], item: Item, known: _Known) -> Iterator[_Odd]:
    units, value = UNITS_OF[item.dimension], row["value"]
    if row["finding"] is not None and not (item.id == "build_up" and row["finding"] == AT_IDLE):
        yield _Odd("finding", f"{item.id} is measured; put words into the note")
    if row["measure"] not in units:
        yield _Odd("measure", f"{row['measure']!r} is none of {', '.join(units)}")
        return
    if value is None or not math.isfinite(value):
        yield _Odd("value", "is missing or no number")
        return
    canonical, unit = value * units[row["measure"]], CANONICAL[item.dimension]
    assert item.possible is not None  # noqa: S101 the table was checked
    assert item.usual is not None  # noqa: S101 the same
    (least, most), (low, high) = item.possible, item.usual
    would_be = tuple(
        f"{value * factor:.4g} {unit} if it was read in {other}"
        for other, factor in units.items()
        if other != row["measure"] and low <= value * factor <= high
    )
    said = f"{value:g} {row['measure']}"
    if not least <= canonical <= most:
        yield _Odd(
            "value", f"{said} is not possible: {item.says} lies in {least:g} to {most:g} {unit}", would_be=would_be
        )
        return
    if not low <= canonical <= high:
        yield _Odd(
            "value", f"{said} is unusual: {item.says} mostly lies in {low:g} to {high:g} {unit}; is it right?",
            may_insist=True, would_be=would_be,
        )  # fmt: skip
    if item.id == "stroke":
        yield from _beyond_full(row, canonical, item, known)


def _beyond_full(row: dict[str, Any], stroke_mm: float, item: Item, known: _Known) -> Iterator[_Odd]:
    fitted = known.chambers.get((row["fleet"], row["unit"]), {}).get(row["position"])
    chamber = row_of(fitted, known.tables)
    if fitted is None or chamber is None or chamber.full_mm is None:
        return
    if stroke_mm > chamber.full_mm + (item.half or 0.0):
        yield _Odd(
            "value",
            f"{row['value']:g} {row['measure']} is more than the full stroke of a {fitted.text} chamber,"
            f" {chamber.full_mm:.1f} mm; correct the value, or the registry's chambers",
        )


def _twice(row: dict[str, Any], like: list[dict[str, Any]]) -> Iterator[_Odd]:
    for other in like:
        is_same = all(
            other[name] == row[name] for name in ("fleet", "unit", "item", "position", "value", "measure", "finding")
        )
        if is_same and row["value"] is not None and abs(other["taken_at"] - row["taken_at"]) <= SAME:
            yield _Odd(
                "id", f"looks like the entry of {other['taken_at']:%Y-%m-%d %H:%M}Z; was it measured twice?",
                may_insist=True,
            )  # fmt: skip
            return
