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
    of the record, cools with ``tau_s``.
    """

    warm: Floats
    warm_sd: Floats
    tau_s: float


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
    chill_s: Floats | None = None,
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
    chill_s : array (records,), optional
        What leaks chills the gas by up to the rate times so long. By time 0 of the record it already has where this is
        0; where it is not, so much of that is still to come, with the time constant of the first cooling.

    Returns
    -------
    Fit
        95 % intervals.
    """
    n = step_kpa.size
    rate, half_low, half_high, noise = (np.full(n, np.nan) for _ in range(4))
    fallen_s = cells.t_s.copy()  # for how long the leak would have to go on without chilling the gas
    if chill_s is not None:
        fallen_s -= chill_s[cells.record] * np.exp(-cells.t_s / coolings[0].tau_s)
    lowest, highest = _extremes(cells, n)
    levels = highest - lowest
    many = np.flatnonzero(levels >= 2)  # noqa: PLR2004 two borders crossed: a rate between them
    if many.size:
        part, fallen = _select(cells, fallen_s, many, n)
        est, sd, noise[many] = _newton(part, fallen, step_kpa[many], coolings, many)
        rate[many], half_low[many], half_high[many] = est, 1.96 * sd, 1.96 * sd
    for i in np.flatnonzero(levels < 2):  # noqa: PLR2004 as above; NaN (no samples) is not less
        part, fallen = _select(cells, fallen_s, np.array([i]), n)
        rate[i], half_low[i], half_high[i] = _weigh(part, fallen, float(step_kpa[i]), coolings, int(i))
    extra = 1.96 * np.hypot(drift_sd, relative_sd * np.nan_to_num(rate))
    return Fit(rate, rate - np.hypot(half_low, extra), rate + np.hypot(half_high, extra), noise)


def _extremes(cells: Cells, n: int) -> tuple[Floats, Floats]:
    lowest, highest = np.full(n, np.nan), np.full(n, np.nan)
    if cells.record.size:
        starts = np.flatnonzero(np.diff(cells.record, prepend=-1))
        lowest[cells.record[starts]] = np.minimum.reduceat(cells.level, starts)
        highest[cells.record[starts]] = np.maximum.reduceat(cells.level, starts)
    return lowest, highest


def _select(cells: Cells, fallen_s: Floats, records: Ints, n: int) -> tuple[Cells, Floats]:
    """Keep the cells of some records, which are numbered anew, and what belongs to them."""
    to = np.full(n, -1)
    to[records] = np.arange(records.size)
    if records.size == 1:  # cells are sorted: no need to look at all of them
        low, high = np.searchsorted(cells.record, [records[0], records[0] + 1])
        part = slice(int(low), int(high))
        record = np.zeros(int(high - low), dtype=np.int64)
        return Cells(record, cells.t_s[part], cells.level[part], cells.count[part]), fallen_s[part]
    keep = to[cells.record] >= 0
    return Cells(to[cells.record[keep]], cells.t_s[keep], cells.level[keep], cells.count[keep]), fallen_s[keep]


def _pdf(z: Floats) -> Floats:
    density: Floats = np.exp(-0.5 * z * z) / _SQRT_2PI
    return density


def _newton(
    cells: Cells, fallen_s: Floats, step_kpa: Floats, coolings: Sequence[Cooling], which: Ints
) -> tuple[Floats, Floats, Floats]:
    """Fit level, rate, cooling and noise of each record by maximum (penalised) likelihood.

    Returns
    -------
    tuple of array (records,)
        Rate and its standard deviation, 1/s; noise in steps.
    """
    n, of = step_kpa.size, cells.record
    starts = np.searchsorted(of, np.arange(n))

    def total(values: Floats) -> Floats:
        sums: Floats = np.add.reduceat(values, starts)
        return sums

    weight = total(cells.count)
    middle = total(cells.count * fallen_s) / weight
    x = fallen_s - middle[of]
    scale = np.sqrt(np.maximum(total(cells.count * x * x) / weight, 1.0))
    x /= scale[of]
    basis = [np.ones_like(x), x, *(np.exp(-cells.t_s / cooling.tau_s) for cooling in coolings)]
    n_bases = len(basis)
    known = np.zeros((n, n_bases))
    known[:, 2:] = np.stack([cooling.warm[which] for cooling in coolings], axis=1)
    precision = np.zeros((n, n_bases))
    precision[:, 2:] = np.stack([cooling.warm_sd[which] ** -2.0 for cooling in coolings], axis=1)
    y = np.log(cells.level * step_kpa[of] + ATMOSPHERE_KPA)
    y -= sum(known[of, k] * basis[k] for k in range(2, n_bases))
    level = total(cells.count * y) / weight
    slope = total(cells.count * x * (y - level[of])) / total(cells.count * x * x)
    fitted = known.copy()
    fitted[:, 0], fitted[:, 1] = level, slope
    log_noise = np.full(n, _NOISE_MEAN)
    hessian = np.zeros((n, n_bases, n_bases))
    for _ in range(_ROUNDS):
        noise = np.exp(log_noise)[of]
        for _ in range(_NEWTON):
            kpa = np.exp(sum(fitted[of, k] * basis[k] for k in range(n_bases)))
            gain = kpa / step_kpa[of]
            at = (kpa - ATMOSPHERE_KPA) / step_kpa[of]
            above, below = (cells.level + 0.5 - at) / noise, (cells.level - 0.5 - at) / noise
            # far from a cell its chance vanishes; there the slope of the log chance is that of the nearer border
            far = np.clip(np.minimum(np.abs(above), np.abs(below)) - 6.0, 0.0, None) * np.sign(above + below)
            above, below = above - far, below - far
            chance = np.maximum(ndtr(above) - ndtr(below), _TINY)
            pa, pb = _pdf(above), _pdf(below)
            first = (pb - pa) / chance
            score = cells.count * first / noise * gain
            second = np.maximum(first * first + (above * pa - below * pb) / chance, 1e-6)
            bend = cells.count * second / noise**2 * gain**2
            gradient = np.stack([total(score * b) for b in basis], axis=1)
            gradient -= (fitted - known) * precision
            for j in range(n_bases):
                for k in range(j, n_bases):
                    hessian[:, j, k] = hessian[:, k, j] = total(bend * basis[j] * basis[k])
            hessian[:, range(n_bases), range(n_bases)] *= 1.0 + 1e-9
            hessian[:, range(n_bases), range(n_bases)] += precision
            move = np.linalg.solve(hessian, gradient[:, :, None])[:, :, 0]
            # a step of Newton's is good for a few sensor steps; a longer one is shortened
            longest = np.abs(move[:, :2]).max(axis=1) * np.exp(fitted[:, 0]) / step_kpa
            fitted += move * np.minimum(1.0, 4.0 / np.maximum(longest, _TINY))[:, None]
        spread = (below * pb - above * pa) / chance
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
def _log_chances() -> tuple[Floats, ...]:
    """Give, for each noise, the logarithm of the chance of a level, by how far it lies from the pressure."""
    off = np.arange(2 * _REACH * _FINE + 1) / _FINE - _REACH
    chances = (ndtr((off + 0.5) / noise) - ndtr((off - 0.5) / noise) for noise in _NOISES)
    return tuple(np.log(np.maximum(chance, _TINY)) for chance in chances)


def _weigh(
    cells: Cells, fallen_s: Floats, step_kpa: float, coolings: Sequence[Cooling], which: int
) -> tuple[float, float, float]:
    """Weigh the rates that a record in one step, or across one border, allows; all rates from 0 on alike beforehand.

    Returns
    -------
    tuple of float
        Mean rate, and how far the 95 % interval reaches below and above it, 1/s; the interval begins at 0, less what
        cooling may hide, where the record does not rule out that nothing leaks.
    """
    if cells.count.sum() < 2:  # noqa: PLR2004 one sample has no slope
        return np.nan, np.nan, np.nan
    t = cells.t_s
    begin, end = float(t.min()), float(t.max())
    span = max(end - begin, 1.0)
    kpa = float(np.average(cells.level, weights=cells.count)) * step_kpa + ATMOSPHERE_KPA
    per_log = kpa / step_kpa
    cooled = sum(cooling.warm[which] * np.exp(-t / cooling.tau_s) * per_log for cooling in coolings)
    hides = max(float(cooled[-1] - cooled[0]), 0.0)  # gas that warms up raises the pressure
    top = (2.6 + hides) / per_log / span  # one step and noise at either end
    rates = (np.arange(_RATES) + 0.5) / _RATES * top
    cooled -= cooled.mean()
    # pressure half-way through, in steps; the record's levels bound it
    low, high = float(cells.level.min()), float(cells.level.max())
    places = np.linspace(low - 1.1, high + 1.1, _PLACES)
    x = fallen_s - (float(fallen_s.min()) + float(fallen_s.max())) / 2.0
    at = places[:, None, None] - rates[None, :, None] * x[None, None, :] * per_log + cooled
    place = np.clip((cells.level - at + _REACH) * _FINE, 0, 2 * _REACH * _FINE).astype(np.int32)
    log_chance = np.stack([table[place] @ cells.count for table in _log_chances()])
    weight = np.exp(log_chance - log_chance.max()).sum(axis=(0, 1))
    share = np.concatenate([[0.0], np.cumsum(weight) / weight.sum()])
    edges = np.arange(_RATES + 1) / _RATES * top
    mean = float((rates * weight).sum() / weight.sum())
    lower, upper = (float(edge) for edge in np.interp([0.025, 0.975], share, edges))
    if share[1 + _RATES // 24] > 0.025:  # noqa: PLR2004 what is left out on each side of a 95 % interval
        lower, upper = 0.0, float(np.interp(0.95, share, edges))
    hidden = 1.96 * float(
        np.sqrt(
            sum(
                (cooling.warm_sd[which] * (np.exp(-begin / cooling.tau_s) - np.exp(-end / cooling.tau_s)) / span) ** 2
                for cooling in coolings
            )
        )
    )
    return mean, float(np.hypot(mean - lower, hidden)), float(np.hypot(upper - mean, hidden))
