"""The same check in the same conditions before and after a repair, and the change with its interval. Pure."""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import ttest_ind

from airwatch.alerts.frames import of_alert
from airwatch.alerts.proof import shown_in
from airwatch.derive.frames import READINGS, floats, require

Floats = npt.NDArray[np.float64]

BEFORE_AFTER = pl.Schema(
    {
        "check": pl.String(),
        "circuit": pl.String(),
        "test": pl.String(),
        "part": pl.String(),
        "coupled": pl.String(),
        "measure": pl.String(),
        "n_before": pl.Int64(),
        "n_after": pl.Int64(),
        "before": pl.Float64(),
        "after": pl.Float64(),
        "change": pl.Float64(),
        "lower": pl.Float64(),
        "upper": pl.Float64(),
    }
)
"""One row a check and its conditions: means before and after, their difference (after less before), its 95 % interval.

``coupled`` is the trailer, ``""`` bobtail, null not known.
"""

_CONDITIONS = ("check", "circuit", "test", "part", "coupled", "measure")
_ENOUGH = 2


def before_after(
    readings: pl.DataFrame, alert: Mapping[str, Any], repaired: datetime, *, days: float = 14.0
) -> pl.DataFrame:
    """Compare the readings in which a fault shows before and after its repair.

    Only readings of the same check, circuit, test, part and coupling are held against each other: a leak with a trailer
    is no measure of one without. Where both sides have two or more, the interval is Welch's, which rests on their own
    scatter from day to day; where a side has one only, their own intervals are added as errors are.

    Parameters
    ----------
    readings : DataFrame
        Columns as `airwatch.derive.frames.READINGS`.
    alert : mapping
        A row of `airwatch.alerts.frames.ALERTS`.
    repaired : datetime
        Data time of the repair.
    days : float
        How far before and after it.

    Returns
    -------
    DataFrame
        Columns as `BEFORE_AFTER`; conditions that are there on one side only are left out.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(readings, READINGS, "before_after")
    span = timedelta(days=days)
    mine = readings.filter(
        of_alert(alert)
        & pl.col("check").is_in(shown_in(alert["fault"]))
        & pl.col("value").is_not_null()
        & pl.col("value").is_finite()
        & ((pl.col("end") <= repaired) | (pl.col("start") >= repaired))
        & pl.col("end").is_between(repaired - span, repaired + span)
    ).with_columns(coupled=pl.col("trailer"), is_after=pl.col("start") >= repaired)
    rows = []
    for part in mine.sort("end").partition_by(_CONDITIONS, maintain_order=True):
        old, new = part.filter(~pl.col("is_after")), part.filter("is_after")
        if old.is_empty() or new.is_empty():
            continue
        lower, upper = _interval(old, new)
        before, after = float(floats(old["value"]).mean()), float(floats(new["value"]).mean())
        rows.append(
            {
                **{name: part[name][0] for name in _CONDITIONS},
                "n_before": old.height,
                "n_after": new.height,
                "before": before,
                "after": after,
                "change": after - before,
                "lower": lower,
                "upper": upper,
            }
        )
    return pl.DataFrame(rows, schema=BEFORE_AFTER).sort(_CONDITIONS, nulls_last=True)


def _interval(old: pl.DataFrame, new: pl.DataFrame) -> tuple[float | None, float | None]:
    a, b = floats(old["value"]), floats(new["value"])
    if min(a.size, b.size) >= _ENOUGH and (np.ptp(a) > 0 or np.ptp(b) > 0):
        interval = ttest_ind(b, a, equal_var=False).confidence_interval(0.95)
        return float(interval.low), float(interval.high)
    half_old, half_new = _half_width(old), _half_width(new)
    if half_old is None or half_new is None:
        return None, None
    half = float(np.hypot(half_old, half_new))
    change = float(b.mean() - a.mean())
    return change - half, change + half


def _half_width(readings: pl.DataFrame) -> float | None:
    """Give half of the 95 % interval of a mean of readings, None where one has none."""
    if readings.select(pl.any_horizontal(pl.col("lower", "upper").is_null()).any()).item():
        return None
    halves = 0.5 * (floats(readings["upper"]) - floats(readings["lower"]))
    return float(np.sqrt((halves**2).sum()) / halves.size)
