"""Whatever tanks hold and whatever they are joined by: air and energy are neither made nor lost."""

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.simulation import Trailer
from pipelines.simulation.parameters import TRAILER
from pipelines.simulation.physics import ATMOSPHERE_KPA, GAMMA, levelling
from pipelines.simulation.system import WALL_J_PER_K_L, AirSystems
from tests.simulation.reference.tanks import CV, AirModel, Hole, Tank, settling

PRESSURES = st.lists(st.floats(ATMOSPHERE_KPA, 800.0), min_size=4, max_size=4)
TEMPERATURES = st.lists(st.floats(240.0, 340.0), min_size=4, max_size=4)
STEPS = st.lists(st.floats(0.0, 10.0), min_size=1, max_size=20)


def _closed(rigs: Any, pressures: list[float], kelvins: list[float], gas_settle_s: float, back_s: float) -> AirSystems:
    """Give four tanks without holes, whose walls keep their heat from the outside."""
    vehicle = rigs.tractor(
        **rigs.tight, gas_settle_s=gas_settle_s, wall_settle_s=1e15, back_primary_s=back_s, back_secondary_s=back_s
    )
    air: AirSystems = rigs.system(vehicle, 0.0, trailer=Trailer("W-1", "test", leak_mm2=0.0, spring_l=0.0))
    air.parameters.leak_applied_mm2[:] = 0.0
    air.is_loaded[:] = False
    air.pressure_kpa[:, 0] = pressures
    air.amount[:, 0] = air.pressure_kpa[:, 0] * air.parameters.volume_l[:, 0] / kelvins
    return air


def _joules(air: AirSystems) -> float:
    """Give the heat in gas and walls; 1 kPa L is 1 J."""
    volume = air.parameters.volume_l
    return float((air.pressure_kpa * volume).sum() / (GAMMA - 1.0) + (WALL_J_PER_K_L * volume * air.wall_k).sum())


@settings(deadline=None)
@given(
    pressures=PRESSURES,
    kelvins=TEMPERATURES,
    steps=STEPS,
    gas_settle_s=st.sampled_from([1e-3, 40.0, 1e12]),
    back_s=st.sampled_from([5.0, 120.0, np.inf]),
    is_fed=st.booleans(),
)
def test_simulator_keeps_air_and_energy(
    rigs: Any,
    pressures: list[float],
    kelvins: list[float],
    steps: list[float],
    gas_settle_s: float,
    back_s: float,
    is_fed: bool,  # noqa: FBT001
) -> None:
    air = _closed(rigs, pressures, kelvins, gas_settle_s, back_s)
    mass, joules = air.amount.sum(), _joules(air)
    for dt_s in steps:
        air.step(rigs.controls(dt_s, fed=is_fed))
        assert air.amount.sum() == pytest.approx(mass, rel=1e-9)
        assert _joules(air) == pytest.approx(joules, rel=1e-9)
        assert (air.amount > 0.0).all()


@settings(deadline=None)
@given(pressures=PRESSURES, kelvins=TEMPERATURES, steps=STEPS)
def test_air_flows_only_from_the_higher_pressure(
    rigs: Any, pressures: list[float], kelvins: list[float], steps: list[float]
) -> None:
    air = _closed(rigs, pressures, kelvins, 1e12, np.inf)
    for dt_s in steps:
        before = air.pressure_kpa.copy()
        air.step(rigs.controls(dt_s, fed=True))
        assert air.pressure_kpa.max() <= before.max() * (1.0 + 1e-9)
        assert air.pressure_kpa.min() >= before.min() * (1.0 - 1e-9)
        assert air.pressure_kpa[TRAILER, 0] >= before[TRAILER, 0] * (1.0 - 1e-9)  # nothing comes back from it


@settings(deadline=None)
@given(gauge_kpa=st.floats(0.0, 1000.0), area_mm2=st.floats(0.0, 60.0), dt_s=st.floats(0.01, 10.0))
def test_a_hole_lets_air_out_never_in_and_not_below_the_atmosphere(
    rigs: Any, gauge_kpa: float, area_mm2: float, dt_s: float
) -> None:
    air = rigs.lone_tank(22.0, gauge_kpa, area_mm2=area_mm2, gas_settle_s=1e12)
    for _ in range(5):
        before = air.amount.copy()
        air.step(rigs.controls(dt_s))
        assert (air.amount <= before * (1.0 + 1e-12)).all()
        assert air.pressure_kpa.min() >= ATMOSPHERE_KPA * (1.0 - 1e-9)


@settings(deadline=None)
@given(whole=st.floats(0.0, 1e5), rate=st.floats(0.0, 1e9))
def test_no_more_passes_than_levels_two_tanks_or_than_flows(whole: float, rate: float) -> None:
    passed = levelling(np.array([whole]), np.array([rate]))[0]
    assert 0.0 <= passed <= min(whole, rate) * (1.0 + 1e-9) + 1e-300


@settings(max_examples=25, deadline=None)
@given(
    pressures=st.lists(st.floats(120e3, 1.1e6), min_size=3, max_size=3),
    kelvins=st.lists(st.floats(250.0, 330.0), min_size=3, max_size=3),
    opening_pa=st.sampled_from([0.0, 4e3]),
)
def test_reference_keeps_air_and_energy(pressures: list[float], kelvins: list[float], opening_pa: float) -> None:
    tanks = [Tank(volume * 1e-3, settling(40.0), settling(12.0), 150.0 * volume) for volume in (30.0, 34.0, 94.0)]
    model = AirModel(tanks, [Hole(0, 1, 10e-6, opening_pa), Hole(1, 2, 5e-6, opening_pa), Hole(2, 0, 1e-6)])
    solved = model.run(60.0, pressures, kelvins, n=7)
    mass = solved.mass_kg.sum(axis=0)
    walls = np.array([tank.wall_j_per_k for tank in tanks])
    joules = (solved.mass_kg * CV * solved.gas_k).sum(axis=0) + walls @ solved.wall_k
    assert mass == pytest.approx(np.full(7, mass[0]), rel=1e-7)
    assert joules == pytest.approx(np.full(7, joules[0]), rel=1e-7)
