"""How warm the gas of a tank is over its wall: pumping warms it, air that is taken chills it.

Filling the brakes, or the springs when the parking brake is released, takes air at once. What stays behind expands
and cools, and for a minute or two warms up again on the tank's wall: pressure rises, or falls less than it leaks.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.holds import Holds
from airwatch.derive.tuning import Leak
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

GAMMA = 1.4  # ratio of specific heats of air; gas-dynamics handbooks
_BACK, _AHEAD = 256, 8  # samples looked at before and behind


@dataclass(frozen=True, slots=True)
class Warmth:
    """By how much of its absolute temperature gas is warmer than its wall, at the first sample used, arrays (records,).

    ``unseen`` is the share of it that what happened before the first sample of the run may have left; ``is_seen`` that
    samples tell of the time just before the hold.
    """

    share: Floats
    sd: Floats
    unseen: Floats
    is_seen: npt.NDArray[np.bool_]


def warmth(
    samples: pl.DataFrame, holds: Holds, which: Ints, tank: str, step_kpa: Floats, first_s: Floats, tuning: Leak
) -> Warmth:
    """Read the warmth of the gas where each record begins to be used.

    Gas that a tank gives or takes changes the temperature of what stays by (g - 1) d ln n, while it comes to its wall
    with ``gas_tau_s``. With ln p = ln n + ln T the warmth obeys w' = -w / (g tau) + (g - 1)/g (ln p)', which is
    (g - 1)/g times what ln p lies above its mean over the past, weighted by exp(-age / (g tau)).

    Parameters
    ----------
    samples : DataFrame
        All samples, which ``holds.first`` counts in.
    which, step_kpa, first_s : array (records,)
        Hold of each record, the step of its sensor, and the time of its first sample used.
    """
    tau_s = GAMMA * tuning.gas_tau_s
    run, t_us = samples["run"].to_numpy(), samples["t"].to_physical().to_numpy()
    kpa = samples[f"{tank}_kpa"].to_numpy()
    at_us = holds.start_us[which] + np.round(first_s * 1e6).astype(np.int64)
    rows = np.array(  # a record's first sample used is in the run of its hold, near its beginning
        [
            low + np.searchsorted(t_us[low:high], us)
            for low, high, us in zip(*_spans(holds, which, run), at_us, strict=True)
        ],
        dtype=np.int64,
    )
    near = np.clip(rows[:, None] + np.arange(-_BACK, _AHEAD), 0, len(samples) - 1)
    age_s = (at_us[:, None] - t_us[near]) / 1e6
    is_own = (run[near] == holds.run[which][:, None]) & ~np.isnan(kpa[near]) & (kpa[near] > 0.0)
    log = np.log(np.where(is_own, kpa[near], 0.0) + ATMOSPHERE_KPA)
    is_before = is_own & (age_s > first_s[:, None]) & (age_s <= first_s[:, None] + tuning.draw_s)
    is_now = is_own & (np.abs(age_s) <= tuning.warmth_averaged_s)
    n_now = np.maximum(is_now.sum(axis=1), 1)
    now = (log * is_now).sum(axis=1) / n_now
    left = np.exp(-np.maximum(age_s, 0.0) / tau_s)
    is_pair = is_own[:, 1:] & is_own[:, :-1]
    weight = np.where(is_pair, left[:, 1:] - left[:, :-1], 0.0)
    seen = weight.sum(axis=1)
    past = (weight * (log[:, 1:] + log[:, :-1])).sum(axis=1) / 2.0
    share = (GAMMA - 1.0) / GAMMA * (seen * now - past)
    noise = (GAMMA - 1.0) / GAMMA * tuning.warmth_noise_steps * step_kpa / np.exp(now) / np.sqrt(n_now)
    return Warmth(share, np.hypot(tuning.warmth_doubt * share, noise), 1.0 - seen, is_before.any(axis=1))


def _spans(holds: Holds, which: Ints, run: npt.NDArray[np.uint32]) -> tuple[Ints, npt.NDArray[np.intp]]:
    """Give the first row of each record's hold, and the end of its run."""
    return holds.first[which], np.searchsorted(run, holds.run[which], side="right")
