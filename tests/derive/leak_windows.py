"""Holds drawn at random, with the leak that each has: what the readings of `airwatch.derive.leak` are held against.

A generator of its own: tank, gas, wall and weather as differential equations, none of it taken from the program.
"""

from dataclasses import dataclass

import numpy as np
import polars as pl
from scipy.integrate import solve_ivp

from airwatch.derive.leak import leak_readings
from tests.derive.samples import in_runs, samples

ATMOSPHERE_KPA = 101.325
REFERENCE_KPA = 690.0
GAMMA = 1.4  # ratio of specific heats of air


@dataclass(frozen=True)
class Drawn:
    """One hold: ``rate`` is the leak in kPa/min at 690 kPa gauge."""

    rate: float
    minutes: float
    step_kpa: float
    noise_steps: float
    spacing_s: float
    is_weather_sent: bool
    frame: pl.DataFrame


def draw(rng: np.random.Generator, unit: str) -> Drawn:
    """Draw a hold: 2 min to 12 h, 1 to 10 s apart, 4 or 8 kPa steps, noise, gaps, cooling and weather."""
    minutes = float(np.exp(rng.uniform(np.log(2.0), np.log(720.0))))
    rate = float(rng.choice([0.0, rng.uniform(0.0, 3.0), rng.uniform(0.0, 40.0)], p=[0.15, 0.45, 0.4]))
    rate = min(rate, 500.0 / minutes)  # so that air is left
    step = float(rng.choice([4.0, 8.0]))
    noise = float(rng.uniform(0.05, 0.6))
    spacing = float(rng.choice([1.0, 2.0, 5.0, 10.0])) if minutes < 60 else 10.0
    t = np.cumsum(rng.uniform(0.9, 1.1, int(minutes * 60 / spacing)) * spacing)
    t = np.concatenate([[0.0], t])
    kpa, ambient = _pressure(rng, t, rate)
    kept = np.ones(t.size, dtype=bool)
    if rng.random() < 0.3 and t.size > 60:
        begin = rng.integers(10, t.size - 20)
        kept[begin : begin + rng.integers(5, max(6, t.size // 4))] = False
        kept[-1] = True
    kpa = kpa + rng.uniform(-1.0, 1.0) * step + rng.normal(0.0, noise * step, t.size)
    is_sent = bool(rng.random() < 0.5)
    frame = samples(
        t[kept],
        unit=unit,
        primary_kpa=np.round(kpa[kept] / step) * step,
        engine_rpm=np.where(t[kept] == 0, 650, 0),
        speed_kph=0,
        park_brake=1,
        service_brake=0,
        ambient_c=np.round(ambient[kept] * 2) / 2 if is_sent else None,
    )
    return Drawn(rate, minutes, step, noise, spacing, is_sent, frame)


def _pressure(rng: np.random.Generator, t: np.ndarray, rate: float) -> tuple[np.ndarray, np.ndarray]:
    """Solve a tank that leaks, gas cooling to its wall and the wall to the weather; give gauge kPa and the air in C."""
    gas_s, wall_s = rng.uniform(25.0, 60.0), rng.uniform(700.0, 1800.0)
    wall_per_gas = rng.uniform(12.0, 30.0)  # heat capacity of the wall over that of the gas as the hold begins
    wall_warm, gas_warm = rng.uniform(0.0, 8.0), rng.uniform(0.0, 10.0)
    mean_c, swing, phase = rng.uniform(-10.0, 30.0), rng.uniform(0.0, 6.0), rng.uniform(0.0, 2 * np.pi)

    def outside(at: np.ndarray | float) -> np.ndarray:
        return mean_c + 273.15 + swing * np.sin(2 * np.pi * np.asarray(at) / 86400.0 + phase)

    per_s = rate / 60.0 / (REFERENCE_KPA + ATMOSPHERE_KPA)

    def change(at: float, state: np.ndarray) -> list[float]:
        log, gas, wall = state
        to_wall = (gas - wall) / gas_s
        # what leaks leaves with its enthalpy, and what stays expands
        cools = -to_wall - (GAMMA - 1.0) * per_s * gas
        return [-per_s, cools, np.exp(log) * to_wall / wall_per_gas + (float(outside(at)) - wall) / wall_s]

    # the compressor rested for some time: the gas is as cold by the leak as it stays; the wall, which is slow, is not,
    # since what the compressor had filled up warmed it as much
    wall = float(outside(0.0)) + wall_warm
    begin = [0.0, (wall + gas_warm) / (1.0 + (GAMMA - 1.0) * per_s * gas_s), wall]
    solved = solve_ivp(change, (0.0, float(t[-1])), begin, t_eval=t, rtol=1e-8, atol=1e-8, method="LSODA")
    log_mass, gas, _ = solved.y
    start = rng.uniform(720.0, 900.0) + ATMOSPHERE_KPA
    return start * np.exp(log_mass) * gas / gas[0] - ATMOSPHERE_KPA, outside(t) - 273.15


def drawn_holds(n: int, seed: int) -> pl.DataFrame:
    """Draw holds and measure them; one row a hold: what was drawn, and ``value, lower, upper`` in kPa/min."""
    rng = np.random.default_rng(seed)
    holds = [draw(rng, f"K-{k:05}") for k in range(n)]
    cut, runs = in_runs(pl.concat([hold.frame for hold in holds]))
    readings = leak_readings(cut, runs).select("unit", "value", "lower", "upper", "start", "end")
    told = pl.DataFrame(
        [(f"K-{k:05}", h.rate, h.minutes, h.step_kpa, h.noise_steps, h.spacing_s) for k, h in enumerate(holds)],
        schema=["unit", "rate", "minutes", "step_kpa", "noise_steps", "spacing_s"],
        orient="row",
    )
    return told.join(readings, on="unit", how="left", maintain_order="left")
