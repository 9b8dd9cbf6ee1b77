"""How warm the gas of a tank is over its wall: pumping warms it, air that is taken chills it.

Filling the brakes, or the springs when the parking brake is released, takes air at once. What stays behind expands
and cools, and for a minute or two warms up again on the tank's wall: pressure rises, or falls less than it leaks. After
a pump-up it cools, and pressure falls without a leak.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from airwatch.derive.tuning import Leak
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

GAMMA = 1.4  # ratio of specific heats of air; gas-dynamics handbooks
_TAUS = 4.0  # what is older than so many time constants is forgotten but for 2 %
_SLOWER, _WEIGHTS = 1.5, (4 / 6, 1 / 6, 1 / 6)  # three-point Gauss-Hermite: e to the root of 3 times 0.23
_BACK = np.unique(np.round(np.geomspace(1.0, 7200.0, 48)).astype(np.int64) - 1)  # samples before the first one used
_NEAR = 4  # samples to either side, over which a rise is told from rounding
_AHEAD = 8  # samples that are averaged with the first one used, at most


@dataclass(frozen=True, slots=True)
class Warmth:
    """By how much of its absolute temperature gas is warmer than its wall, at the first sample used, arrays (records,).

    ``wall`` is by how much the wall is warmer for what the gas gave it since the run began. ``unseen`` is the share of
    the gas' warmth that what happened before the first sample of the run may have left; ``is_seen`` that samples tell
    of the time just before the hold.
    """

    share: Floats
    sd: Floats
    wall: Floats
    unseen: Floats
    is_seen: npt.NDArray[np.bool_]


def warmth(
    t_us: Ints,
    kpa: Floats,
    run_first: Ints,
    first: Ints,
    first_s: Floats,
    off_s: Floats,
    lasts_s: Floats,
    step_kpa: Floats,
    tuning: Leak,
) -> Warmth:
    """Read the warmth of the gas where each record begins to be used.

    Gas that a tank gives or takes changes the temperature of what stays by (g - 1) d ln n, while it comes to its wall
    with ``gas_tau_s``. With ln p = ln n + ln T the warmth obeys w' = -w / (g tau) + (g - 1)/g (ln p)', which is
    (g - 1)/g times what ln p lies above its mean over the past, weighted by exp(-age / (g tau)). While air is pumped in
    it stirs the gas, which then comes to its wall sooner, with ``gas_stirred_s``. What goes into the
    wall, (g - 1) d ln n - dw, warms it by as much over its ``heat_of_wall``, and leaves it with ``wall_tau_s``.

    Parameters
    ----------
    t_us, kpa : array (samples,)
        Times and pressures of all samples, NaN where not sent; times rise within a run.
    run_first, first : array (records,)
        Row of the first sample of each record's run, and of the first one that the record uses.
    first_s : array (records,)
        Time of that sample since the hold began.
    off_s : array (records,)
        For how long the engine had been off then, at least.
    lasts_s : array (records,)
        From that sample to the last one used.
    step_kpa : array (records,)
        Step of the sensor.

    References
    ----------
    Mass and energy of a control volume that gives or takes an ideal gas: thermodynamics textbooks.
    """
    tau_s = GAMMA * tuning.gas_tau_s
    at_us = t_us[first]
    begin = np.maximum(_first_after(t_us, run_first, first, at_us - int(_TAUS * tau_s * 1e6)), run_first)
    end = np.minimum(first + _AHEAD, t_us.size)
    sizes = end - begin
    of = np.repeat(np.arange(first.size), sizes)
    row: Ints = np.arange(of.size) + np.repeat(begin - (np.cumsum(sizes) - sizes), sizes)
    log = np.log(np.maximum(kpa[row], 0.0) + ATMOSPHERE_KPA)
    is_sent = ~np.isnan(log)
    of, row, log = of[is_sent], row[is_sent], log[is_sent]
    age_s = (at_us[of] - t_us[row]) / 1e6

    def total(values: Floats) -> Floats:
        sums = np.bincount(of, values, minlength=first.size)
        return sums.astype(np.float64)

    # what lies ahead is the record's own unless it ends there, and records are longer than this
    is_now = np.abs(age_s) <= tuning.warmth_averaged_s
    n_now = total(is_now.astype(float))
    now = total(log * is_now) / n_now
    is_filling = np.zeros(of.size, dtype=bool)
    rise = kpa[row[2 * _NEAR :]] - kpa[row[: -2 * _NEAR]]
    is_filling[_NEAR:-_NEAR] = rise >= tuning.stirred_steps * step_kpa[of[_NEAR:-_NEAR]]
    is_filling[_NEAR:-_NEAR] &= of[2 * _NEAR :] == of[: -2 * _NEAR]  # nothing of another record
    is_filling &= age_s > off_s[of]
    between_s = np.where(of[1:] == of[:-1], np.maximum(age_s[:-1], 0.0) - np.maximum(age_s[1:], 0.0), 0.0)
    still_s, stirred_s = (np.append(0.0, np.cumsum(between_s * is_so)) for is_so in (~is_filling[1:], is_filling[1:]))
    # a run that begins with the engine's start was at rest before; of one that does not, the past is not known
    is_start = (at_us - t_us[run_first]) / 1e6 - off_s >= tuning.start_seen_s
    begins, last = (np.searchsorted(of, np.arange(first.size), side=side) for side in ("left", "right"))
    last -= 1
    still_s, stirred_s = still_s - still_s[last][of], stirred_s - stirred_s[last][of]
    middle = np.append((log[1:] + log[:-1]) / 2.0, 0.0)  # of each sample and the next

    def at_end(gas_tau_s: float) -> tuple[Floats, Floats]:  # warmth, and how much of the past is seen
        left = np.exp(still_s / (GAMMA * gas_tau_s) + stirred_s / (GAMMA * tuning.gas_stirred_s))
        weight = np.append(left[1:] - left[:-1], 0.0)
        weight[last] = 0.0
        seen, past = total(weight), total(weight * middle)
        return per_log * (now - past - (1.0 - seen) * np.where(is_start, log[begins], now)), seen

    per_log = (GAMMA - 1.0) / GAMMA
    share, seen = at_end(tuning.gas_tau_s)
    unseen = np.where(is_start, 0.0, 1.0 - seen)
    whole = -np.expm1(-lasts_s / tuning.gas_tau_s)
    goes = [share]
    for times in (_SLOWER, 1.0 / _SLOWER):
        tau_s = tuning.gas_tau_s * times
        goes.append(at_end(tau_s)[0] * -np.expm1(-lasts_s / tau_s) / whole)
    mean: Floats = np.average(goes, axis=0, weights=_WEIGHTS)
    tau_sd = np.sqrt(np.average((np.array(goes) - mean) ** 2, axis=0, weights=_WEIGHTS))
    noise = per_log * tuning.warmth_noise_steps * step_kpa / np.exp(now) / np.sqrt(n_now)
    sd: Floats = np.sqrt((tuning.warmth_doubt * share) ** 2 + tau_sd**2 + noise**2)
    before_s = age_s - first_s[of]
    is_before = (before_s > 0.0) & (before_s <= tuning.draw_s)
    wall = (GAMMA - 1.0) * _above_past(t_us, kpa, run_first, first, now - share, tuning.wall_tau_s) - share
    return Warmth(mean, sd, wall / tuning.heat_of_wall, unseen, total(is_before.astype(float)) > 0)


def _above_past(t_us: Ints, kpa: Floats, run_first: Ints, first: Ints, now: Floats, tau_s: float) -> Floats:
    """Give by how much ``now`` lies above the mean of ln p over the past, weighted by exp(-age / tau_s).

    Before the run it is taken to have been as it was then. So slow a mean needs few samples: they are taken the
    further apart the longer ago.
    """
    rows = np.maximum(first[:, None] - _BACK, run_first[:, None])
    log = np.log(np.maximum(kpa[rows], 0.0) + ATMOSPHERE_KPA)
    left = np.exp((t_us[rows] - t_us[first][:, None]) / (tau_s * 1e6))
    # the mean of the two ends of each span, and the first value for all before; a row that comes twice has no span
    half_span = (left[:, :-1] - left[:, 1:]) / 2.0
    weight = np.zeros_like(left)
    weight[:, :-1] += half_span
    weight[:, 1:] += half_span
    weight[:, -1] += left[:, -1]
    above: Floats = np.nansum(weight * (now[:, None] - log), axis=1)
    return above


def _first_after(t_us: Ints, low: Ints, high: Ints, at_us: Ints) -> Ints:
    """Give the first row from ``low`` to ``high`` that is not before ``at_us``, for each of many; times rise between.

    Searches backwards from ``high`` in strides that double, then halves: what is sought is near.
    """
    stride = np.ones_like(high)
    lower = np.maximum(high - stride, low)
    while (is_far := (lower > low) & (t_us[lower] >= at_us)).any():
        stride[is_far] *= 2
        lower = np.maximum(high - stride, low)
    upper: Ints = high.copy()
    while (is_open := lower < upper).any():
        middle = (lower + upper) // 2
        is_late = t_us[middle] >= at_us
        upper = np.where(is_open & is_late, middle, upper)
        lower = np.where(is_open & ~is_late, middle + 1, lower)
    found: Ints = lower
    return found
