"""A test by hand beside the stream's readings of that day."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import hypot
from statistics import median
from typing import Any, Literal

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.frames import READINGS, require
from airwatch.hand.frames import JUDGED
from airwatch.hand.judge import AT_IDLE
from airwatch.limits.judge import REFERENCE_KPA
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

Row = dict[str, Any]
Cause = Literal["gauge", "sensor", "test"]

NEAR = timedelta(hours=12)
"""Readings of the stream count as of that day when they lie no farther from the test."""

USUAL = timedelta(days=30)
"""What is usual for the stream is taken from so long before that day."""

FULL_KPA = 862.0
"""A leak test by hand begins between the reference pressure and a full system: about 125 psi (CDL model manual)."""

_FEWEST = 3  # readings that make a usual
_GAUGE_CHECKS = ("governor_cut_out", "governor_cut_in", "low_air_warning", "protection_valve")

COMPARED = pl.Schema(
    {
        "id": pl.String(), "fleet": pl.String(), "unit": pl.String(), "check": pl.String(), "taken_at": TIME,
        "by": pl.String(), "hand": pl.Float64(), "hand_lower": pl.Float64(), "hand_upper": pl.Float64(),
        "stream": pl.Float64(), "stream_lower": pl.Float64(), "stream_upper": pl.Float64(), "stream_at": TIME,
        "measure": pl.String(), "difference": pl.Float64(), "allowed": pl.Float64(), "outcome": pl.String(),
        "likely": pl.String(), "says": pl.String(), "for_gauge": pl.List(pl.String()),
        "for_sensor": pl.List(pl.String()), "for_test": pl.List(pl.String()),
    }
)  # fmt: skip
"""One row a test: hand and stream in ``measure``, their difference (hand less stream) and what the two intervals allow.

``outcome`` is ``agree``, ``differ`` or ``unknown``; ``likely`` is ``gauge``, ``sensor`` or ``test`` where the evidence
says so, else null. ``for_…`` is the evidence for each.
"""


def compare(judged: pl.DataFrame, readings: pl.DataFrame) -> pl.DataFrame:
    """Hold each test by hand against the nearest reading of the same check within half a day.

    They differ where the difference is greater than the two 95 % half intervals on the facing sides, added as squares.
    A leak timed by hand is referred to the stream's reference pressure; as nobody writes down from which pressure it
    was timed, its interval reaches from there to a full system. Of a hold's readings the tank that falls fastest
    counts, which is the needle that a person watches. A build-up timed at idle is not compared.

    What a difference points to is told from what else is known: whether other pressures read that day are off alike,
    whether the same person's readings of other units are, whether the stream's reading is its usual one, and whether
    a trailer was coupled for one of the two.

    Parameters
    ----------
    judged : DataFrame
        Columns as `airwatch.hand.frames.JUDGED`.
    readings : DataFrame
        Of the same units, at least a month up to the tests; columns as `airwatch.derive.frames.READINGS`.

    Returns
    -------
    DataFrame
        Columns as `COMPARED`, a row for each entry whose item the stream measures too, in their order.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    """
    require(judged, JUDGED, "compare")
    require(readings, READINGS, "compare")
    tests = judged.filter(pl.col("check").is_not_null())
    wanted = tests.select("fleet", "unit", "check").unique()
    by_key: dict[tuple[str, str, str], list[Row]] = {}
    for row in readings.join(wanted, on=["fleet", "unit", "check"], how="semi").iter_rows(named=True):
        if row["value"] is not None:
            by_key.setdefault((row["fleet"], row["unit"], row["check"]), []).append(row)
    pairs = [
        _pair(row, by_key.get((row["fleet"], row["unit"], row["check"]), [])) for row in tests.iter_rows(named=True)
    ]
    return pl.DataFrame([_row(pair, pairs) for pair in pairs], schema=COMPARED)


@dataclass(frozen=True, slots=True)
class _Pair:
    entry: Row
    hand: tuple[float, float, float]
    reading: Row | None
    usual: float | None
    outcome: Literal["agree", "differ", "unknown"]
    difference: float | None
    allowed: float | None
    why: str

    @property
    def is_gauge(self) -> bool:
        return self.entry["check"] in _GAUGE_CHECKS

    def is_same_day(self, other: "_Pair") -> bool:
        """Tell whether another test was made on the same day."""
        return other is not self and abs(other.entry["taken_at"] - self.entry["taken_at"]) <= NEAR

    def is_same_unit(self, other: "_Pair") -> bool:
        """Tell whether another test was made on the same unit."""
        return all(other.entry[name] == self.entry[name] for name in ("fleet", "unit"))


def _pair(entry: Row, readings: Sequence[Row]) -> _Pair:
    hand = _hand(entry)
    near = [row for row in readings if _apart(row, entry["taken_at"]) <= NEAR]
    before = [row["value"] for row in readings if timedelta(0) < entry["taken_at"] - NEAR - row["end"] <= USUAL]
    usual = median(before) if len(before) >= _FEWEST else None
    if entry["finding"] == AT_IDLE:
        return _Pair(
            entry, hand, None, usual, "unknown", None, None, "timed at idle; the stream's is at governed speed"
        )
    if not near:
        return _Pair(entry, hand, None, usual, "unknown", None, None, "the stream has no reading within half a day")
    reading = _chosen(entry, near, hand[0])
    if reading["lower"] is None or reading["upper"] is None:
        return _Pair(entry, hand, reading, usual, "unknown", None, None, "the stream's reading has no interval")
    difference = hand[0] - reading["value"]
    allowed = (
        hypot(hand[0] - hand[1], reading["upper"] - reading["value"])
        if difference > 0
        else hypot(hand[2] - hand[0], reading["value"] - reading["lower"])
    )
    return _Pair(
        entry, hand, reading, usual, "differ" if abs(difference) > allowed else "agree", difference, allowed, ""
    )


def _hand(entry: Row) -> tuple[float, float, float]:
    value, lower, upper = entry["canonical"], entry["lower"], entry["upper"]
    if not entry["check"].startswith("leak_"):
        return value, lower, upper
    from_full = (REFERENCE_KPA + ATMOSPHERE_KPA) / (FULL_KPA + ATMOSPHERE_KPA)  # choked flow: as absolute pressure
    return value * (1.0 + from_full) / 2.0, lower * from_full, upper


def _apart(row: Row, t: datetime) -> timedelta:
    start: datetime = row["start"]
    end: datetime = row["end"]
    return start - t if t < start else t - end if t > end else timedelta(0)


def _chosen(entry: Row, near: Sequence[Row], hand: float) -> Row:
    """Give the reading to compare with: of the nearest run, the fastest leak, or the valve that closed nearest."""
    nearest = min(near, key=lambda row: _apart(row, entry["taken_at"]))
    if nearest["run_start"] is None:
        return nearest
    of_run = [row for row in near if row["run_start"] == nearest["run_start"]]
    if entry["check"].startswith("leak_"):
        return max(of_run, key=lambda row: row["value"])
    if entry["check"] == "protection_valve":  # several valves, and the entry names its own in free words
        return min(of_run, key=lambda row: abs(row["value"] - hand))
    return nearest


def _row(pair: _Pair, pairs: Sequence[_Pair]) -> Row:
    entry, reading = pair.entry, pair.reading or {}
    evidence: dict[Cause, list[str]] = {"gauge": [], "sensor": [], "test": []}
    likely: Cause | None = None
    if pair.outcome == "differ":
        for cause, text in _evidence(pair, pairs):
            evidence[cause].append(text)
        ranked = sorted(evidence, key=lambda cause: -len(evidence[cause]))
        if len(evidence[ranked[0]]) > len(evidence[ranked[1]]):
            likely = ranked[0]
    return {
        **{name: entry[name] for name in ("id", "fleet", "unit", "check", "taken_at", "by")},
        "hand": pair.hand[0], "hand_lower": pair.hand[1], "hand_upper": pair.hand[2],
        "stream": reading.get("value"), "stream_lower": reading.get("lower"), "stream_upper": reading.get("upper"),
        "stream_at": reading.get("end"), "measure": entry["canonical_measure"], "difference": pair.difference,
        "allowed": pair.allowed, "outcome": pair.outcome, "likely": likely, "says": _says(pair, likely),
        **{f"for_{cause}": texts for cause, texts in evidence.items()},
    }  # fmt: skip


def _evidence(pair: _Pair, pairs: Sequence[_Pair]) -> Iterator[tuple[Cause, str]]:
    """Give what speaks for each cause of a difference, each thing once."""
    same_day = [other for other in pairs if pair.is_same_day(other) and other.difference is not None]
    gauges = [other for other in same_day if pair.is_same_unit(other) and other.is_gauge]
    alike = [other for other in gauges if other.outcome == "differ" and _is_same_way(pair, other)]
    agreeing = [other for other in gauges if other.outcome == "agree"]
    elsewhere = [
        other
        for other in same_day
        if not pair.is_same_unit(other)
        and other.entry["by"] == pair.entry["by"]
        and other.entry["check"] == pair.entry["check"]
    ]
    if pair.is_gauge and alike and not agreeing:
        text = f"{_checks(alike)} read that day {'is' if len(alike) == 1 else 'are'} off the same way"
        yield "gauge", text
        yield "sensor", text
    if agreeing:
        yield "test", f"gauge and stream agree on {_checks(agreeing)} that day"
    off = [other for other in elsewhere if other.outcome == "differ" and _is_same_way(pair, other)]
    if off:
        yield (
            "gauge" if pair.is_gauge else "test",
            f"{pair.entry['by']}'s readings of {_units(off)} that day are off the same way",
        )
    sound = [other for other in elsewhere if other.outcome == "agree"]
    if sound and not off and pair.is_gauge:
        yield "sensor", f"{pair.entry['by']}'s readings of {_units(sound)} that day agree with the stream"
    yield from _by_usual(pair)
    coupled = None if pair.reading is None else bool(pair.reading["trailer"])
    if pair.entry["position"] in ("single", "combination") and coupled != (pair.entry["position"] == "combination"):
        stood = "with a trailer coupled" if coupled else "without a trailer that is known"
        yield "test", f"by hand it was a {pair.entry['position']} test, the stream's was {stood}"


def _by_usual(pair: _Pair) -> Iterator[tuple[Cause, str]]:
    if pair.usual is None or pair.reading is None or pair.allowed is None:
        return
    value, measure = pair.reading["value"], pair.entry["canonical_measure"]
    if abs(value - pair.usual) <= pair.allowed:
        cause: Cause = "gauge" if pair.is_gauge else "test"
        yield cause, f"the stream reads {value:.1f} {measure}, about its usual {pair.usual:.1f}"
    elif abs(pair.hand[0] - pair.usual) <= pair.allowed:
        yield "sensor", f"the test gave the stream's usual {pair.usual:.1f} {measure}, and that day the stream did not"


def _is_same_way(one: _Pair, other: _Pair) -> bool:
    return (
        one.difference is not None and other.difference is not None and (one.difference > 0) == (other.difference > 0)
    )


def _checks(pairs: Sequence[_Pair]) -> str:
    return ", ".join(sorted({pair.entry["check"].replace("_", " ") for pair in pairs}))


def _units(pairs: Sequence[_Pair]) -> str:
    return ", ".join(sorted({pair.entry["unit"] for pair in pairs}))


_POINTS_TO = {
    "gauge": "it points to the gauge: hold it against a tested one",
    "sensor": "it points to the sensor: hold it against a tested gauge",
    "test": "it points to the test: time it again as the rule says",
}


def _says(pair: _Pair, likely: Cause | None) -> str:
    name, measure = pair.entry["check"].replace("_", " "), pair.entry["canonical_measure"]
    if pair.outcome == "unknown" or pair.reading is None or pair.difference is None:
        return f"{name} can't be compared: {pair.why}"
    figures = f"{name}: {pair.hand[0]:.1f} {measure} by hand, {pair.reading['value']:.1f} in the stream"
    if pair.outcome == "agree":
        return f"{figures}; within what both can tell apart ({pair.allowed:.1f})"
    points = "gauge, sensor or test, nothing known tells which" if likely is None else _POINTS_TO[likely]
    return f"{figures}; {abs(pair.difference):.1f} apart, more than both can explain ({pair.allowed:.1f}); {points}"
