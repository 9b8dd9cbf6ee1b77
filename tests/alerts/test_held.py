"""How many repairs held."""

from datetime import timedelta

import polars as pl
import pytest
from scipy.stats import binomtest

from airwatch.alerts.held import clopper_pearson, held_shares
from airwatch.alerts.lifecycle import HISTORY
from tests.derive.samples import T0

NOW = T0 + timedelta(days=100)


def told(alert: str, *changes: tuple[str, float], fault: str = "leak_primary", unit: str = "K-1") -> pl.DataFrame:
    """Give the history of one alert: changes with the day of each."""
    rows = [
        {
            "event": f"{alert}{k}", "alert": alert, "at": T0 + timedelta(days=day), "recorded": NOW,
            "who": "x", "change": change, "state": "x", "reason": "x", "until": None, "severity": "high",
            "fault": fault, "fleet": "north", "unit": unit, "trailer": None,
        }
        for k, (change, day) in enumerate(changes)
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=HISTORY)


SHOPS = pl.DataFrame({"fleet": ["north", "north"], "unit": ["K-1", "K-2"], "home_shop": ["ridge", "quay"]})


def one(*changes: tuple[str, float]) -> dict[str, object]:
    return held_shares(told("a", *changes), SHOPS, NOW).row(0, named=True)


@pytest.mark.parametrize(
    ("changes", "counts"),
    [
        ([("opened", 0), ("repaired", 1), ("verified", 4)], (1, 1, 0, 0)),
        ([("repaired", 1), ("verified", 4), ("reopened", 20)], (1, 0, 0, 0)),
        ([("repaired", 1), ("verified", 4), ("reopened", 40)], (1, 1, 0, 0)),  # after a month it is another story
        ([("repaired", 1), ("reopened", 3)], (1, 0, 0, 0)),
        ([("repaired", 1)], (0, 0, 1, 0)),  # nothing was heard since
        ([("repaired", 90), ("verified", 95)], (0, 0, 0, 1)),  # the month is not over
        ([("repaired", 1), ("verified", 40)], (0, 0, 1, 0)),
        ([("repaired", 1), ("dismissed", 2)], None),
        ([("repaired", 1), ("reopened", 5), ("repaired", 6), ("verified", 9)], (2, 1, 0, 0)),
        ([("repaired", 1), ("noted", 2), ("repaired", 3), ("verified", 9)], (1, 1, 0, 0)),
        ([("opened", 0)], None),
    ],
)
def test_what_became_of_a_repair(changes: list[tuple[str, float]], counts: tuple[int, int, int, int] | None) -> None:
    found = held_shares(told("a", *changes), SHOPS, NOW)
    rows = found.select("n_repairs", "n_held", "n_unproven", "n_waiting").rows()
    assert rows == ([] if counts is None else [counts])


def test_shares_by_fault_and_shop() -> None:
    history = pl.concat(
        [
            told("a", ("repaired", 1), ("verified", 3)),
            told("b", ("repaired", 1), ("reopened", 3), unit="K-2"),
            told("c", ("repaired", 1), ("verified", 3), unit="K-2"),
            told("d", ("repaired", 1), ("verified", 3), unit="K-9", fault="abs_lamp"),
        ]
    )
    found = held_shares(history, SHOPS, NOW)
    assert found.select("fault", "shop", "n_repairs", "share").rows() == [
        ("abs_lamp", None, 1, 1.0),
        ("leak_primary", "quay", 2, 0.5),
        ("leak_primary", "ridge", 1, 1.0),
    ]
    interval = binomtest(1, 2).proportion_ci(0.95, method="exact")
    assert found.filter(shop="quay").select("lower", "upper").row(0) == pytest.approx((interval.low, interval.high))


@pytest.mark.parametrize(("k", "n"), [(0, 1), (1, 1), (0, 10), (3, 10), (10, 10), (29, 30), (150, 200)])
def test_the_interval_is_scipys_exact_one(k: int, n: int) -> None:
    interval = binomtest(k, n).proportion_ci(0.95, method="exact")
    lower, upper = clopper_pearson([k], [n])
    assert (lower[0], upper[0]) == pytest.approx((interval.low, interval.high), abs=1e-12)


def test_the_interval_of_a_textbook() -> None:
    """No failure in n: the upper end of the failures' share is about 3.7 / n (two-sided 'rule of three')."""
    lower, _ = clopper_pearson([100], [100])
    assert 1.0 - lower[0] == pytest.approx(3.689 / 100, rel=0.02)


def test_of_none_nothing_is_known() -> None:
    row = one(("repaired", 1))
    assert (row["share"], row["lower"], row["upper"]) == (None, 0.0, 1.0)
