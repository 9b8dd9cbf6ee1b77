"""Alerts of air loss: when it began, what explains it, how large it is and where it goes."""

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import polars as pl

from airwatch.alerts.changes import Change, change_of
from airwatch.alerts.diagnosis import Explanation, explain
from airwatch.alerts.frames import by_unit
from airwatch.alerts.holds import CHECKS, hold_table
from airwatch.alerts.settings import Settings
from airwatch.alerts.signs import LEAKS, air_loss_signs, leak_trends
from airwatch.alerts.trend import Crossing, crossing
from airwatch.derive.frames import UNIT


@dataclass(frozen=True, slots=True)
class AirLoss:
    """One unit's air loss.

    ``beyond_since`` is when a limit was first crossed in measured fact, None if it is not. ``judged`` and ``limit`` are
    the newest figure of the tank and state that the explanation names, at the rule's test pressure; crossings are null
    without a clear trend.
    """

    fleet: str
    unit: str
    opened: datetime
    updated: datetime
    explanations: tuple[Explanation, ...]
    beyond_since: datetime | None
    judged: float | None
    limit: float | None
    check: str
    circuit: str | None
    crossing: Crossing
    change: Change | None
    last_sign: datetime
    n_since: int


# Which readings show how large a fault is, the most telling first.
_SHOWN_BY = {
    "leak_supply": [("leak_static", "supply"), ("leak_running", "supply")],
    "leak_primary": [("leak_static", "primary"), ("leak_released", "primary"), ("leak_running", "primary")],
    "leak_secondary": [("leak_static", "secondary"), ("leak_released", "secondary"), ("leak_running", "secondary")],
    "leak_trailer": [
        ("leak_static", "trailer"), ("leak_released", "trailer"), ("leak_static", "primary"),
        ("leak_static", "secondary"), ("leak_released", "primary"), ("leak_released", "secondary"),
        ("leak_running", "primary"), ("leak_running", "secondary"),
    ],
    "leak_released": [("leak_released", "primary"), ("leak_released", "secondary"), ("leak_running", "primary")],
    "leak_applied": [("leak_applied", "primary"), ("leak_applied", "secondary")],
    "supply_backflow": [("supply_drop", "supply"), ("leak_static", "supply"), ("leak_static", "primary")],
}  # fmt: skip


def air_losses(
    judged: pl.DataFrame, towing: pl.DataFrame, settings: Settings, usual: pl.DataFrame, shifts: pl.DataFrame
) -> list[AirLoss]:
    """Find each unit that loses air.

    Parameters
    ----------
    judged : DataFrame
        Readings as `airwatch.limits.judge.as_judged` gives them, those before a repair left out.
    towing : DataFrame
        ``fleet, unit, kind, is_towing``.
    settings : Settings
        Thresholds and signatures.
    usual : DataFrame
        ``fleet, unit, check, circuit, peers``: what units alike do.
    shifts : DataFrame
        ``fleet, kind, check, circuit, day, shift``: what a day did to all units of a kind.

    Returns
    -------
    list of AirLoss
        One for each unit with a sign that something leaking explains better than use of air does; sorted by unit.
    """
    found, rising, daily = leak_trends(judged, settings, _by_unit(shifts, towing))
    signs = air_loss_signs(judged, rising, settings)
    if signs.is_empty():
        return []
    onsets = (
        signs.group_by(UNIT, maintain_order=True)
        .agg(onset=pl.col("end").min(), last_sign=pl.col("end").max())
        .join(towing.select(*UNIT, "is_towing"), on=UNIT, how="left", maintain_order="left")
        .with_columns(pl.col("is_towing").fill_null(value=True))
    )
    changes = _changes(daily, onsets, settings)
    told = judged.join(onsets, on=UNIT, how="semi", maintain_order="left")
    holds = hold_table(told, settings.patterns)
    explained = explain(holds, onsets, settings, _largest(changes), _running(usual))
    readings, of_signs, of_trends = (by_unit(frame) for frame in (told, signs, found))
    return [
        _loss(
            row,
            explanations,
            readings[key],
            of_signs[key],
            of_trends.get(key, found.clear()),
            changes.get(key, {}),
            settings,
        )
        for row in onsets.iter_rows(named=True)
        if (explanations := explained.get(key := (row["fleet"], row["unit"]), [])) and explanations[0].fault != "none"
    ]


def _loss(
    row: dict[str, Any],
    explanations: list[Explanation],
    readings: pl.DataFrame,
    signs: pl.DataFrame,
    trends: pl.DataFrame,
    changes: dict[str, Change],
    settings: Settings,
) -> AirLoss:
    best = explanations[0]
    shown_by = _SHOWN_BY[best.fault]
    if best.circuit in ("primary", "secondary"):
        shown_by = [pair for pair in shown_by if pair[1] == best.circuit] or shown_by
    opened, last_sign = row["onset"], row["last_sign"]
    told = readings.filter((pl.col("end") >= opened) & pl.col("check").is_in(CHECKS)).sort("end")
    newest = _telling(told, shown_by)
    updated = told["end"].max()
    return AirLoss(
        fleet=str(row["fleet"]),
        unit=str(row["unit"]),
        opened=opened,
        updated=updated if isinstance(updated, datetime) else last_sign,
        explanations=tuple(explanations),
        beyond_since=next(iter(signs.filter(kind="beyond")["end"]), None),
        judged=newest[0]["judged"] if newest else None,
        limit=newest[0]["limit_high"] if newest else None,
        check=str(newest[0]["check"]) if newest else shown_by[0][0],
        circuit=newest[0]["circuit"] if newest else None,
        crossing=_crossing(trends, shown_by, settings),
        change=next((changes[name] for check, circuit in shown_by if (name := f"{check}/{circuit}") in changes), None),
        last_sign=last_sign,
        n_since=told.filter((pl.col("end") > last_sign) & (pl.col("check") == shown_by[0][0]))["start"].n_unique(),
    )


def _by_unit(shifts: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    """Give ``fleet, unit, check, circuit, day, shift``."""
    return units.select(*UNIT, "kind").join(shifts, on=["fleet", "kind"]).drop("kind")


def _running(usual: pl.DataFrame) -> pl.DataFrame:
    """Give ``fleet, unit, peers_primary, peers_secondary, peers_supply`` of units alike, engine running."""
    return (
        usual.filter(check="leak_running")
        .group_by(UNIT)
        .agg(
            pl.col("peers").filter(pl.col("circuit") == tank).first().alias(f"peers_{tank}")
            for tank in ("primary", "secondary", "supply")
        )
    )


def _changes(daily: pl.DataFrame, onsets: pl.DataFrame, settings: Settings) -> dict[tuple[str, str], dict[str, Change]]:
    """Give by unit and series of the engine-off states how the daily levels changed, up to the last sign."""
    days = (
        daily.join(onsets.select(*UNIT, "last_sign"), on=UNIT, how="inner", maintain_order="left")
        .filter(
            pl.col("series").str.split("/").list.first().is_in(LEAKS) & (pl.col("day") <= pl.col("last_sign").dt.date())
        )
        .with_columns(number=pl.col("day").cast(pl.Int32))
    )
    found: dict[tuple[str, str], dict[str, Change]] = {}
    for (fleet, unit, series), line in days.group_by(*UNIT, "series", maintain_order=True):
        floor = line["floor"].median()
        number, level = (line[name].cast(pl.Float64).to_numpy() for name in ("number", "level"))
        change = change_of(number, level, floor if isinstance(floor, float) else 0.0, settings.changes)
        found.setdefault((str(fleet), str(unit)), {})[str(series)] = change
    return found


def _largest(changes: dict[tuple[str, str], dict[str, Change]]) -> dict[tuple[str, str], Change]:
    return {unit: max(of_unit.values(), key=lambda c: c.after - c.before) for unit, of_unit in changes.items()}


def _telling(told: pl.DataFrame, shown_by: list[tuple[str, str]]) -> list[dict[str, Any]]:
    """Give the newest reading that shows how large the fault is: beyond its limit, or of the line that is nearest."""
    lines = [part for check, circuit in shown_by if not (part := _of(told, check, circuit)).is_empty()]
    for line in lines:
        beyond = line.filter(pl.col("judged_lower") > pl.col("limit_high"))
        if not beyond.is_empty():
            return beyond.tail(1).to_dicts()
    if not lines:
        return []

    def nearness(line: pl.DataFrame) -> float:
        share = line.select((pl.col("judged") / pl.col("limit_high")).quantile(0.8)).item()
        return -1.0 if share is None else float(share)

    return max(lines, key=nearness).tail(1).to_dicts()


def _of(readings: pl.DataFrame, check: str, circuit: str) -> pl.DataFrame:
    return readings.filter((pl.col("check") == check) & (pl.col("circuit") == circuit))


def _crossing(trends: pl.DataFrame, shown_by: list[tuple[str, str]], settings: Settings) -> Crossing:
    """Give the crossing of the most telling series that has a trend at all."""
    for check, circuit in shown_by:
        series = trends.filter(pl.col("series") == f"{check}/{circuit}")
        if not series.is_empty():
            return crossing(series, settings.trend)
    return (None, None, None)
