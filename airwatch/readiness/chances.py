"""From what was measured to the chance that it is still within its limit."""

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

Floats = npt.NDArray[np.float64]

_Z80 = 1.2815515655446004  # half of the central 80 % interval, standard deviations
_LEAST_SD = 1e-9  # a measurement without doubt is a step


def split_normal_cdf(x: Floats, mode: Floats, sd_below: Floats, sd_above: Floats) -> Floats:
    """Give the distribution function of a normal distribution with another spread on either side.

    Parameters
    ----------
    x, mode, sd_below, sd_above : array of float, shape (n,)
        ``x`` may be infinite; spreads are at least 0.

    Returns
    -------
    array of float, shape (n,)
        Chance of a value up to ``x``.

    References
    ----------
    Wallis, K. F. (2014), The two-piece normal, binormal, or double Gaussian distribution: its origin and rediscoveries,
    Statistical Science 29, 106-112.
    """
    below, above = np.maximum(sd_below, _LEAST_SD), np.maximum(sd_above, _LEAST_SD)
    share = 2.0 * below / (below + above)
    up_to: Floats = np.where(
        x <= mode,
        share * ndtr((x - mode) / below),
        1.0 - (2.0 - share) * ndtr(-(x - mode) / above),
    )
    return up_to


def chance_within(value: Floats, sd_below: Floats, sd_above: Floats, low: Floats, high: Floats) -> Floats:
    """Give the chance that a value lies within its limits, NaN limits being none.

    Parameters
    ----------
    value, sd_below, sd_above, low, high : array of float, shape (n,)
        All in one unit; a value at its limit is within.

    Returns
    -------
    array of float, shape (n,)
        NaN where both limits or the value are NaN.
    """
    up_to_high = np.where(np.isnan(high), 1.0, split_normal_cdf(high, value, sd_below, sd_above))
    up_to_low = np.where(np.isnan(low), 0.0, split_normal_cdf(low, value, sd_below, sd_above))
    chance = np.clip(up_to_high - up_to_low, 0.0, 1.0)
    return np.where(np.isnan(value) | (np.isnan(low) & np.isnan(high)), np.nan, chance)


def chance_sound(age_days: Floats, *, hazard: Floats, missed: Floats) -> Floats:
    """Give the chance that what was found sound still is: not missed then, and nothing happened since.

    Parameters
    ----------
    age_days : array of float, shape (n,)
        Days since it was looked at.
    hazard : array of float, shape (n,)
        Chance a day, the same every day (exponential life).
    missed : array of float, shape (n,)
        Chance that it was unsound and not seen.
    """
    return (1.0 - missed) * np.exp(-hazard * np.maximum(age_days, 0.0))


def chance_not_crossed(days: Floats, early: Floats, likely: Floats, late: Floats) -> Floats:
    """Give the chance that a trend has not crossed its limit by a day, from the quantiles of when it does.

    Between the quantiles 0.1, 0.5 and 0.9 the normal score is linear in the logarithm of time, and so beyond them.
    Where the late one is NaN (the lesser slope never leads there) the early side's spread stands for the late side
    too, and in one of ten cases the limit is never crossed.

    Parameters
    ----------
    days : array of float, shape (n,)
        Days from the trend's newest day.
    early, likely, late : array of float, shape (n,)
        Quantiles of the day of crossing, as `airwatch.alerts.trend` gives them; days, ``early <= likely <= late``.

    Returns
    -------
    array of float, shape (n,)
        NaN where ``likely`` is NaN.
    """
    least = 0.25  # days: what is crossed within a quarter of a day is crossed
    at, at_early, at_likely = (np.log(np.maximum(x, least)) for x in (days, early, likely))
    at_late = np.log(np.maximum(np.where(np.isnan(late), np.nan, late), least))
    step_early = np.maximum(at_likely - at_early, 1e-6)
    step_late = np.maximum(np.where(np.isnan(at_late), step_early, at_late - at_likely), 1e-6)
    score = np.where(at <= at_likely, (at - at_likely) / step_early, (at - at_likely) / step_late) * _Z80
    crossed = ndtr(score)
    crossed = np.where(np.isnan(late), np.minimum(crossed, 0.9), crossed)
    return np.where(np.isnan(likely), np.nan, 1.0 - crossed)
