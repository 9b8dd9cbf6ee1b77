"""The same check in the same conditions before and after a repair."""

from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from scipy.stats import ttest_ind

from airwatch.alerts.before_after import before_after
from airwatch.derive.frames import READINGS
from tests.derive.samples import T0

REPAIRED = T0 + timedelta(days=10)
ALERT = {"fleet": "north", "unit": "K-1", "fault": "leak_primary", "trailer": None}


def hold(day: float, value: float | None, **other: object) -> dict[str, object]:
    start = T0 + timedelta(days=day)
    ends = {} if value is None else {"lower": value - 1.0, "upper": value + 1.0}
    return {
        "fleet": "north", "unit": "K-1", "circuit": "primary", "check": "leak_static", "start": start,
        "end": start + timedelta(hours=1), "value": value, "measure": "kPa/min", "verdict": "pass", "note": "", **ends,
    } | other  # fmt: skip


def compared(*rows: dict[str, object]) -> pl.DataFrame:
    return before_after(pl.DataFrame(list(rows), schema=READINGS), ALERT, REPAIRED)


def test_the_interval_is_welchs() -> None:
    """B. L. Welch, Biometrika 34 (1947) 28-35, as scipy has it."""
    old, new = [20.0, 23.0, 19.0, 24.5], [2.0, 3.5, 2.2]
    rows = [hold(day, value) for day, value in enumerate([*old], 5)] + [hold(11 + k, v) for k, v in enumerate(new)]
    row = compared(*rows).row(0, named=True)
    interval = ttest_ind(new, old, equal_var=False).confidence_interval(0.95)
    assert (row["n_before"], row["n_after"]) == (4, 3)
    assert row["change"] == pytest.approx(np.mean(new) - np.mean(old))
    assert (row["lower"], row["upper"]) == pytest.approx((interval.low, interval.high))
    assert row["upper"] < 0


def test_with_one_reading_on_a_side_their_own_intervals_count() -> None:
    row = compared(hold(8, 20.0), hold(9, 22.0), hold(11, 2.0)).row(0, named=True)
    half = np.hypot(1.0, np.sqrt(2.0) / 2.0)  # a mean of two with 1 each, and one with 1
    assert (row["lower"], row["upper"]) == pytest.approx((-19.0 - half, -19.0 + half))


def test_a_reading_without_an_interval_leaves_none() -> None:
    row = compared(hold(9, 22.0, lower=None, upper=None), hold(11, 2.0)).row(0, named=True)
    assert (row["change"], row["lower"], row["upper"]) == (-20.0, None, None)


def test_only_like_is_held_against_like() -> None:
    found = compared(
        hold(8, 20.0, trailer="R-1"), hold(8.5, 9.0, trailer=""), hold(9, 30.0, circuit="secondary"),
        hold(11, 2.0, trailer="R-1"), hold(11.5, 3.0, trailer="R-2"), hold(12, 1.0, check="leak_applied"),
        hold(9.5, None), hold(8, 5.0, unit="K-2"), hold(11, 5.0, unit="K-2"),
    )  # fmt: skip
    assert found.select("check", "circuit", "coupled", "before", "after").rows() == [
        ("leak_static", "primary", "R-1", 20.0, 2.0)
    ]


def test_readings_far_from_the_repair_or_across_it_do_not_count() -> None:
    across = hold(9.99, 50.0, end=REPAIRED + timedelta(hours=1))
    found = compared(hold(-10, 90.0), hold(9, 20.0), across, hold(11, 2.0), hold(40, 90.0))
    assert found.select("n_before", "n_after", "before", "after").rows() == [(1, 1, 20.0, 2.0)]
