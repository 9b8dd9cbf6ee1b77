"""Air taken from a tank just as a hold begins, and how cold that leaves the gas.

Filling the brakes, or the springs when the parking brake is released, takes air at once. What stays behind expands
and cools, and for a minute or two warms up again on the tank's wall: pressure rises, or falls less than it leaks.
"""

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.holds import Holds
from airwatch.derive.tuning import Leak
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_PER_LOG = 2.0 / 7.0  # of an adiabatic change, d ln T = (g - 1)/g d ln p, g = 1.4 for air; gas-dynamics handbooks
_NEAR = 16  # samples looked at to either side


def chill(samples: pl.DataFrame, holds: Holds, which: Ints, tank: str, step_kpa: Floats, tuning: Leak) -> Floats:
    """Give by how much of its absolute temperature the gas is colder than before each hold, 0 or more.

    Taken from the fall from the median pressure in the ``draw_s`` before the hold to the lowest in as long after its
    beginning; a fall of less than ``draw_steps`` is none. NaN where nothing is known of the time before.

    Parameters
    ----------
    samples : DataFrame
        All samples, which ``holds.first`` counts in.
    which, step_kpa : array (records,)
        Hold of each record, and the step of its sensor.
    """
    first = holds.first[which]
    rows = np.clip(first[:, None] + np.arange(-_NEAR, _NEAR), 0, len(samples) - 1)
    flat = rows.ravel()
    near = samples.select("run", "t", f"{tank}_kpa")[flat]
    kpa = near[f"{tank}_kpa"].to_numpy().reshape(rows.shape)
    after_s = (near["t"].to_physical().to_numpy().reshape(rows.shape) - holds.start_us[which][:, None]) / 1e6
    is_own = (near["run"].to_numpy().reshape(rows.shape) == holds.run[which][:, None]) & ~np.isnan(kpa)
    is_before = is_own & (after_s < 0.0) & (after_s >= -tuning.draw_s)
    is_after = is_own & (after_s >= 0.0) & (after_s <= tuning.draw_s)
    middle = np.maximum(is_before.sum(axis=1) - 1, 0) // 2
    high = np.sort(np.where(is_before, kpa, np.inf), axis=1)[np.arange(first.size), middle]
    low = np.where(is_after, kpa, np.inf).min(axis=1)
    is_known = is_before.any(axis=1) & is_after.any(axis=1)
    is_draw = is_known & (high - low >= tuning.draw_steps * step_kpa)
    high, low = np.where(is_draw, high, 1.0), np.where(is_draw, low, 1.0)
    cold: Floats = _PER_LOG * np.log((high + ATMOSPHERE_KPA) / (low + ATMOSPHERE_KPA))
    return np.where(is_known, cold, np.nan)
