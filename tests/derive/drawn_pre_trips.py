"""Short holds drawn at random, one after the other as a driver's test has them, and the leak that each reading has.

Tanks are those of `tests.derive.tank_gas`; nothing is taken from the program or its simulator.
"""

import numpy as np
import polars as pl

from airwatch.derive.leak import leak_readings
from tests.derive.samples import T0, in_runs, samples
from tests.derive.tank_gas import Floats, Tanks, solve

ATMOSPHERE_KPA = 101.325
REFERENCE_KPA = 690.0
PSI_KPA = 6.894757  # NIST SP 811 (2008), appendix B.8
SCHEMA = ("unit", "rested_s", "step_kpa", "noise_steps", "spacing_s", "celsius")


def _lengths(rng: np.random.Generator, n: int) -> Floats:
    """Give the length of holds: a minute, as the driver manuals have it, or up to ten."""
    return np.where(rng.random(n) < 0.4, 60.0, np.round(60.0 * 10.0 ** rng.random(n)))


def _leaks(rng: np.random.Generator, n: int, most_kpa_per_min: float) -> Floats:
    """Give leaks, 1/s: none, up to a tenth of the most, or up to the most."""
    shares = rng.random(n) * rng.choice([0.0, 0.1, 1.0], n, p=[0.3, 0.4, 0.3])
    return shares * most_kpa_per_min / 60.0 / (REFERENCE_KPA + ATMOSPHERE_KPA)


def drawn_pre_trips(n: int, seed: int) -> pl.DataFrame:
    """Play a test on each of ``n`` tanks, which vary in all there is, and measure it; one row a reading.

    A pump-up, a rest with the engine on, the engine stops, and the tank is held parked, released and with the pedal on.
    ``true`` is what the amount of air fell by from ``start`` to ``end`` of the reading, as settled air at 690 kPa
    gauge would fall in pressure, kPa/min; ``hold_s`` how long the hold lasts, ``rested_s`` the time from pumping to
    the engine's stop.
    """
    rng = np.random.default_rng(seed)
    pump_s, rested_s = (
        np.round(rng.uniform(15.0, 150.0, n)),
        np.round(np.exp(rng.uniform(np.log(5.0), np.log(900.0), n))),
    )
    parked_s, released_s, applied_s = (_lengths(rng, n) for _ in range(3))
    stop_s = pump_s + rested_s
    release_s = stop_s + parked_s
    pedal_s = release_s + released_s
    end_s = pedal_s + applied_s
    end_kpa, pumped = rng.uniform(720.0, 900.0, n) + ATMOSPHERE_KPA, rng.uniform(0.05, 0.8, n)
    celsius = rng.uniform(-20.0, 40.0, n)
    tanks = Tanks(
        start_kpa=end_kpa / (1.0 + pumped),
        outside_k=celsius + 273.15,
        wall_k=rng.uniform(0.0, 8.0, n),
        outside_k_per_s=rng.uniform(-2.0, 2.0, n) / 3600.0,
        still_s=rng.uniform(25.0, 60.0, n),
        stirred_s=rng.uniform(10.0, 25.0, n),
        wall_s=rng.uniform(700.0, 1800.0, n),
        wall_per_gas=rng.uniform(12.0, 30.0, n),
        pump_s=pump_s,
        pumped=pumped,
        inlet_k=rng.uniform(0.0, 20.0, n),
        release_s=release_s,
        released=rng.uniform(0.0, 0.05, n),
        pedal_s=pedal_s,
        applied=rng.uniform(0.02, 0.10, n),
        leaks_per_s=np.stack([_leaks(rng, n, most) for most in (20.0, 20.0, 30.0)]),
    )
    t, kpa, amount = solve(tanks, float(end_s.max()) + 1.0)
    told, frames, times, amounts = [], [], [], []
    shortest = np.minimum(np.minimum(parked_s, released_s), applied_s)
    for k in range(n):
        step, noise = float(rng.choice([4.0, 8.0])), float(rng.uniform(0.05, 0.6))
        spacing = float(rng.choice([1.0, 2.0, 5.0] if shortest[k] < 120.0 else [1.0, 2.0, 5.0, 10.0]))
        at = np.cumsum(rng.uniform(0.9, 1.1, int(end_s[k] / spacing)) * spacing)
        at = at[(at < end_s[k]) & (rng.random(at.size) > 0.02)]  # some samples are lost
        seen = np.interp(at, t, kpa[:, k]) - ATMOSPHERE_KPA
        seen += step * (rng.uniform(-1.0, 1.0) + rng.normal(0.0, noise, at.size))
        frames.append(
            samples(
                at,
                unit=f"K-{k:05}",
                primary_kpa=np.round(seen / step) * step,
                engine_rpm=np.where(at < pump_s[k], 1800.0, np.where(at < stop_s[k], 700.0, 0.0)),
                speed_kph=0,
                park_brake=(at < release_s[k]).astype(int),
                service_brake=(at >= pedal_s[k]).astype(int),
            )
        )
        told.append((f"K-{k:05}", float(rested_s[k]), step, noise, spacing, float(celsius[k])))
        times.append((parked_s[k], released_s[k], applied_s[k]))
        amounts.append(np.log(amount[:, k]))
    found = leak_readings(*in_runs(pl.concat(frames))).join(
        pl.DataFrame(told, schema=SCHEMA, orient="row"), on="unit", how="left", maintain_order="left"
    )
    began, ended = ((found[name] - T0).dt.total_microseconds().to_numpy() / 1e6 for name in ("start", "end"))
    units = found["unit"].str.slice(2).cast(pl.Int64).to_list()
    states = found["check"].replace_strict({"leak_static": 0, "leak_released": 1, "leak_applied": 2}).to_list()
    lost = [
        np.interp(a, t, amounts[k]) - np.interp(b, t, amounts[k]) for k, a, b in zip(units, began, ended, strict=True)
    ]
    return found.with_columns(
        true=pl.Series(np.array(lost) / (ended - began) * 60.0 * (REFERENCE_KPA + ATMOSPHERE_KPA)),
        hold_s=pl.Series([float(times[k][s]) for k, s in zip(units, states, strict=True)]),
    )
