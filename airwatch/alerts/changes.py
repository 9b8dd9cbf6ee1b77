"""How a figure changed over the days: not, at once, or little by little."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

import numpy as np
import numpy.typing as npt

from airwatch.alerts.medians import row_medians
from airwatch.alerts.settings import Changes

Floats = npt.NDArray[np.float64]
Kind = Literal["none", "step", "ramp", "unclear"]


@dataclass(frozen=True, slots=True)
class Change:
    """What the days tell: ``kind``, the first and the last day of the change, and the level on either side of it.

    "unclear" is a change of which the days do not tell whether it came at once.
    """

    kind: Kind
    first_day: float
    last_day: float
    before: float
    after: float


def change_of(days: Floats, levels: Floats, floor: float, settings: Changes) -> Change:
    """Find the one change that fits daily levels best.

    Each pair of days is tried as begin and end of the change: level before, straight line between, level after. A
    step is a change between two days that follow each other, with two days or more on either side. The fit is by the
    sum of absolute deviations, so that single odd days count little, and three explanations (no change, the best
    step, the best slower change) are held against each other by what they cost in deviations and in numbers that they
    take (Laplace errors, Bayesian information criterion).

    Parameters
    ----------
    days : array (n,)
        Day numbers, rising.
    levels : array (n,)
        One level a day.
    floor : float
        Scatter of a day's level that is always assumed, in the unit of the levels.
    settings : Changes
        Thresholds.

    References
    ----------
    Bayesian information criterion: Schwarz, Annals of Statistics 6 (1978), 461-464.
    """
    n = days.size
    middle = float(np.median(levels)) if n else 0.0
    if n < settings.fewest_days:
        return Change("none", np.nan, np.nan, middle, middle)
    begin, end = np.triu_indices(n, 1)
    # one odd day at either end is no level; a change that goes on still may end with the last day
    kept = (begin >= 1) & ((end <= n - 2) | (end > begin + 1))
    begin, end = begin[kept], end[kept]
    upto = np.tri(n, dtype=bool)  # row k: the days up to day k
    before = row_medians(np.where(upto, levels, np.nan))[begin]
    after = row_medians(np.where(upto.T, levels, np.nan))[end]
    share = np.clip((days - days[begin, None]) / (days[end] - days[begin])[:, None], 0.0, 1.0)
    # a change that has not ended is known by all its days, not by the last one
    is_open = end == n - 1
    with np.errstate(divide="ignore", invalid="ignore"):
        reached = np.where(share > 0.0, (levels - before[:, None]) / share, np.nan)[is_open]
    after[is_open] = before[is_open] + row_medians(reached)
    fitted = before[:, None] + share * (after - before)[:, None]
    cost = _cost(np.abs(levels - fitted), floor)
    is_step = end == begin + 1
    none = _cost(np.abs(levels - middle)[None, :], floor)[0] + 0.5 * np.log(n)
    step = np.where(is_step, cost, np.inf) + 1.5 * np.log(n)
    ramp = np.where(is_step, np.inf, cost) + 2.0 * np.log(n)
    at_step, at_ramp = int(np.argmin(step)), int(np.argmin(ramp))
    at = at_step if step[at_step] <= ramp[at_ramp] else at_ramp
    if none - min(step[at_step], ramp[at_ramp]) < settings.clear:
        return Change("none", np.nan, np.nan, middle, middle)
    sure = ramp[at_ramp] - step[at_step]
    kind: Kind = "unclear" if abs(sure) < settings.told_apart else "step" if sure > 0.0 else "ramp"
    return Change(kind, float(days[begin[at]]), float(days[end[at]]), float(before[at]), float(after[at]))


def day_of(number: float) -> datetime:
    """Give the midnight, UTC, at which a day begins whose number counts from the first of January 1970."""
    return datetime(1970, 1, 1) + timedelta(days=number)  # noqa: DTZ001 - times are UTC without a zone


def _cost(off: Floats, floor: float) -> Floats:
    """Give minus the logarithm of the likelihood of deviations (k, n) under Laplace errors, but for a constant."""
    n = off.shape[1]
    cost: Floats = n * np.log(np.maximum(off.mean(axis=1), floor))
    return cost
