"""The rate at which a quantised pressure decays: an interval-censored regression of many records at once.

Absolute pressure of a tank that leaks through a choked orifice falls exponentially. A sensor tells only in which step
the pressure, with some noise, lay: the likelihood of a sample is the chance of that step. Where a record moves through
several steps, the most likely rate and its curvature give value and interval (maximum likelihood by Newton's method:
the likelihood of a censored normal is concave). Where it stays in one step or crosses one border only, curvature says
nothing, and the rates that the record allows are weighed one by one.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from airwatch.derive.occupancy import Cells
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_SQRT_2PI = np.sqrt(2.0 * np.pi)
_TINY = 1e-12
_NEWTON, _ROUNDS = 3, 6
_NOISE_MEAN, _NOISE_SD = np.log(0.25), 0.7
"""Prior of the noise in sensor steps: noise is a step or less, and where it is small no record tells how small."""


@dataclass(frozen=True, slots=True)
class Cooling:
    """What is known beforehand of a part of each record's fall that is no leak, arrays (records,).

    Gas warmer than what is around it by ``warm`` of its absolute temperature (mean and standard deviation), at time 0
    of the record, cools with ``tau_s``. What leaks chills the gas that is left: of its pressure it takes as much more,
    going on evenly, as the leak does in ``chill_s``. Where ``warm`` holds that already it is not to come: so much of
    it as would have gone by then fades like ``warm`` does.
    """

    warm: Floats
    warm_sd: Floats
    tau_s: float
    chill_s: Floats


@dataclass(frozen=True, slots=True)
class Fit:
    """Decay of each record, arrays (records,): 1/s, positive for a fall; NaN where there are no samples.

    ``noise`` is that of the sensor in steps, NaN where it was not fitted.
    """

    rate: Floats
    lower: Floats
    upper: Floats
    noise: Floats


def fit_decay(
    cells: Cells,
    step_kpa: Floats,
    coolings: Sequence[Cooling],
    drift_sd: Floats,
    relative_sd: float,
    usual_rate: float = np.inf,
) -> Fit:
    """Fit each record.

    Parameters
    ----------
    cells : Cells
        Times from each record's own zero, s.
    step_kpa : array (records,)
        Step of the sensor, kPa.
    coolings : sequence of Cooling
        To the wall of the tank, and of the wall to what is around it.
    drift_sd : array (records,)
        Standard deviation of a steady change that is no leak (outside temperature), 1/s.
    relative_sd : float
        Standard deviation of the rate's scale (an offset of the sensor, the choice of reference).
    usual_rate : float
        Beforehand a rate is the less likely the greater it is, half as likely at this one as at 0, 1/s. It matters
        only where a record says little.

    Returns
    -------
    Fit
        95 % intervals.
    """
    n = step_kpa.size
    rate, half_low, half_high, noise = (np.full(n, np.nan) for _ in range(4))
    lowest, highest = _extremes(cells, n)
    levels = highest - lowest
    many = np.flatnonzero(levels >= 2)  # noqa: PLR2004 two borders crossed: a rate between them
    if many.size:
        part = _select(cells, many, n)
        est, sd, noise[many] = _newton(part, step_kpa[many], coolings, many)
        rate[many], half_low[many], half_high[many] = est, 1.96 * sd, 1.96 * sd
    few = np.flatnonzero(levels < 2)  # noqa: PLR2004 as above; NaN (no samples) is not less
    if few.size:
        part = _select(cells, few, n)
        rate[few], half_low[few], half_high[few] = _weigh(part, step_kpa[few], coolings, few, usual_rate)
    extra = 1.96 * np.hypot(drift_sd, relative_sd * np.nan_to_num(rate))
    return Fit(rate, rate - np.hypot(half_low, extra), rate + np.hypot(half_high, extra), noise)


def _extremes(cells: Cells, n: int) -> tuple[Floats, Floats]:
    lowest, highest = np.full(n, np.nan), np.full(n, np.nan)
    if cells.record.size:
        starts = np.flatnonzero(np.diff(cells.record, prepend=-1))
        lowest[cells.record[starts]] = np.minimum.reduceat(cells.level, starts)
        highest[cells.record[starts]] = np.maximum.reduceat(cells.level, starts)
    return lowest, highest


def _select(cells: Cells, records: Ints, n: int) -> Cells:
    """Keep the cells of some records, which are numbered anew."""
    to = np.full(n, -1)
    to[records] = np.arange(records.size)
    keep = to[cells.record] >= 0
    return Cells(to[cells.record[keep]], cells.t_s[keep], cells.level[keep], cells.count[keep])


def _slopes(above: Floats, below: Floats) -> tuple[Floats, Floats]:
    """Give how the logarithm of the chance of a step changes, per unit of noise and per log of noise.

    Parameters
    ----------
    above, below : array (cells,)
        From the pressure to the step's upper and lower border, in units of noise; both are overwritten.
    """
    # far from a cell its chance vanishes; there the slope of the log chance is that of the nearer border
    off = np.minimum(np.abs(above), np.abs(below)) - 6.0
    far = np.flatnonzero(off > 0.0)
    shift = off[far] * np.sign(above[far] + below[far])
    above[far] -= shift
    below[far] -= shift
    chance = np.maximum(ndtr(above) - ndtr(below), _TINY)
    at_above, at_below = (np.exp(-0.5 * z * z) / _SQRT_2PI for z in (above, below))
    return (at_below - at_above) / chance, (below * at_below - above * at_above) / chance


def _newton(cells: Cells, step_kpa: Floats, coolings: Sequence[Cooling], which: Ints) -> tuple[Floats, Floats, Floats]:
    """Fit level, rate, cooling and noise of each record by maximum (penalised) likelihood.

    Returns
    -------
    tuple of array (records,)
        Rate and its standard deviation, 1/s; noise in steps.
    """
    n = step_kpa.size
    starts = np.searchsorted(cells.record, np.arange(n))
    sizes = np.diff(starts, append=cells.record.size)

    def total(values: Floats) -> Floats:
        sums: Floats = np.add.reduceat(values, starts, axis=-1)
        return sums

    def each(values: Floats) -> Floats:  # of records, for their cells
        return np.repeat(values, sizes)

    weight = total(cells.count)
    fading = [np.exp(-cells.t_s / cooling.tau_s) for cooling in coolings]
    # for how long a leak that chills nothing would have to go on to lower pressure as much
    x = cells.t_s - sum(each(cooling.chill_s[which]) * left for cooling, left in zip(coolings, fading, strict=True))
    x -= each(total(cells.count * x) / weight)
    scale = np.sqrt(np.maximum(total(cells.count * x * x) / weight, 1.0))
    x /= each(scale)
    basis = np.stack([np.ones_like(x), x, *fading])
    n_bases = len(basis)
    upper = np.triu_indices(n_bases)
    products = basis[upper[0]] * basis[upper[1]]
    diagonal = np.arange(n_bases)
    known = np.zeros((n, n_bases))
    known[:, 2:] = np.stack([cooling.warm[which] for cooling in coolings], axis=1)
    precision = np.zeros((n, n_bases))
    precision[:, 2:] = np.stack([cooling.warm_sd[which] ** -2.0 for cooling in coolings], axis=1)
    steps_per_kpa = each(1.0 / step_kpa)
    y = np.log(cells.level / steps_per_kpa + ATMOSPHERE_KPA)
    y -= sum(each(known[:, k]) * basis[k] for k in range(2, n_bases))
    level = total(cells.count * y) / weight
    fitted = known.copy()
    fitted[:, 0], fitted[:, 1] = level, total(cells.count * x * (y - each(level))) / total(cells.count * x * x)
    border = cells.level + 0.5 + ATMOSPHERE_KPA * steps_per_kpa  # the step's upper one, from absolute zero
    log_noise = np.full(n, _NOISE_MEAN)
    hessian = np.zeros((n, n_bases, n_bases))
    for _ in range(_ROUNDS):
        per_noise = each(np.exp(-log_noise))
        for _ in range(_NEWTON):
            log_kpa = each(fitted[:, 0]) + sum(each(fitted[:, k]) * basis[k] for k in range(1, n_bases))
            steps = np.exp(log_kpa) * steps_per_kpa
            above = (border - steps) * per_noise
            first, spread = _slopes(above, above - per_noise)
            gain = steps * per_noise  # by how much a relative change of pressure moves it, in units of noise
            score = cells.count * gain * first
            bend = cells.count * gain * gain * np.maximum(first * first - spread, 1e-6)
            gradient = total(basis * score).T - (fitted - known) * precision
            hessian[:, upper[0], upper[1]] = hessian[:, upper[1], upper[0]] = total(products * bend).T
            hessian[:, diagonal, diagonal] *= 1.0 + 1e-9
            hessian[:, diagonal, diagonal] += precision
            move = np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0]
            # a step of Newton's is good for a few sensor steps; a longer one is shortened
            longest = np.abs(move[:, :2]).max(axis=1) * np.exp(fitted[:, 0]) / step_kpa
            fitted += move * np.minimum(1.0, 4.0 / np.maximum(longest, _TINY))[:, None]
        up = total(cells.count * spread) - (log_noise - _NOISE_MEAN) / _NOISE_SD**2
        # of a normal's squared deviation, which this is: its curvature is twice the mean absolute score; squares of
        # scores would be ruled by the few cells that lie far off while the noise is still taken too small
        curve = 2.0 * total(cells.count * np.abs(spread)) + 1.0 / _NOISE_SD**2
        log_noise = np.clip(log_noise + np.clip(up / curve, -0.7, 0.7), np.log(0.05), np.log(3.0))
    variance = np.linalg.inv(hessian)[:, 1, 1]
    return -fitted[:, 1] / scale, np.sqrt(variance) / scale, np.exp(log_noise)


_RATES, _PLACES, _NOISES = 24, 24, (0.06, 0.2, 0.5)
_REACH, _FINE = 4, 256  # of the table of chances: steps to either side, and its points a step


@cache
def _log_chances() -> Floats:
    """Give the logarithm of the chance of a level, by how far it lies from the pressure and by noise.

    The fourth column is empty: rows of a power of two bytes are looked up in one go, half again as fast as three.
    """
    off = np.arange(2 * _REACH * _FINE + 1) / _FINE - _REACH
    table = np.zeros((off.size, len(_NOISES) + 1))
    for k, noise in enumerate(_NOISES):
        table[:, k] = np.log(np.maximum(ndtr((off + 0.5) / noise) - ndtr((off - 0.5) / noise), _TINY))
    return table


def _weigh(
    cells: Cells, step_kpa: Floats, coolings: Sequence[Cooling], which: Ints, usual_rate: float
) -> tuple[Floats, Floats, Floats]:
    """Weigh the rates that records in one step, or across one border, allow; rates are 0 or more.

    Returns
    -------
    tuple of array (records,)
        Mean rate, and how far the 95 % interval reaches below and above it, 1/s; the interval begins at 0, less what
        cooling may hide, where the record does not rule out that nothing leaks. NaN where there is one sample only,
        which has no slope.
    """
    starts = np.searchsorted(cells.record, np.arange(step_kpa.size))
    ends = np.append(starts[1:], cells.record.size)
    n_cells = ends - starts
    n_samples = np.add.reduceat(cells.count, starts)
    begin, end = np.minimum.reduceat(cells.t_s, starts), np.maximum.reduceat(cells.t_s, starts)
    span = np.maximum(end - begin, 1.0)
    kpa = np.add.reduceat(cells.level * cells.count, starts) / n_samples * step_kpa + ATMOSPHERE_KPA
    per_log = kpa / step_kpa
    cooled = np.zeros(cells.t_s.size)
    fallen_s = cells.t_s.copy()  # for how long a leak that chills nothing would have to go on to lower pressure as much
    for cooling in coolings:
        left = np.exp(-cells.t_s / cooling.tau_s)
        cooled += np.repeat(cooling.warm[which], n_cells) * left
        fallen_s -= np.repeat(cooling.chill_s[which], n_cells) * left
    cooled *= np.repeat(per_log, n_cells)
    hides = np.maximum(cooled[ends - 1] - cooled[starts], 0.0)  # gas that warms up raises the pressure
    top = (2.6 + hides) / per_log / span  # one step and noise at either end
    cooled -= np.repeat(np.add.reduceat(cooled, starts) / n_cells, n_cells)
    low, high = np.minimum.reduceat(cells.level, starts), np.maximum.reduceat(cells.level, starts)
    middle_s = (np.minimum.reduceat(fallen_s, starts) + np.maximum.reduceat(fallen_s, starts)) / 2.0
    x = fallen_s - np.repeat(middle_s, n_cells)
    falls = ((np.arange(_RATES) + 0.5) / _RATES)[None, :] * (top * per_log)[:, None]
    # pressure half-way through, in steps; the record's levels bound it
    places = np.linspace(low - 1.1, high + 1.1, _PLACES, axis=1)
    off = cells.level - cooled
    weight = np.empty((step_kpa.size, _RATES))
    for i, (first, after) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        part = slice(first, after)
        weight[i] = _weights(off[part, None] + x[part, None] * falls[i], places[i], cells.count[part])
    weight /= 1.0 + falls / (usual_rate * per_log)[:, None]
    mean, lower, upper = _of_weights(weight)
    hidden = 1.96 * np.sqrt(
        sum(
            (cooling.warm_sd[which] * (np.exp(-begin / cooling.tau_s) - np.exp(-end / cooling.tau_s)) / span) ** 2
            for cooling in coolings
        )
    )
    mean = np.where(n_samples < 2, np.nan, mean * top)  # noqa: PLR2004 one has no slope
    return mean, np.hypot(mean - lower * top, hidden), np.hypot(upper * top - mean, hidden)


def _weights(off: Floats, places: Floats, count: Floats) -> Floats:
    """Give how likely one record is at each rate, whatever the place and the noise; the likeliest about 1.

    Parameters
    ----------
    off : array (cells, rates)
        Level of each cell less what the pressure has fallen by at each rate since half-way through, in steps.
    places : array (places,)
        Pressure half-way through, in steps.
    count : array (cells,)
        Samples of each cell.
    """
    # a few records' worth of these arrays stays in the processor's cache: much faster than all records at once
    at = ((off + _REACH) * _FINE)[:, None, :] - (places * _FINE)[None, :, None]
    point = at.astype(np.intp).reshape(count.size, -1)
    of_cells = _log_chances().take(point, axis=0, mode="clip").reshape(count.size, -1)
    log_chance = (count @ of_cells).reshape(_PLACES, off.shape[1], -1)[:, :, : len(_NOISES)]
    sums: Floats = np.exp(log_chance - log_chance.max()).sum(axis=(0, 2))
    return sums


def _of_weights(weight: Floats) -> tuple[Floats, Floats, Floats]:
    """Give mean, lower and upper end of the 95 % interval of the rates that ``weight`` weighs, in shares of the top.

    Parameters
    ----------
    weight : array (records, rates)
        Of rates evenly spread from 0 to the top.
    """
    rates = (np.arange(_RATES) + 0.5) / _RATES
    whole = weight.sum(axis=1)
    share = np.concatenate([np.zeros((len(weight), 1)), np.cumsum(weight, axis=1) / whole[:, None]], axis=1)
    reaches_0 = share[:, 1 + _RATES // 24] > 0.025  # noqa: PLR2004 what is left out on each side of a 95 % interval
    lower = np.where(reaches_0, 0.0, _quantile(share, 0.025))
    upper = np.where(reaches_0, _quantile(share, 0.95), _quantile(share, 0.975))
    return weight @ rates / whole, lower, upper


def _quantile(share: Floats, of: float) -> Floats:
    """Give, in shares of the top, the rate that ``of`` of the weight lies below; ``share`` lies below each edge."""
    each, edge = np.arange(len(share)), (share <= of).sum(axis=1) - 1
    before, behind = share[each, edge], share[each, edge + 1]
    rate: Floats = (edge + (of - before) / (behind - before)) / _RATES
    return rate
