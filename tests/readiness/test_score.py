"""Brier score, its parts and the reliability diagram, against published examples and a second reckoning."""

from datetime import UTC, datetime, timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.readiness.score import OUTCOMES, brier_score, reliability_bins, score

NOW = datetime(2031, 2, 3, 12, tzinfo=UTC).replace(tzinfo=None)
PAIRS = st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60)


def split(pairs: list[tuple[float, bool]]) -> tuple[np.ndarray, np.ndarray]:
    return np.array([p for p, _ in pairs]), np.array([seen for _, seen in pairs])


# scikit-learn, example of `sklearn.metrics.brier_score_loss`: y_true 0, 1, 1, 0; y_prob 0.1, 0.9, 0.8, 0.3; 0.0375.
def test_the_published_example_of_the_score() -> None:
    got = brier_score(np.array([0.1, 0.9, 0.8, 0.3]), np.array([False, True, True, False]))
    assert got.score == pytest.approx(0.0375)
    assert got.skill == pytest.approx(1 - 0.0375 / 0.25)


# Murphy (1973), the partition reckoned by hand for ten forecasts of two chances: 0.2 four times, once true; 0.8 six
# times, five true, so 0.6 in all.
def test_the_parts_of_a_score_reckoned_by_hand() -> None:
    chance = np.array([0.2] * 4 + [0.8] * 6)
    passed = np.array([True, False, False, False, True, True, True, True, True, False])
    got = brier_score(chance, passed)
    assert got.reliability == pytest.approx((4 * 0.05**2 + 6 * (1 / 30) ** 2) / 10)
    assert got.resolution == pytest.approx((4 * 0.35**2 + 6 * (7 / 30) ** 2) / 10)
    assert got.uncertainty == pytest.approx(0.24)
    assert got.within == pytest.approx(0.0, abs=1e-12)
    assert got.score == pytest.approx((0.64 + 3 * 0.04 + 5 * 0.04 + 0.64) / 10)


@given(PAIRS, st.integers(1, 20))
def test_the_parts_always_make_the_score(pairs: list[tuple[float, bool]], n_bins: int) -> None:
    got = brier_score(*split(pairs), n_bins=n_bins)
    assert got.score == pytest.approx(sum((p - seen) ** 2 for p, seen in pairs) / len(pairs), abs=1e-12)
    assert got.reliability - got.resolution + got.uncertainty + got.within == pytest.approx(got.score, abs=1e-12)
    assert (got.skill is None) == (len({seen for _, seen in pairs}) == 1)


@given(PAIRS, st.integers(1, 20))
def test_bins_hold_every_forecast_once(pairs: list[tuple[float, bool]], n_bins: int) -> None:
    bins = reliability_bins(*split(pairs), n_bins=n_bins)
    assert bins["n"].sum() == len(pairs)
    assert bins["n_passed"].sum() == sum(seen for _, seen in pairs)
    assert (bins["lower"] <= bins["share_passed"] + 1e-12).all()
    assert (bins["upper"] >= bins["share_passed"] - 1e-12).all()
    assert ((bins["mean_chance"] >= bins["low"] - 1e-12) & (bins["mean_chance"] <= bins["high"] + 1e-12)).all()


# Newcombe (1998), Statistics in Medicine 17, 857-872, table I, Wilson's method: 81 of 263 gives 0.2553 to 0.3662,
# 15 of 148 gives 0.0624 to 0.1605 (figures from memory, examples as in a public R package).
@pytest.mark.parametrize(("k", "n", "lower", "upper"), [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605)])
def test_intervals_are_those_of_a_published_table(k: int, n: int, lower: float, upper: float) -> None:
    bins = reliability_bins(np.full(n, 0.3), np.arange(n) < k)
    assert (bins["lower"].item(), bins["upper"].item()) == pytest.approx((lower, upper), abs=5e-5)


@pytest.mark.parametrize("chance", [-0.1, 1.1, np.nan])
def test_what_is_no_chance_is_refused(chance: float) -> None:
    with pytest.raises(ValueError, match="must lie within 0 and 1"):
        brier_score(np.array([chance]), np.array([True]))
    with pytest.raises(ValueError, match="at least one forecast"):
        brier_score(np.array([]), np.array([], dtype=bool))


def forecasts(*rows: tuple[str, float | None, int]) -> pl.DataFrame:
    """Give forecasts of one item: unit, chance, made so many days before `NOW`."""
    return pl.DataFrame(
        [("north", unit, "hoses", NOW - timedelta(days=days), chance) for unit, chance, days in rows],
        schema={
            **dict.fromkeys(("fleet", "unit", "item"), pl.String), "made_at": pl.Datetime("us"), "chance": pl.Float64,
        },
        orient="row",
    )  # fmt: skip


def outcomes(*rows: tuple[str, bool]) -> pl.DataFrame:
    return pl.DataFrame([("north", unit, "hoses", passed, NOW) for unit, passed in rows], schema=OUTCOMES, orient="row")


def test_the_last_forecast_before_the_outcome_counts() -> None:
    made = forecasts(("K-1", 0.1, 9), ("K-1", 0.8, 2), ("K-1", 0.0, -1))
    got = score(made, outcomes(("K-1", True)))
    assert got.brier is not None
    assert got.brier.score == pytest.approx(0.04)
    assert (got.n_unknown, got.n_unforecast) == (0, 0)


def test_unknowns_and_outcomes_without_forecast_are_counted_apart() -> None:
    made = forecasts(("K-1", None, 2), ("K-2", None, 2), ("K-3", 1.0, -2), ("K-4", 0.5, 2))
    got = score(made, outcomes(("K-1", True), ("K-2", False), ("K-3", True), ("K-5", True)))
    assert (got.brier, got.n_unknown, got.n_unknown_passed, got.n_unforecast) == (None, 2, 1, 2)
    assert got.bins.is_empty()
