"""What the compressor delivers, at any speed and back-pressure."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from pipelines.simulation.parameters import SUPPLY, TRAILER
from pipelines.simulation.physics import ATMOSPHERE_KPA, GAMMA, KELVIN, PSI_KPA, volumetric_efficiency
from pipelines.simulation.system import HOT_AIR_K
from tests.simulation.reference.tanks import ATMOSPHERE_PA, Compressor

CUBIC_FOOT_L = 28.316846592  # exact; NIST SP 811
LITRES_PER_MIN = 14.5 * CUBIC_FOOT_L  # 14.5 cfm of free air, the least that MIL-T-62276C asks of a truck


def _delivering(vehicle: Any, litres_per_min: float, rpm: float) -> Any:
    """Give the vehicle a compressor without losses that delivers free air at a rate."""
    return replace(vehicle, compressor_cc=litres_per_min / rpm * 1e3, clearance=0.0, basic_efficiency=1.0)


def test_98_litres_from_85_to_100_psi_take_14_5_cfm_about_as_many_seconds(rigs: Any) -> None:
    # Ideal gas at one temperature: 98 L * 15 psi / 14.696 psi = 100 L = 3.53 cubic feet, at 14.5 cfm 14.6 s. Pumped at
    # a hundredth of that rate, so that the heat has time to leave.
    slower = 100.0
    settled = rigs.tractor(**rigs.tight, wall_settle_s=1e-6, supply_warm_k=0.0, service_warm_k=0.0)
    air = rigs.system(_delivering(settled, LITRES_PER_MIN / slower, 600.0), 85.0 * PSI_KPA)
    ambient_k, mass = 20.0 + KELVIN, air.amount[:TRAILER].sum()
    seconds, litres = 0.0, 0.0
    while litres < 3.5 * CUBIC_FOOT_L:
        air.step(rigs.controls(1.0, rpm=600.0))
        seconds += 1.0
        litres = (air.amount[:TRAILER].sum() - mass) * ambient_k / ATMOSPHERE_KPA
    assert seconds / slower == pytest.approx(3.5 / 14.5 * 60.0, abs=0.02)
    level_kpa = air.pressure_kpa[:TRAILER, 0] @ air.parameters.volume_l[:TRAILER, 0] / 98.0 - ATMOSPHERE_KPA
    assert level_kpa / PSI_KPA == pytest.approx(100.0, abs=0.25)


@pytest.mark.parametrize("rpm", [600.0, 1250.0, 2000.0])
@pytest.mark.parametrize("gauge_kpa", [0.0, 350.0, 800.0])
def test_one_step_delivers_what_the_indicator_diagram_says(rigs: Any, rpm: float, gauge_kpa: float) -> None:
    # Textbook: clearance air at p expands by p V^n = const, n = 1.3, before the inlet opens; mass goes with speed.
    vehicle = rigs.tractor(**rigs.tight)
    air = rigs.system(vehicle, gauge_kpa)
    before = air.amount[:TRAILER].sum()
    air.step(rigs.controls(0.01, rpm=rpm))
    reference = Compressor(
        SUPPLY, vehicle.compressor_cc * 1e-6 * rpm / 60.0, vehicle.clearance, vehicle.basic_efficiency, 293.15, 323.15
    )
    kg_per_s = (air.amount[:TRAILER].sum() - before) / 0.01 / 287.05
    assert kg_per_s == pytest.approx(reference.kg_per_s(ATMOSPHERE_PA + gauge_kpa * 1e3), rel=1e-3)


def test_delivery_falls_with_back_pressure_to_nothing() -> None:
    # By hand: clearance 0.1 fills the cylinder again at (1.1/0.1)^1.3 = 22.6 atmospheres.
    ratio = np.array([1.0, 4.0, 9.0, 22.0, 23.0, 40.0])
    efficiency = volumetric_efficiency(ratio * ATMOSPHERE_KPA, np.array([0.1]), np.array([0.7]))
    assert efficiency == pytest.approx([0.7, 0.7 * (1.1 - 0.1 * 4.0 ** (1 / 1.3)), *efficiency[2:4], 0.0, 0.0])
    assert (np.diff(efficiency[:5]) < 0.0).all()
    assert efficiency[3] > 0.0


def test_a_stopped_or_unloaded_compressor_delivers_nothing(rigs: Any) -> None:
    for rpm, is_loaded in ((0.0, True), (1500.0, False)):
        air = rigs.system(rigs.tractor(**rigs.tight), 850.0)
        air.is_loaded[:] = is_loaded
        before = air.amount.sum()
        air.step(rigs.controls(1.0, rpm=rpm))
        assert air.amount.sum() == pytest.approx(before, rel=1e-12)


def test_the_air_it_delivers_brings_its_heat(rigs: Any) -> None:
    # First law, no walls: U = p V / (g - 1) grows by the enthalpy g/(g-1) T of each amount that came.
    air = rigs.system(rigs.tractor(**rigs.tight, gas_settle_s=1e12), 500.0)
    air.step(rigs.controls(2.0))  # settle the valves; a loaded compressor that stands stirs nothing
    volume, mass = air.parameters.volume_l, air.amount.sum()
    energy = (air.pressure_kpa * volume).sum() / (GAMMA - 1.0)
    wall = air.wall_k.copy()
    air.step(rigs.controls(1.0, rpm=1800.0))
    came = air.amount.sum() - mass
    to_walls = (150.0 * volume * (air.wall_k - wall)).sum()
    outside_to_walls = ((20.0 + KELVIN + air.parameters.warm_k - air.wall_k) * 150.0 * volume / 1100.0).sum()
    gained = (air.pressure_kpa * volume).sum() / (GAMMA - 1.0) - energy + to_walls - outside_to_walls
    assert came > 0.0
    assert gained == pytest.approx(GAMMA / (GAMMA - 1.0) * (20.0 + KELVIN + HOT_AIR_K) * came, rel=0.005)
