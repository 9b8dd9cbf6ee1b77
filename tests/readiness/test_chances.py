"""Chances: against scipy, against drawn values, and at the quantiles they are made of."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from airwatch.readiness.chances import chance_not_crossed, chance_sound, chance_within, split_normal_cdf

POSITIVE = st.floats(0.01, 50.0)
NAN = np.array([np.nan])


def one(value: float) -> np.ndarray:
    return np.array([value])


@given(st.floats(-100, 100), st.floats(-100, 100), POSITIVE)
def test_with_equal_sides_it_is_the_normal_distribution(x: float, mode: float, sd: float) -> None:
    got = split_normal_cdf(one(x), one(mode), one(sd), one(sd))[0]
    assert got == pytest.approx(norm.cdf(x, mode, sd), abs=1e-12)


@given(st.floats(-50, 50), POSITIVE, POSITIVE)
def test_it_rises_from_nought_to_one_and_is_whole_at_the_mode(mode: float, below: float, above: float) -> None:
    x = np.concatenate([[-np.inf], np.linspace(mode - 9 * below, mode + 9 * above, 201), [np.inf]])
    ones = np.ones_like(x)
    got = split_normal_cdf(x, mode * ones, below * ones, above * ones)
    assert (got[0], got[-1]) == (0.0, 1.0)
    assert (np.diff(got) >= -1e-12).all()
    at_mode = split_normal_cdf(one(mode), one(mode), one(below), one(above))[0]
    assert at_mode == pytest.approx(below / (below + above))


def test_chances_are_the_shares_of_drawn_values() -> None:
    rng = np.random.default_rng(1)
    below, above, n = 2.0, 5.0, 200_000
    is_below = rng.random(n) < below / (below + above)
    size = np.abs(rng.standard_normal(n))
    drawn = 50.0 + np.where(is_below, -below * size, above * size)
    for low, high in ((-np.inf, 52.0), (49.0, 58.0), (50.0, np.inf)):
        got = chance_within(one(50.0), one(below), one(above), one(low), one(high))[0]
        assert got == pytest.approx(((drawn >= low) & (drawn <= high)).mean(), abs=4 * 0.5 / n**0.5)


def test_without_a_limit_or_a_value_there_is_no_chance() -> None:
    assert np.isnan(chance_within(one(1.0), one(1.0), one(1.0), NAN, NAN)[0])
    assert np.isnan(chance_within(NAN, one(1.0), one(1.0), NAN, one(3.0))[0])
    assert chance_within(one(1.0), one(0.0), one(0.0), NAN, one(1.0))[0] == pytest.approx(0.5)
    assert chance_within(one(0.9), one(0.0), one(0.0), NAN, one(1.0))[0] == 1.0


# Exponential life: half of it is gone after ln 2 / hazard.
def test_what_was_sound_wears_out_by_its_half_life() -> None:
    assert chance_sound(one(np.log(2) / 0.01), hazard=one(0.01), missed=one(0.1))[0] == pytest.approx(0.45)
    assert chance_sound(one(-5.0), hazard=one(0.01), missed=one(0.0))[0] == 1.0


def test_at_the_trends_own_quantiles_the_chances_are_theirs() -> None:
    early, likely, late = 4.0, 9.0, 30.0
    for days, kept in ((early, 0.9), (likely, 0.5), (late, 0.1)):
        assert chance_not_crossed(one(days), one(early), one(likely), one(late))[0] == pytest.approx(kept, abs=1e-9)
    assert chance_not_crossed(one(days), one(early), NAN, one(late)).tolist() == pytest.approx([np.nan], nan_ok=True)


@given(early=st.floats(0.3, 20), to_likely=st.floats(0.0, 20), to_late=st.floats(0.0, 60), has_late=st.booleans())
def test_a_trend_is_never_less_likely_to_have_crossed_later(
    early: float, to_likely: float, to_late: float, *, has_late: bool
) -> None:
    likely = early + to_likely
    days = np.linspace(0, 100, 60)
    late = np.full(60, likely + to_late if has_late else np.nan)
    kept = chance_not_crossed(days, np.full(60, early), np.full(60, likely), late)
    assert (np.diff(kept) <= 1e-12).all()
    assert ((kept >= 0) & (kept <= 1)).all()
    if not has_late:
        assert kept[-1] >= 0.1 - 1e-12
