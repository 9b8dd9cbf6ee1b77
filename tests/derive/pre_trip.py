"""Pre-trip leak tests of simulated tractors: brakes released, then the pedal held, and what each tank really lost."""

from dataclasses import replace

import numpy as np
import polars as pl

from airwatch.derive.leak import leak_readings
from pipelines.simulation import Chambers, Vehicle
from pipelines.simulation.parameters import PRIMARY, SECONDARY, Controls, Parameters
from pipelines.simulation.physics import ATMOSPHERE_KPA
from pipelines.simulation.system import AirSystems
from tests.derive.samples import T0, in_runs, samples

REFERENCE_KPA = 690.0
PUMP_S, IDLE_S = 120, 60
TRACTOR = Vehicle(
    name="K-1",
    fleet="north",
    kind="tractor",
    axles=3,
    supply_l=30.0,
    primary_l=34.0,
    secondary_l=34.0,
    rear=Chambers(4, 30),
    front=Chambers(2, 20),
)


def _drawn_tractor(rng: np.random.Generator) -> Vehicle:
    return replace(
        TRACTOR,
        primary_l=rng.uniform(28.0, 60.0),
        secondary_l=rng.uniform(28.0, 60.0),
        leak_primary_mm2=rng.choice([0.0, 0.001, rng.uniform(0.0, 0.15)]),
        leak_secondary_mm2=rng.choice([0.0, 0.001, rng.uniform(0.0, 0.15)]),
        leak_released_mm2=rng.choice([0.0003, rng.uniform(0.0, 0.1)]),
        leak_applied_mm2=rng.choice([0.001, rng.uniform(0.0, 0.2)]),
        gas_settle_s=rng.uniform(25.0, 60.0),
        wall_settle_s=rng.uniform(800.0, 1500.0),
    )


def pre_trips(n: int, seed: int, *, released_s: int, applied_s: int, spacing_s: int = 1) -> pl.DataFrame:
    """Play one test on each of ``n`` tractors; one row a tank and hold: ``true`` and the reading, in kPa/min.

    ``true`` is what the mass of the tank's air fell by from ``start`` to ``end`` of the reading, as settled air at
    690 kPa gauge would fall in pressure.
    """
    rng = np.random.default_rng(seed)
    air = AirSystems(
        Parameters.of([(_drawn_tractor(rng), None) for _ in range(n)]),
        np.full((4, n), 517.0 + ATMOSPHERE_KPA),
        np.full(n, 10.0),
    )
    stop, pedal = PUMP_S + IDLE_S, PUMP_S + IDLE_S + released_s
    t = np.arange(pedal + applied_s)
    rpm = np.where(t < PUMP_S, 2000.0, np.where(t < stop, 700.0, 0.0))
    pedal_kpa = np.where(t >= pedal, 620.0, 0.0)
    kpa, log_amount = np.empty((2, t.size, n)), np.empty((2, t.size, n))
    for second in t:
        one = np.ones(n)
        air.step(
            Controls(
                dt_s=one,
                engine_rpm=one * rpm[second],
                application_kpa=one * pedal_kpa[second],
                is_parked=np.full(n, second < PUMP_S + IDLE_S // 2),
                is_trailer_fed=np.zeros(n, dtype=bool),
                accessory_l_per_min=0.0 * one,
                drain_mm2=0.0 * one,
                ambient_c=10.0 * one,
            )
        )
        kpa[:, second] = air.gauge_kpa[[PRIMARY, SECONDARY]]
        log_amount[:, second] = np.log(air.amount[[PRIMARY, SECONDARY]])
    kept = slice(int(rng.integers(spacing_s)), None, spacing_s)
    frames = []
    for k in range(n):
        step, noise = rng.choice([4.0, 8.0]), rng.uniform(0.05, 0.6)
        seen = kpa[:, kept, k] + step * (
            rng.uniform(-1.0, 1.0, (2, 1)) + noise * rng.normal(size=kpa[:, kept, k].shape)
        )
        primary, secondary = np.round(seen / step) * step
        frames.append(
            samples(
                t[kept],
                unit=f"K-{k:05}",
                primary_kpa=primary,
                secondary_kpa=secondary,
                engine_rpm=rpm[kept],
                speed_kph=0,
                park_brake=(t[kept] < PUMP_S + IDLE_S // 2).astype(int),
                service_brake=(t[kept] >= pedal).astype(int),
            )
        )
    found = leak_readings(*in_runs(pl.concat(frames)))
    began, ended = ((found[name] - T0).dt.total_seconds().to_numpy() for name in ("start", "end"))
    unit = found["unit"].str.slice(2).cast(pl.Int64).to_numpy()
    tank = (found["circuit"] == "secondary").cast(pl.Int64).to_numpy()
    lost = log_amount[tank, began, unit] - log_amount[tank, ended, unit]
    return found.with_columns(true=pl.Series(lost / (ended - began) * 60.0 * (REFERENCE_KPA + ATMOSPHERE_KPA)))
