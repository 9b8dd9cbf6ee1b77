"""The share of defective brakes of a vehicle or combination, as an inspector would count it."""

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Literal

import polars as pl

from airwatch.hand.chambers import n_brakes
from airwatch.hand.frames import Wheel
from airwatch.hand.tables import ShareRule, Tables, shipped_tables

Row = dict[str, Any]

WHEEL_ITEMS = ("stroke", "lining_drum", "lining_disc", "brake", "lining", "drum_rotor")
"""Items that say something of one brake."""

_ROUNDING_MM = 1e-6  # inches typed as fractions come back from millimetres a hair off


@dataclass(frozen=True, slots=True)
class Brake:
    """How much of a defective brake one wheel end is: as read, at least, and at most, and the entries that say so.

    ``entries`` are rows as `airwatch.hand.frames.JUDGED`, the newest of each item. ``is_measured`` says whether there
    is a stroke with a limit; where there is none, ``most`` is a whole brake.
    """

    unit: str
    position: str
    count: Fraction
    least: Fraction
    most: Fraction
    is_measured: bool
    entries: tuple[Row, ...]


@dataclass(frozen=True, slots=True)
class DefectiveShare:
    """How many brakes are defective, of how many, and what follows.

    ``count`` is as the entries were read, ``least`` and ``most`` as far as their intervals and the brakes that nobody
    measured allow; halves are exact. ``n_measured`` brakes have a stroke. ``steer`` lists defective brakes on a
    steering axle, for which the criteria have stricter conditions of their own, which are not public. ``brakes`` are
    those that something is known of.
    """

    n_brakes: int
    n_measured: int
    count: Fraction
    least: Fraction
    most: Fraction
    verdict: Literal["pass", "fail", "unknown"]
    steer: tuple[str, ...]
    brakes: tuple[Brake, ...]

    @property
    def share(self) -> float:
        """The share as read, 0 to 1."""
        return float(self.count / self.n_brakes)


def stroke_counts(stroke_mm: float, limit_mm: float, rule: ShareRule) -> Fraction:
    """Give how much of a defective brake one stroke is: 0 up to its limit, a part beyond it, 1 far beyond it.

    Parameters
    ----------
    stroke_mm, limit_mm : float
        As read, and the limit of the chamber, mm.
    rule : ShareRule
        ``whole_beyond_mm`` is how far beyond the limit a stroke is one whole defective brake, that distance included.

    References
    ----------
    State police officer quoted in the trade press; Quebec C-24.2 r.32 s.166(9).
    """
    beyond_mm = stroke_mm - limit_mm
    if beyond_mm <= _ROUNDING_MM:
        return Fraction(0)
    return Fraction(1) if beyond_mm >= rule.whole_beyond_mm - _ROUNDING_MM else Fraction(rule.part_counts)


def defective_share(judged: pl.DataFrame, units: Iterable[Row], tables: Tables | None = None) -> DefectiveShare | None:
    """Count the defective brakes of the units that run together.

    A brake is one brake however much is wrong with it: the gravest of what was found at it counts. Of several entries
    for one item and position the newest counts. The verdict is ``fail`` where the least count there can be reaches the
    share that puts a vehicle out of service, ``pass`` where even the most does not, else ``unknown``: a brake whose
    stroke nobody measured may be defective.

    Parameters
    ----------
    judged : DataFrame
        Entries of these units, columns as `airwatch.hand.frames.JUDGED`; of other units they are left out.
    units : iterable of dict
        Rows of the registry: the tractor and its trailers, or one vehicle.

    Returns
    -------
    DefectiveShare or None
        None where the registry does not say how many brakes a unit has.
    """
    tables = tables or shipped_tables()
    rule = tables.share
    together = list(units)
    counts = [n_brakes(unit) for unit in together]
    if not counts or any(count is None for count in counts):
        return None
    n_all = sum(count for count in counts if count is not None)
    brakes, steer = [], []
    for unit in together:
        for position, entries in _brakes(judged, unit).items():
            brake = _brake(unit["unit"], position, entries, tables)
            brakes.append(brake)
            wheel = Wheel.parse(position)
            if brake.count and unit["kind"] != "trailer" and wheel is not None and wheel.axle == 1:
                steer.append(f"{unit['unit']} {position}")
    least = sum((brake.least for brake in brakes), Fraction(0))
    most = sum((brake.most for brake in brakes), Fraction(0))
    most = min(most + max(n_all - len(brakes), 0), Fraction(n_all))  # what nobody looked at may be defective
    out = Fraction(rule.out_share).limit_denominator(1000) * n_all
    verdict: Literal["pass", "fail", "unknown"] = "fail" if least >= out else "pass" if most < out else "unknown"
    return DefectiveShare(
        n_all,
        sum(brake.is_measured for brake in brakes),
        sum((brake.count for brake in brakes), Fraction(0)),
        least,
        most,
        verdict,
        tuple(steer),
        tuple(brakes),
    )


def _brake(unit: str, position: str, entries: list[Row], tables: Tables) -> Brake:
    as_read, low, high = (max(part) for part in zip(*(_defect(row, tables) for row in entries), strict=True))
    is_measured = any(row["item"] == "stroke" and row["rule"] is not None for row in entries)
    return Brake(unit, position, as_read, low, high if is_measured else Fraction(1), is_measured, tuple(entries))


def _brakes(judged: pl.DataFrame, unit: Row) -> dict[str, list[Row]]:
    """Give the newest entry of each item by wheel end."""
    newest = (
        judged.filter(
            (pl.col("fleet") == unit["fleet"]) & (pl.col("unit") == unit["unit"]) & pl.col("item").is_in(WHEEL_ITEMS)
        )
        .drop_nulls("position")
        .sort("taken_at", "id")
        .unique(["item", "position"], keep="last", maintain_order=True)
    )
    brakes: dict[str, list[Row]] = {}
    for row in newest.iter_rows(named=True):
        brakes.setdefault(str(row["position"]), []).append(row)
    return brakes


def _defect(row: Row, tables: Tables) -> tuple[Fraction, Fraction, Fraction]:
    """Give how much of a defective brake one entry is: as read, at least, and at most."""
    rule = tables.share
    if row["canonical"] is None:
        found = tables.findings.get((row["item"], row["finding"]))
        counts = Fraction(0 if found is None else found.counts)
        return counts, counts, counts
    as_read, low, high = row["canonical"], row["lower"], row["upper"]
    if row["item"] == "stroke":
        if row["limit_high"] is None:
            return Fraction(0), Fraction(0), Fraction(1)
        limit = row["limit_high"]
        return (
            stroke_counts(as_read, limit, rule), stroke_counts(low, limit, rule), stroke_counts(high, limit, rule)
        )  # fmt: skip
    if row["limit_low"] is None:
        return Fraction(0), Fraction(0), Fraction(0)
    thin, sound, edge = Fraction(rule.thin_lining_counts), Fraction(0), row["limit_low"] - _ROUNDING_MM
    return thin if as_read < edge else sound, thin if high < edge else sound, thin if low < edge else sound
