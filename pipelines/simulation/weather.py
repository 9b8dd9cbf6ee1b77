"""Ambient temperature: a daily wave on a slowly wandering base. Solar load and rain are left out."""

from dataclasses import dataclass

import numpy as np

from pipelines.simulation.physics import Floats

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Climate:
    """Where a unit works: mean and swing of the day, C, the spread of its weather, and the local clock."""

    mean_c: float = 8.0
    swing_c: float = 5.0  # half of the difference between afternoon and dawn
    weather_c: float = 3.0  # standard deviation of the daily mean
    utc_offset_h: float = -6.0


class Weather:
    """The ambient temperature of one place over a number of days, reproducible from its generator."""

    def __init__(self, climate: Climate, days: int, rng: np.random.Generator) -> None:
        self._climate = climate
        means = np.empty(days + 3)
        level = 0.0
        for day in range(days + 3):
            level = 0.7 * level + rng.normal(0.0, climate.weather_c * 0.71)  # stationary, correlated over days
            means[day] = climate.mean_c + level
        self._noon_s = (np.arange(days + 3) - 0.5) * DAY_S
        self._means_c = means

    def ambient_c(self, t_s: Floats) -> Floats:
        """Ambient temperature, C, at ``t_s`` seconds after the first UTC midnight."""
        base: Floats = np.interp(t_s, self._noon_s, self._means_c)
        local_h = t_s / 3600.0 + self._climate.utc_offset_h
        return base + self._climate.swing_c * np.cos((local_h - 15.0) * (2.0 * np.pi / 24.0))  # warmest at 15:00
