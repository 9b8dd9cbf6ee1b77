"""The fall between cut-out and cut-in without brake use, against a made decay and the simulator's truth."""

import math

import numpy as np
import polars as pl
import pytest

from airwatch.derive.leak_running import leak_running_readings
from airwatch.derive.runs import run_table
from airwatch.derive.turns import governor_turns
from tests.derive.samples import in_runs, rounded, samples
from tests.derive.truth import simulated

ATMOSPHERE = 101.325  # standard atmosphere, kPa
AT_100_PSI = 690.0 + ATMOSPHERE


def decaying(rate_kpa_per_min: float, *, step: float, noise: float, seed: int) -> pl.DataFrame:
    """Make cycles of choked decay with that rate at 690 kPa gauge: d ln(p) / dt is constant (gas dynamics)."""
    rng = np.random.default_rng(seed)
    per_s = rate_kpa_per_min / AT_100_PSI / 60
    fall_s = math.log((880 + ATMOSPHERE) / (752 + ATMOSPHERE)) / per_s
    fall = (880 + ATMOSPHERE) * np.exp(-per_s * np.arange(0, fall_s, 2.0)) - ATMOSPHERE
    rise = np.linspace(752, 880, 20, endpoint=False)
    kpa = np.concatenate([np.linspace(600, 880, 30, endpoint=False), *[fall, rise] * 4, fall])
    t = np.arange(kpa.size) * 2.0 + rng.uniform(0.0, 0.8, kpa.size)
    kept = rng.random(kpa.size) < 0.8
    primary, secondary = (rounded(kpa + rng.normal(0, noise * step, kpa.size), step) for _ in range(2))
    return samples(
        t[kept],
        primary_kpa=primary[kept],
        secondary_kpa=secondary[kept],
        engine_rpm=1200,
        speed_kph=60,
        park_brake=0,
        service_brake=(rng.random(kept.sum()) < 0.005).astype(int),
    )


@pytest.mark.parametrize("step", [8.0, 4.0])
@pytest.mark.parametrize("rate", [6.0, 15.0])
def test_a_made_decay_gives_its_rate_at_100_psi(rate: float, step: float) -> None:
    covered = []
    for seed in range(25):
        cut, runs = in_runs(decaying(rate, step=step, noise=0.2, seed=seed))
        found = leak_running_readings(cut, governor_turns(cut), runs)
        assert found["circuit"].to_list() == ["primary", "secondary"]
        assert ((found["value"] - rate).abs() < 0.15 * rate).all()
        covered += found.select(pl.lit(rate).is_between("lower", "upper")).to_series().to_list()
        assert ((found["upper"] - found["lower"]) < 6.0).all()
    assert np.mean(covered) >= 0.95


def test_simulated_tanks_are_covered_and_a_leak_stands_out() -> None:
    frame = simulated(8, 6, faulty="leak_primary")
    found = leak_running_readings(frame, governor_turns(frame), run_table(frame))
    leaking = found.filter(circuit="primary")
    healthy = simulated(5, 14)
    usual = leak_running_readings(healthy, governor_turns(healthy), run_table(healthy)).filter(circuit="primary")
    assert leaking["value"].median() > 12  # 18 to 32 kPa/min for supply and primary tank together
    assert usual["value"].median() < 3
    assert leaking["note"].str.contains("accessories").all()


def test_constant_braking_or_nothing_leaves_no_reading() -> None:
    frame = decaying(6.0, step=8.0, noise=0.2, seed=0)
    cut, runs = in_runs(frame.with_columns(service_brake=(pl.int_range(pl.len()) % 8 == 0).cast(pl.Int8)))
    assert leak_running_readings(cut, governor_turns(cut), runs).is_empty()
    for empty in (cut.clear(), cut.with_columns(is_running=pl.lit(value=False))):
        assert leak_running_readings(empty, governor_turns(empty), runs).is_empty()
