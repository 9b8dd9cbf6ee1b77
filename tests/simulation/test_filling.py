"""A tank that is filled warms up, and cools to its wall: textbook results of the first law for an ideal gas."""

from typing import Any

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given, settings
from hypothesis import strategies as st

from pipelines.simulation.parameters import PRIMARY, SECONDARY, SUPPLY
from pipelines.simulation.physics import ATMOSPHERE_KPA, GAMMA, KELVIN, PSI_KPA
from tests.simulation.reference.tanks import AirModel, Hole, Tank

LINE_KPA = 900.0  # absolute, of a supply without end
LINE_K = 293.15


def _kelvin(air: Any, tank: int) -> float:
    return float(air.pressure_kpa[tank, 0] * air.parameters.volume_l[tank, 0] / air.amount[tank, 0])


def _filled(rigs: Any, start_kpa: float, start_k: float, dt_s: float, seconds: float) -> Any:
    """Fill a service tank from a supply tank so large that its pressure and temperature stay, without any wall."""
    air = rigs.lone_tank(34.0, 0.0, gas_settle_s=1e12)
    air.parameters.volume_l[SUPPLY] = 1e9
    air.pressure_kpa[SUPPLY] = LINE_KPA
    air.pressure_kpa[[PRIMARY, SECONDARY]] = start_kpa
    kelvin = np.array([[LINE_K], [start_k], [start_k], [LINE_K]])
    air.amount[...] = air.pressure_kpa * air.parameters.volume_l / kelvin
    for _ in range(int(seconds / dt_s)):
        air.step(rigs.controls(dt_s))
    return air


def _mixed_k(start_kpa: float, start_k: float, end_kpa: float) -> float:
    """Give the temperature after an adiabatic fill.

    First law, ``m2 u2 - m1 u1 = (m2 - m1) h``: ``T2 = g T0 / (1 + (g T0/T1 - 1) p1/p2)``; thermodynamics textbooks,
    charging of a tank.
    """
    return GAMMA * LINE_K / (1.0 + (GAMMA * LINE_K / start_k - 1.0) * start_kpa / end_kpa)


@pytest.mark.parametrize("dt_s", [0.05, 1.0, 10.0])
def test_an_empty_tank_fills_to_gamma_times_the_supply_temperature(rigs: Any, dt_s: float) -> None:
    # Textbook: charging an evacuated, insulated tank from a line at T0 ends at g T0, 410 K from 20 C, at any pressure.
    air = _filled(rigs, 1e-3, LINE_K, dt_s, 60.0)
    assert air.pressure_kpa[SECONDARY, 0] == pytest.approx(LINE_KPA - 4.0, abs=0.1)  # but for the valve's opening
    assert _kelvin(air, SECONDARY) == pytest.approx(GAMMA * LINE_K, rel=1e-4)


@settings(deadline=None)
@given(start_kpa=st.floats(5.0, 800.0), start_k=st.floats(230.0, 350.0), dt_s=st.floats(0.1, 10.0))
def test_any_adiabatic_fill_ends_at_the_temperature_of_the_first_law(
    rigs: Any, start_kpa: float, start_k: float, dt_s: float
) -> None:
    air = _filled(rigs, start_kpa, start_k, dt_s, 20.0)
    expected = _mixed_k(start_kpa, start_k, air.pressure_kpa[SECONDARY, 0])
    assert _kelvin(air, SECONDARY) == pytest.approx(expected, rel=1e-6)


def test_reference_fills_to_the_same_temperature() -> None:
    tanks = [Tank(1e6), Tank(0.034)]
    solved = AirModel(tanks, [Hole(0, 1, 40e-6)]).run(20.0, [9e5, 101_325.0], [LINE_K, LINE_K], n=11)
    assert solved.pressure_pa[1, -1] == pytest.approx(9e5, rel=1e-5)
    assert solved.gas_k[1, -1] == pytest.approx(_mixed_k(101.325, LINE_K, 900.0), rel=1e-5)


def test_real_air_fills_nearly_as_warm() -> None:
    # CoolProp: an evacuated tank filled with air of 20 C and 900 kPa ends where u = h of the supply. The ideal gas is
    # off by 2 K in 117, which is what air cools by in throttling.
    enthalpy = PropsSI("HMASS", "T", LINE_K, "P", 900e3, "Air")
    assert PropsSI("T", "UMASS", enthalpy, "P", 900e3, "Air") == pytest.approx(GAMMA * LINE_K, abs=2.2)


@pytest.mark.parametrize("gas_settle_s", [25.0, 40.0, 60.0])
@pytest.mark.parametrize("dt_s", [1.0, 10.0])
def test_the_filled_tank_cools_to_its_wall_with_the_set_time_constant(
    rigs: Any, gas_settle_s: float, dt_s: float
) -> None:
    air = _filled(rigs, 1e-3, LINE_K, 1.0, 60.0)
    air.parameters.gas_settle_s[:] = gas_settle_s
    for of_supply in (air.pressure_kpa, air.amount):
        of_supply[SUPPLY] *= ATMOSPHERE_KPA / LINE_KPA  # nothing comes after it
    above = [_kelvin(air, SECONDARY) - LINE_K]
    for _ in range(20):
        air.step(rigs.controls(dt_s))
        above.append(_kelvin(air, SECONDARY) - LINE_K)
    assert above == pytest.approx(above[0] * np.exp(-np.arange(21) * dt_s / gas_settle_s), rel=1e-6)


@pytest.mark.parametrize(("ambient_c", "psi"), [(-10.0, 106.0), (20.0, 120.0), (40.0, 129.0)])
def test_a_closed_tank_at_another_temperature(rigs: Any, ambient_c: float, psi: float) -> None:
    # p2 = p1 T2/T1, absolute: 120 psi at 20 C is 106 psi at -10 C and 129 psi at 40 C; 0.46 psi for each degree.
    air = rigs.lone_tank(34.0, 120.0 * PSI_KPA)
    for _ in range(360):
        air.step(rigs.controls(10.0, ambient_c=ambient_c))
    seen_psi = air.gauge_kpa[SECONDARY, 0] / PSI_KPA
    assert seen_psi == pytest.approx(psi, abs=0.5)
    assert seen_psi - 120.0 == pytest.approx(0.46 * (ambient_c - 20.0), abs=0.15)


def test_the_lag_of_the_wall_behind_the_weather(rigs: Any) -> None:
    # First-order lag: after a step of ambient temperature the wall has gone 1 - 1/e of the way in one time constant.
    air = rigs.system(rigs.tractor(**rigs.tight, wall_settle_s=1100.0), 800.0)
    for _ in range(110):
        air.step(rigs.controls(10.0, ambient_c=10.0))
    gone_k = 20.0 + KELVIN - air.wall_k[SECONDARY, 0]
    assert gone_k == pytest.approx(10.0 * (1.0 - np.exp(-1.0)), rel=0.05)  # the gas holds 5 % of the wall's heat
