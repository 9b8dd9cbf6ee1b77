"""What waiting costs, against scipy's distributions and integrals of them."""

from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from scipy.integrate import quad
from scipy.stats import expon, norm

from airwatch.plan.frames import JOBS
from airwatch.plan.risk import unplaced_risk, waiting
from airwatch.plan.settings import shipped_settings
from tests.plan.small import BEGIN, job

BY = shipped_settings()
DAYS = [0.0, 1.0, 4.0, 9.0, 12.5, 30.0]


def at(days: float | None) -> datetime | None:
    return None if days is None else BEGIN + timedelta(days=days)


def jobs(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=JOBS)


def forecast(early: float | None, likely: float | None, late: float | None, **other: object) -> pl.DataFrame:
    crossing = {"crossing_early": at(early), "crossing_likely": at(likely), "crossing_late": at(late)}
    long_ago = BEGIN - timedelta(days=1000)  # so that nothing is known beside the forecast
    return jobs(job("a", **{"is_beyond": False, "updated": long_ago, **crossing, **other}))


UNTIL = [BEGIN + timedelta(days=days) for days in DAYS]


def test_a_forecast_is_met_at_its_quantiles() -> None:
    found = waiting(forecast(3.0, 5.0, 11.0), BEGIN, [BEGIN + timedelta(days=d) for d in (3, 5, 11)], BY)
    assert found.chance[0] == pytest.approx([0.1, 0.5, 0.9], abs=1e-12)


def test_an_even_forecast_is_a_normal_distribution_and_days_beyond_its_loss_function() -> None:
    """The expected lateness E[(t - T)+] of a normal T is s (z Phi(z) + phi(z)): the standard loss function."""
    sd = 4.0 / norm.ppf(0.9)
    found = waiting(forecast(6.0, 10.0, 14.0), BEGIN, UNTIL, BY)
    assert found.chance[0] == pytest.approx(norm.cdf(DAYS, 10.0, sd), abs=1e-9)
    z = (np.array([0.0, *DAYS]) - 10.0) / sd
    loss = sd * (z * norm.cdf(z) + norm.pdf(z))
    assert found.days_beyond[0] == pytest.approx(loss[1:] - loss[0], abs=1e-9)


@pytest.mark.parametrize(("early", "late"), [(3.0, 14.0), (4.9, 5.5), (None, 9.0), (2.0, None), (None, None)])
def test_days_beyond_are_the_integral_of_the_chance(early: float | None, late: float | None) -> None:
    one = forecast(early, 5.0, late, updated=BEGIN - timedelta(days=0.5))

    def chance(days: float) -> float:
        return float(waiting(one, BEGIN, [BEGIN + timedelta(days=days)], BY).chance[0, 0])

    found = waiting(one, BEGIN, UNTIL, BY)
    for days, got in zip(DAYS, found.days_beyond[0], strict=True):
        edges = [k for k in (4.0, 5.0, 6.0) if k < days]
        assert got == pytest.approx(quad(chance, 0.0, days, points=edges or None, limit=200)[0], abs=1e-5)
    assert (np.diff(found.chance[0]) >= 0).all()


def test_what_is_known_not_to_have_come_yet_counts() -> None:
    """The chance given that it was not crossed at the newest reading, by Bayes's rule."""
    sd = 4.0 / norm.ppf(0.9)
    found = waiting(forecast(6.0, 10.0, 14.0, updated=BEGIN - timedelta(hours=12)), BEGIN, UNTIL, BY)
    known = norm.cdf(-0.5, 10.0, sd)
    assert found.chance[0] == pytest.approx((norm.cdf(DAYS, 10.0, sd) - known) / (1 - known), abs=1e-9)


def test_without_a_trend_it_comes_at_any_time_alike() -> None:
    mean = BY.risk.mean_days_no_trend.medium
    found = waiting(forecast(None, None, None), BEGIN, UNTIL, BY)
    assert found.chance[0] == pytest.approx(expon.cdf(DAYS, scale=mean))
    areas = [quad(lambda t: expon.cdf(t, scale=mean), 0.0, days)[0] for days in DAYS]
    assert found.days_beyond[0] == pytest.approx(areas, abs=1e-9)


def test_beyond_its_limit_each_day_costs_the_same_and_the_graver_more() -> None:
    found = waiting(jobs(job("a"), job("b", severity="high")), BEGIN, UNTIL, BY)
    assert (found.chance == 1.0).all()
    a_day = np.array([BY.risk.weight.medium, BY.risk.weight.high]) * BY.risk.a_day_beyond
    assert found.risk == pytest.approx(a_day[:, None] * np.array(DAYS))


def test_a_forecast_long_past_counts_as_crossed() -> None:
    found = waiting(forecast(-9.0, -8.0, -7.0, updated=BEGIN - timedelta(days=1)), BEGIN, UNTIL, BY)
    assert (found.chance == 1.0).all()


def test_a_campaign_costs_from_its_begin_on() -> None:
    one = job("a", due=BEGIN + timedelta(days=4))
    more = waiting(jobs(one), BEGIN, UNTIL, BY).risk - waiting(jobs(job("a")), BEGIN, UNTIL, BY).risk
    assert more[0] == pytest.approx([0, 0, *[BY.risk.campaign * BY.risk.weight.medium] * 4])


def test_leaving_out_costs_more_than_any_place() -> None:
    for one in (forecast(3.0, 5.0, 11.0), forecast(None, None, None), jobs(job("a")), forecast(200.0, 300.0, None)):
        left = unplaced_risk(one, BEGIN, UNTIL[-1], BY)[0]
        assert left > waiting(one, BEGIN, UNTIL, BY).risk.max() + 0.9
