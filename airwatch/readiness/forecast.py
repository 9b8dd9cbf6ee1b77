"""The chance that each unit passes each focus item on a day to come, with 'unknown' as an answer of its own."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from math import ceil, prod
from typing import Any

import numpy as np
import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.derive.frames import UNIT, require
from airwatch.hand.chambers import fitted_chambers
from airwatch.hand.tables import ShareRule, shipped_tables
from airwatch.readiness.chances import Floats, chance_not_crossed, split_normal_cdf
from airwatch.readiness.evidence import EVIDENCE
from airwatch.readiness.settings import Focus, Settings

Row = dict[str, Any]

ANSWERS = ("ready", "doubtful", "not ready", "unknown")

FORECAST = pl.Schema(
    {
        **dict.fromkeys(("fleet", "unit", "item"), pl.String()),
        "chance": pl.Float64(),
        "at_most": pl.Float64(),
        "answer": pl.String(),
        "rests_on": pl.String(),
        "lacks": pl.String(),
        "risk": pl.Float64(),
    }
)
"""One row a unit and item.

``chance`` of passing is null where something lacks that the answer needs; ``at_most`` is what it can't be above by what
is known (1 where nothing is). ``answer`` is one of `ANSWERS`. ``risk`` ranks: the chance of failing with what is usual
put in for what is not known, times the item's weight; it is no forecast.
"""

_OPEN = ("open", "acknowledged", "planned")


@dataclass(frozen=True, slots=True)
class _Known:
    """A chance by what is known, what it rests on and what lacks."""

    chance: float
    rests_on: list[str]
    lacks: list[str]


def forecast(
    known: pl.DataFrame,
    alerts: pl.DataFrame,
    units: pl.DataFrame,
    focuses: Sequence[Focus],
    *,
    at: datetime,
    settings: Settings,
) -> pl.DataFrame:
    """Give each unit's chance for each item.

    Parts that must pass by themselves multiply, as if they failed independently of each other; of one thing seen in
    several places the worst counts. The share of defective brakes is reckoned exactly from the chances of each brake to
    count nothing, half or whole. An open alert lowers the chance by its confidence, and where it has a trend, to the
    chance that the trend has not crossed by then.

    An answer is ``unknown`` where a wheel end was not measured or nothing is known, unless what is known is bad enough.

    Parameters
    ----------
    known : DataFrame
        Columns as `airwatch.readiness.evidence.EVIDENCE`, for the same day.
    alerts : DataFrame
        Columns as `airwatch.alerts.frames.ALERTS`.
    units : DataFrame
        The units to forecast, columns as `airwatch.registry.SCHEMA`.
    at : datetime
        The day that the forecast is for, UTC.

    Returns
    -------
    DataFrame
        Columns as `FORECAST`, by unit and in the order of the items.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    """
    require(known, EVIDENCE, "forecast")
    require(alerts, ALERTS, "forecast")
    rows: dict[tuple[str, str, str], list[Row]] = {}
    for row in known.iter_rows(named=True):
        rows.setdefault((row["fleet"], row["unit"], row["item"]), []).append(row)
    spoken: dict[tuple[str, str], list[Row]] = {}
    for alert in alerts.filter(pl.col("state").is_in(_OPEN)).iter_rows(named=True):
        name = alert["trailer"] if alert["fault"] == "leak_trailer" and alert["trailer"] else alert["unit"]
        for unit in {name, alert["unit"]}:
            spoken.setdefault((alert["fleet"], unit), []).append(alert)
    out = [
        _row(
            unit,
            focus,
            rows.get((unit["fleet"], unit["unit"], focus.id), []),
            [alert for alert in spoken.get((unit["fleet"], unit["unit"]), []) if alert["fault"] in focus.faults],
            at,
            settings,
        )
        for unit in units.sort(UNIT).iter_rows(named=True)
        for focus in focuses
        if focus.per_wheel or unit["kind"] != "trailer" or focus.id in _OF_TRAILERS
    ]
    return pl.DataFrame(out, schema=FORECAST)


_OF_TRAILERS = ("hoses", "air_loss_released", "air_loss_applied", "abs")
"""Items other than wheel ends that a trailer has; build-up, governor and the like belong to its tractor."""


def _row(unit: Row, focus: Focus, rows: list[Row], alerts: list[Row], at: datetime, settings: Settings) -> Row:
    found = _combined(unit, focus, rows)
    chance = found.chance
    for alert in alerts:
        chance, text = _with_alert(chance, alert, at, settings)
        found.rests_on.append(text)
    is_known = not found.lacks
    answers = settings.answers
    if chance <= answers.not_ready:
        answer = "not ready"
    elif not is_known:
        answer = "unknown"
    else:
        answer = "ready" if chance >= answers.ready else "doubtful"
    return {
        "fleet": unit["fleet"],
        "unit": unit["unit"],
        "item": focus.id,
        "chance": chance if is_known else None,
        "at_most": chance,
        "answer": answer,
        "rests_on": "; ".join(found.rests_on),
        "lacks": "; ".join(found.lacks) or None,
        "risk": _risk(focus, chance, is_known=is_known),
    }


def _risk(focus: Focus, at_most: float, *, is_known: bool) -> float:
    expected = at_most if is_known else at_most * (1.0 - focus.usual_fail)
    return focus.weight * (1.0 - expected)


def with_risk(kept: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Give a forecast that was kept without its ``risk`` as it was made.

    Parameters
    ----------
    kept : DataFrame
        Columns of `FORECAST` but ``risk``, and any others.

    Returns
    -------
    DataFrame
        Columns as `FORECAST`, in the order of the rows. An item that is no longer in the table has the weight 1.
    """
    by_id = {focus.id: focus for focus in settings.item}
    risks = [
        1.0 - at_most if item not in by_id else _risk(by_id[item], at_most, is_known=chance is not None)
        for item, at_most, chance in kept.select("item", "at_most", "chance").iter_rows()
    ]
    return kept.with_columns(risk=pl.Series(risks, dtype=pl.Float64)).select(FORECAST.keys()).cast(FORECAST)


def _combined(unit: Row, focus: Focus, rows: list[Row]) -> _Known:
    judged = [row for row in rows if row["chance"] is not None]
    lacks = []
    if focus.per_wheel:
        lacks = _unmeasured(unit, focus, judged)
    elif not judged:
        lacks = ["nothing is known" if not rows else "no limit that binds is known for it"]
    if focus.combine == "share":
        return _share(unit, judged, lacks)
    chances = [float(row["chance"]) for row in judged]
    chance = 1.0 if not chances else min(chances) if focus.combine == "worst" else prod(chances)
    worst = sorted(judged, key=lambda row: float(row["chance"]))[:2]
    return _Known(chance, [_text(row) for row in worst], lacks)


def _text(row: Mapping[str, Any]) -> str:
    place = f" {row['part']}" if row["part"] else ""
    question = row["question"].replace("_", " ")
    return f"{question}{place}: {row['chance']:.0%} by {row['source']} of {row['taken_at']:%Y-%m-%d}"


def wheels_of(unit: Mapping[str, Any]) -> list[str]:
    """Give the wheel ends of a unit: where it has chambers, or two an axle; none where neither is registered."""
    if unit["chambers"]:
        return list(fitted_chambers(unit["chambers"]))
    return [f"{axle}{side}" for axle in range(1, (unit["axles"] or 0) + 1) for side in "LR"]


def _unmeasured(unit: Row, focus: Focus, judged: list[Row]) -> list[str]:
    wheels = wheels_of(unit)
    if not wheels:
        return ["the registry does not say which wheel ends it has"]
    asked = ("stroke",) if focus.combine == "share" else focus.hand
    seen = {row["wheel"] for row in judged if row["question"] in asked}
    missing = [wheel for wheel in wheels if wheel not in seen]
    what = "stroke" if "stroke" in asked else "anything" if len(asked) > 2 else "thickness"  # noqa: PLR2004 - by eye
    return [f"no {what} known of {', '.join(missing)}"] if missing else []


def _with_alert(chance: float, alert: Row, at: datetime, settings: Settings) -> tuple[float, str]:
    name = alert["fault"].replace("_", " ")
    if alert["crossing_likely"] is not None:
        early, likely, late = (_days(alert, f"crossing_{which}") for which in ("early", "likely", "late"))
        days = np.array([(at - alert["updated"]).total_seconds() / 86400.0])
        kept = float(chance_not_crossed(days, early, likely, late)[0])
        return min(chance, kept), f"trend of {name}: {kept:.0%} not over its limit by then"
    share: float = getattr(settings.alerts, alert["severity"])
    lowered = 1.0 - float(alert["confidence"]) * share
    return min(chance, lowered), f"open alert of {name}, confidence {alert['confidence']:.0%}"


def _days(alert: Row, name: str) -> Floats:
    t = alert[name]
    return np.array([np.nan if t is None else (t - alert["updated"]).total_seconds() / 86400.0])


def _share(unit: Row, judged: list[Row], lacks: list[str]) -> _Known:
    """Give the chance that the share of defective brakes stays under what puts a vehicle out of service."""
    rule = shipped_tables().share
    wheels = wheels_of(unit)
    if not wheels:
        return _Known(1.0, [], lacks)
    by_wheel: dict[str, list[Row]] = {}
    for row in judged:
        by_wheel.setdefault(row["wheel"], []).append(row)
    brakes = [_brake(by_wheel.get(wheel, []), rule) for wheel in wheels]
    chance = chance_under(np.array(brakes), out_halves(len(wheels), rule))
    likely = [f"{wheel} ({1.0 - none:.0%})" for wheel, (none, _, _) in zip(wheels, brakes, strict=True) if none < 0.9]  # noqa: PLR2004 - worth naming
    named = f"; perhaps defective: {', '.join(likely)}" if likely else ""
    return _Known(chance, [f"{len(by_wheel)} of {len(wheels)} brakes known{named}"], lacks)


def out_halves(n_brakes: int, rule: ShareRule) -> int:
    """Give the least number of half defective brakes that puts a vehicle of so many brakes out of service."""
    return ceil(Fraction(rule.out_share).limit_denominator(1000) * n_brakes * 2)


def chance_under(brakes: Floats, halves: int) -> float:
    """Give the chance that fewer than so many half defective brakes come together.

    Parameters
    ----------
    brakes : array of float, shape (n, 3)
        For each brake the chances to count 0, 1 and 2 halves; each row sums to 1.
    halves : int
        How many are too many.

    Returns
    -------
    float
        Exact for independent brakes: the distributions are convolved.
    """
    total = np.ones(1)
    for counts in brakes:
        total = np.convolve(total, counts)
    return float(min(total[:halves].sum(), 1.0))


def _brake(rows: list[Row], rule: ShareRule) -> tuple[float, float, float]:
    """Give the chances of one brake to count nothing, half and whole; one of which nothing is known counts nothing."""
    none, half = 1.0, 0.0
    for row in rows:
        if row["question"] != "stroke":
            none, half = none * row["chance"], half * row["chance"]
            continue
        edges = np.array([row["limit_high"], row["limit_high"] + rule.whole_beyond_mm])
        ones = np.ones(2)
        up_to = split_normal_cdf(edges, row["value"] * ones, row["sd_below"] * ones, row["sd_above"] * ones)
        fine = none + half  # of what else was found: only a stroke counts half
        none, half = fine * float(up_to[0]), fine * float(up_to[1] - up_to[0])
    return none, half, max(1.0 - none - half, 0.0)
