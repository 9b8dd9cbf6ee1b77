"""The fit of a quantised decay against what is the best that any fit could do, and against least squares."""

import click
import numpy as np
import pytest
from scipy.optimize import curve_fit
from scipy.stats import norm

from airwatch.derive.decay import Cooling, fit_decay
from airwatch.derive.occupancy import Cells, occupancy
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

N = 400


def nothing_cools(n: int) -> list[Cooling]:
    return [Cooling(np.zeros(n), np.full(n, 1e-6), 1000.0, np.zeros(n))]


def counted(t: np.ndarray, levels: np.ndarray) -> Cells:
    """Count records that share their times, one a row of ``levels``."""
    n, size = levels.shape
    return occupancy(np.repeat(np.arange(n), size), np.tile(t, n), levels.ravel(), per_level=12.0, least=8, most=400)


def cramer_rao_sd(t: np.ndarray, kpa: np.ndarray, step: float, noise: float) -> float:
    """Give the least standard deviation of any unbiased estimate of the rate, level unknown too, 1/s.

    The inverse of Fisher's information of samples of which only the step is known (Cramér-Rao bound; statistics
    handbooks): for each sample the sum over steps of (d chance / d pressure)² / chance.
    """
    at = kpa / step
    levels = np.round(at)[:, None] + np.arange(-6, 7)
    above, below = (levels + 0.5 - at[:, None]) / noise, (levels - 0.5 - at[:, None]) / noise
    chance = norm.cdf(above) - norm.cdf(below)
    slope = (norm.pdf(below) - norm.pdf(above)) / noise
    per_sample = np.where(chance > 1e-9, slope**2 / np.maximum(chance, 1e-9), 0.0).sum(axis=1)
    gain = (kpa + ATMOSPHERE_KPA) / step  # of the logarithm of absolute pressure
    basis = np.stack([gain, -gain * (t - t.mean())])
    information = (basis * per_sample) @ basis.T
    return float(np.sqrt(np.linalg.inv(information)[1, 1]))


@pytest.mark.parametrize("step", [4.0, 8.0])
@pytest.mark.parametrize("noise", [0.15, 0.3, 0.6])
@pytest.mark.parametrize(("minutes", "per_min"), [(20, 6.0), (60, 3.0), (480, 0.5)])
def test_no_unbiased_fit_could_be_much_better(step: float, noise: float, minutes: float, per_min: float) -> None:
    rng = np.random.default_rng(7)
    t = np.arange(0.0, minutes * 60, 10.0 if minutes > 60 else 2.0)
    rate = per_min / 60.0 / (690.0 + ATMOSPHERE_KPA)
    start = rng.uniform(780.0, 880.0, N) + ATMOSPHERE_KPA
    kpa = start[:, None] * np.exp(-rate * t) - ATMOSPHERE_KPA
    levels = np.round(kpa / step + rng.normal(0.0, noise, kpa.shape))
    fit = fit_decay(counted(t, levels), np.full(N, step), nothing_cools(N), np.zeros(N), 0.0)
    bound = np.sqrt(np.mean([cramer_rao_sd(t, row, step, noise) ** 2 for row in kpa[:100]]))
    error = np.sqrt(np.mean((fit.rate - rate) ** 2))
    covered = np.mean((fit.lower <= rate) & (rate <= fit.upper))
    click.echo(
        f"{step:.0f} kPa, noise {noise} steps, {minutes} min: error / bound {error / bound:.2f}, held {covered:.3f}"
    )
    assert 0.85 <= error / bound <= 1.5  # under 1 only by chance: no unbiased estimate beats the bound
    assert covered >= 0.90
    assert abs(np.mean(fit.rate - rate)) < 0.25 * bound


def test_with_fine_steps_it_is_least_squares() -> None:
    """SciPy's nonlinear least squares (Levenberg-Marquardt) is the reference."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, 1200.0, 2.0)
    kpa = 950.0 * np.exp(-t / 9000.0) + rng.normal(0.0, 2.0, t.size) - ATMOSPHERE_KPA
    levels = np.round(kpa)  # steps of 1 kPa under noise of 2
    fit = fit_decay(counted(t, levels[None]), np.ones(1), nothing_cools(1), np.zeros(1), 0.0)
    best, covariance = curve_fit(lambda s, a, b: a * np.exp(-b * s) - ATMOSPHERE_KPA, t, levels, p0=(900.0, 1e-4))
    assert fit.rate[0] == pytest.approx(best[1], rel=2e-3)
    assert (fit.upper[0] - fit.lower[0]) / 2 == pytest.approx(1.96 * np.sqrt(covariance[1, 1]), rel=0.1)
    assert fit.noise[0] == pytest.approx(2.0, rel=0.1)


def test_one_step_allows_what_would_not_have_left_it() -> None:
    t = np.arange(0.0, 3600.0, 10.0)
    fit = fit_decay(counted(t, np.full((1, t.size), 100.0)), np.full(1, 8.0), nothing_cools(1), np.zeros(1), 0.0)
    whole_step = 8.0 / (800.0 + ATMOSPHERE_KPA) / 3600.0  # crossing all of the step within the record
    assert fit.lower[0] == pytest.approx(0.0, abs=1e-9)
    assert 0.1 * whole_step < fit.rate[0] < 0.6 * whole_step
    assert 0.6 * whole_step < fit.upper[0] < 1.5 * whole_step


def test_no_samples_give_nothing() -> None:
    none = occupancy(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0), per_level=12.0, least=8, most=400)
    fit = fit_decay(none, np.full(2, 8.0), nothing_cools(2), np.zeros(2), 0.0)
    assert np.isnan(fit.rate).all()
