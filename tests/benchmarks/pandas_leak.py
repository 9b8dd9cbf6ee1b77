"""A plain version of the static leak in pandas, for comparison: a straight line through each settled hold."""

import numpy as np
import pandas as pd

from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

_SETTLE_S, _SHORTEST_S, _LEAST_KPA = 600.0, 300.0, 200.0
_TANKS = ("supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa")


def pandas_leak(samples: pd.DataFrame) -> list[tuple[int, str, float]]:
    """Give ``(run, tank, rate)`` of each hold, kPa/min at 690 kPa gauge: least squares, no interval.

    It does less than the program's own check: no account of rounding, of gas that cools or of silences.
    """
    quiet = ~samples["is_running"] & ~samples["is_moving"] & ~samples["is_braking"] & samples["is_parked"]
    stopped = samples["t"].where(samples["is_running"]).groupby(samples["run"]).ffill()
    settled = (samples["t"] - stopped).dt.total_seconds() >= _SETTLE_S
    held = samples[quiet & settled]
    rates = []
    for run, hold in held.groupby("run"):
        seconds = (hold["t"] - hold["t"].iloc[0]).dt.total_seconds()
        for tank in _TANKS:
            known = hold[tank].notna() & (hold[tank] >= _LEAST_KPA)
            if known.sum() > 2 and seconds[known].iloc[-1] - seconds[known].iloc[0] >= _SHORTEST_S:
                slope = np.polyfit(seconds[known], np.log(hold[tank][known] + ATMOSPHERE_KPA), 1)[0]
                rates.append((int(run), tank, -slope * 60.0 * (690.0 + ATMOSPHERE_KPA)))
    return rates
