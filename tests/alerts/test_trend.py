"""Slopes against scipy's Theil-Sen estimator, and crossings against lines whose crossing is known."""

from datetime import timedelta

import msgspec
import numpy as np
import polars as pl
import pytest
from scipy import stats

from airwatch.alerts.settings import shipped_settings
from airwatch.alerts.trend import daily_levels, is_rising, trends
from tests.derive.samples import T0

SETTINGS = shipped_settings().trend
ONE_WINDOW = msgspec.structs.replace(SETTINGS, windows_days=(16,))


def series(days: list[float], values: list[float], *, limit: float = 20.0, floor: float = 0.5) -> pl.DataFrame:
    return pl.DataFrame(
        {
            "fleet": "north",
            "unit": "K-1",
            "series": "leak_static/primary",
            "end": [T0 + timedelta(days=day) for day in days],
            "y": [float(value) for value in values],
            "limit": limit,
            "floor": floor,
        }
    ).cast({"end": pl.Datetime("us")})


@pytest.mark.parametrize("seed", range(20))
def test_slope_and_level_are_those_of_theil_and_sen(seed: int) -> None:
    rng = np.random.default_rng(seed)
    days = np.sort(rng.choice(16, size=rng.integers(5, 16), replace=False)).astype(float)
    values = 2.0 + 0.7 * days + rng.standard_t(2, days.size)  # heavy tails: odd days happen
    fit = trends(daily_levels(series(days.tolist(), values.tolist()), ONE_WINDOW), ONE_WINDOW).tail(1)
    # scipy.stats.theilslopes, method "joint": the intercept is the median of y - slope * x
    reference = stats.theilslopes(values, days, method="joint")
    assert fit["slope"].item() == pytest.approx(reference.slope)
    assert fit["level"].item() == pytest.approx(reference.intercept + reference.slope * days[-1])


def test_a_straight_line_crosses_where_it_must() -> None:
    days = list(range(10))
    fit = trends(daily_levels(series(days, [1.0 + 1.5 * d for d in days]), SETTINGS), SETTINGS).tail(1)
    to_go = (20.0 - (1.0 + 1.5 * 9)) / 1.5
    assert fit["likely_days"].item() == pytest.approx(to_go)
    assert fit["early_days"].item() < to_go < fit["late_days"].item()


def test_no_crossing_is_given_for_what_does_not_lead_there() -> None:
    days = list(range(8))
    falling = trends(daily_levels(series(days, [9.0 - d for d in days]), SETTINGS), SETTINGS).tail(1)
    assert falling["likely_days"].item() is None
    noisy = trends(daily_levels(series(days, [5, 5.1, 5, 5.2, 5, 5.1, 5, 5.2], floor=2.0), SETTINGS), SETTINGS).tail(1)
    assert noisy["late_days"].item() is None


@pytest.mark.parametrize(("noise", "lowest"), [(0.3, 0.8), (1.0, 0.75)])
def test_the_crossing_lies_in_the_interval_as_often_as_promised(noise: float, lowest: float) -> None:
    rng = np.random.default_rng(8)
    held = []
    for _ in range(400):
        slope = rng.uniform(0.5, 2.0)
        days = np.arange(12.0)
        values = 1.0 + slope * days * 0.5 + rng.normal(0.0, noise, days.size)
        fit = trends(daily_levels(series(days.tolist(), values.tolist(), floor=noise / 2), SETTINGS), SETTINGS).tail(1)
        early, late = fit["early_days"].item(), fit["late_days"].item()
        truth = (20.0 - (1.0 + slope * 11 * 0.5)) / (slope * 0.5)
        held.append(early is not None and early <= truth and (late is None or truth <= late))
    share = float(np.mean(held))
    assert share >= lowest, f"the 80 % interval holds the crossing in {share:.1%} of 400 lines"


def test_healthy_series_rise_almost_never() -> None:
    """Looked at each day of 28 by all windows, series without a trend open fewer than one alert in a thousand."""
    rng = np.random.default_rng(5)
    days = np.tile(np.arange(28.0), 1000)
    frame = series(days.tolist(), rng.normal(2.0, 0.6, days.size).tolist()).with_columns(
        unit=pl.Series(np.repeat(np.arange(1000), 28).astype(str))
    )
    found = trends(daily_levels(frame, SETTINGS), SETTINGS)
    rising = found.filter(is_rising(SETTINGS, rise_share=SETTINGS.rise_share, level_share=SETTINGS.level_share))
    assert rising["unit"].n_unique() <= 1
    assert found["unit"].n_unique() == 1000


def test_a_ramp_is_seen_within_days() -> None:
    rng = np.random.default_rng(6)
    days = np.arange(28.0)
    ramp = 1.0 + np.clip(days - 10.0, 0.0, None) * 1.8 + rng.normal(0.0, 0.3, days.size)
    found = trends(daily_levels(series(days.tolist(), ramp.tolist()), SETTINGS), SETTINGS)
    rising = found.filter(is_rising(SETTINGS, rise_share=SETTINGS.rise_share, level_share=SETTINGS.level_share))
    first = (rising["end"].min() - T0) / timedelta(days=1)
    assert 12.0 <= first <= 15.0  # begins on day 10, crosses 20 on day 20.5


def test_too_few_days_make_no_trend() -> None:
    assert trends(daily_levels(series([0, 1, 2], [1, 5, 9]), SETTINGS), SETTINGS).is_empty()
    assert trends(daily_levels(series([], []), SETTINGS), SETTINGS).is_empty()
