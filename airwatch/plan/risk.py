"""What it costs to wait: the chance that a limit is crossed before a time, and the days beyond it. Pure arrays."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.special import ndtr

from airwatch.derive.frames import floats, require
from airwatch.plan.frames import JOBS
from airwatch.plan.settings import PlanSettings

Floats = npt.NDArray[np.float64]

_Z90 = 1.2815515655446004
"""The 0.9 quantile of the normal distribution: crossings are given by their 0.1, 0.5 and 0.9 quantiles."""

_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Waiting:
    """What waiting until each of some times costs, one row a job, one column a time.

    ``chance`` that the limit is crossed by then (as things stood at the plan's begin), ``days_beyond`` days expected
    beyond it between the plan's begin and then, ``risk`` what both cost with the campaign, weighted by severity.
    """

    chance: Floats
    days_beyond: Floats
    risk: Floats


def waiting(jobs: pl.DataFrame, begin: datetime, until: list[datetime], settings: PlanSettings) -> Waiting:
    r"""Say what waiting costs.

    The time of crossing follows a normal distribution whose two halves may have different widths, fitted to the
    quantiles 0.1, 0.5 and 0.9 of the forecast, given no crossing at the newest reading (``updated``).
    A lacking quantile mirrors the other one. Where no trend leads to the limit, the crossing is as likely on any
    day (exponential). A limit that is crossed stays so. With :math:`F` the chance of crossing,

    .. math:: R(t) = w \left( F(t) - F(t_0) + \rho \int_{t_0}^{t} F + \kappa [t \ge \text{campaign}] \right)

    so that of two jobs whose limit is crossed already, each day costs the graver one more.

    Parameters
    ----------
    jobs : DataFrame
        Columns as `JOBS`.
    begin : datetime
        The plan's begin :math:`t_0`.
    until : list of datetime
        Not before ``begin``.
    settings : PlanSettings
        Weights :math:`w, \rho, \kappa`.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(jobs, JOBS, "waiting")
    by = settings.risk
    t = np.array([(when - begin) / _DAY for when in until], dtype=np.float64)[None, :]
    early, likely, late, known, due = (
        _days(jobs, name, begin) for name in ("crossing_early", "crossing_likely", "crossing_late", "updated", "due")
    )
    known = np.minimum(known, 0.0)
    least = by.least_sd_h / 24.0
    low, high = (likely - early) / _Z90, (late - likely) / _Z90
    low, high = np.where(np.isnan(low), high, low), np.where(np.isnan(high), low, high)
    low, high = (np.maximum(np.where(np.isnan(sd), least, sd), least) for sd in (low, high))
    chance, days = _from_trend(t, np.nan_to_num(likely), low, high, known)
    chance_0, _ = _from_trend(np.zeros((1, 1)), np.nan_to_num(likely), low, high, known)
    is_spent = _normal(known - likely, low, high) >= by.given_up_chance
    is_beyond = jobs["is_beyond"].to_numpy()[:, None] | is_spent
    mean = _by_severity(jobs, by.mean_days_no_trend)
    no_trend = np.isnan(likely)
    chance = np.where(no_trend, 1.0 - np.exp(-t / mean), chance)
    days = np.where(no_trend, t - mean * (1.0 - np.exp(-t / mean)), days)
    chance_0 = np.where(no_trend, 0.0, chance_0)
    chance, chance_0 = np.where(is_beyond, 1.0, chance), np.where(is_beyond, 1.0, chance_0)
    days = np.where(is_beyond, t, days)
    in_campaign = np.where(np.isnan(due), 0.0, t >= due)
    weight = _by_severity(jobs, by.weight)
    risk = weight * (chance - chance_0 + by.a_day_beyond * days + by.campaign * in_campaign)
    return Waiting(chance, days, risk)


def unplaced_risk(jobs: pl.DataFrame, begin: datetime, end: datetime, settings: PlanSettings) -> Floats:
    """Give what it costs to leave each job out of a plan that ends at ``end``."""
    later = end + timedelta(days=settings.risk.after_days)
    out: Floats = waiting(jobs, begin, [later], settings).risk[:, 0]
    return out + settings.risk.unplaced * _by_severity(jobs, settings.risk.weight)[:, 0]


def _from_trend(t: Floats, likely: Floats, low: Floats, high: Floats, known: Floats) -> tuple[Floats, Floats]:
    """Give chance and days beyond from 0 to ``t`` of a two-sided normal, given no crossing at ``known``."""
    at_known = np.minimum(_normal(known - likely, low, high), 1.0 - 1e-9)
    left = 1.0 - at_known
    chance = np.maximum(_normal(t - likely, low, high) - at_known, 0.0) / left
    area = _area(t - likely, low, high) - _area(-likely, low, high)
    return chance, np.maximum(area - at_known * t, 0.0) / left


def _normal(x: Floats, low: Floats, high: Floats) -> Floats:
    out: Floats = ndtr(x / np.where(x < 0, low, high))
    return out


def _area(x: Floats, low: Floats, high: Floats) -> Floats:
    """Give the integral of the distribution function up to ``x``: of a normal one it is z Phi(z) + phi(z), by parts."""
    at_zero = 1.0 / np.sqrt(2.0 * np.pi)
    z = x / np.where(x < 0, low, high)
    area = z * ndtr(z) + np.exp(-0.5 * z * z) * at_zero
    out: Floats = np.where(x < 0, low * area, low * at_zero + high * (area - at_zero))
    return out


def _days(jobs: pl.DataFrame, name: str, begin: datetime) -> Floats:
    return floats(jobs.select((pl.col(name) - begin).dt.total_microseconds() / 86400e6).to_series())[:, None]


def _by_severity(jobs: pl.DataFrame, figures: object) -> Floats:
    return np.array([getattr(figures, severity) for severity in jobs["severity"]], dtype=np.float64)[:, None]
