"""What cooling does to a leak rate, and where the time constants come from: the figures that DEVELOPERS.md gives.

Rates are in kPa/min, referred to 690 kPa gauge as `leak_static` does it, and positive for a fall.
"""

from typing import Any

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI

from pipelines.simulation.parameters import PRIMARY, SECONDARY, SUPPLY
from pipelines.simulation.physics import ATMOSPHERE_KPA, PSI_KPA, Floats
from tests.simulation.reference.convection import Air, FreeConvection
from tests.simulation.reference.tanks import ATMOSPHERE_PA, CV, AirModel, Tank

REFERRED_KPA = 690.0 + ATMOSPHERE_KPA


def _rates(air: Any, controls: Any, seconds: int) -> Floats:
    """Give the apparent leak of supply and primary tank in each second, (2, seconds)."""
    logs = [np.log(air.pressure_kpa[[SUPPLY, PRIMARY], 0])]
    for _ in range(seconds):
        air.step(controls)
        logs.append(np.log(air.pressure_kpa[[SUPPLY, PRIMARY], 0]))
    return -np.diff(np.array(logs).T) * 60.0 * REFERRED_KPA


def test_a_tank_that_cools_by_one_degree_a_minute_seems_to_leak(rigs: Any) -> None:
    # d ln p = d ln T. At 120 psi (827 kPa) gauge and 20 C: 928.3/293.15 = 3.17 kPa/min = 0.46 psi/min; at 690 kPa 2.70.
    air = rigs.lone_tank(34.0, 827.0, gas_settle_s=1e-6)
    falls, start = [], air.gauge_kpa[SECONDARY, 0]
    for second in range(1, 121):
        air.step(rigs.controls(1.0, ambient_c=20.0 - second / 60.0))
        falls.append(start - air.gauge_kpa[SECONDARY, 0])
    assert falls[-1] - falls[59] == pytest.approx(3.17, abs=0.01)
    assert (falls[-1] - falls[59]) / PSI_KPA == pytest.approx(0.46, abs=0.005)
    assert pytest.approx(2.70, abs=0.005) == REFERRED_KPA / 293.15


def test_properties_of_air_in_the_free_convection_are_those_of_real_air() -> None:
    # CoolProp at 20 C and 900 kPa absolute.
    state, air = ("T", 293.15, "P", 900e3, "Air"), Air()
    assert PropsSI("L", *state) == pytest.approx(air.w_per_m_k, rel=0.025)
    assert PropsSI("V", *state) == pytest.approx(air.pa_s, rel=0.01)
    assert PropsSI("PRANDTL", *state) == pytest.approx(air.prandtl, rel=0.01)


@pytest.mark.parametrize(
    ("diameter_m", "length_m", "litres", "at_20_k", "at_1_k"),
    [(0.20, 0.60, 19.0, 18.0, 49.0), (0.25, 0.70, 34.0, 22.0, 60.0), (0.30, 0.90, 64.0, 27.0, 73.0)],
)
def test_free_convection_gives_the_gas_its_time_constant(
    diameter_m: float, length_m: float, litres: float, at_20_k: float, at_1_k: float
) -> None:
    # Nu = 0.13 Ra^(1/3), remembered. Vehicles are drawn with 25 to 60 s.
    path = FreeConvection(diameter_m, length_m)
    assert path.volume_m3 * 1e3 == pytest.approx(litres, abs=0.5)
    assert path.settle_s(900e3, 313.15, 293.15) == pytest.approx(at_20_k, abs=1.0)
    assert path.settle_s(900e3, 294.15, 293.15) == pytest.approx(at_1_k, abs=1.0)


def test_one_time_constant_does_for_free_convection() -> None:
    # 15 K above the wall, as after a fast pump-up, 34 L: 40 s is a little slow at first and a little fast in the end.
    path = FreeConvection(0.25, 0.70)
    tank = Tank(path.volume_m3, path)
    solved = AirModel([tank]).run(300.0, [ATMOSPHERE_PA + 880e3], [308.15], [293.15], n=301)
    above_k = solved.gas_k[0] - 293.15
    assert above_k == pytest.approx(15.0 * np.exp(-solved.t_s / 40.0), abs=1.8)
    assert above_k[60] == pytest.approx(15.0 * np.exp(-60.0 / 40.0), abs=1.0)
    assert above_k[180:].max() < 0.7  # K; then 0.2 K/min at most, which is 0.6 kPa/min
    assert solved.mass_kg[0, 0] * CV / path(float(solved.mass_kg[0, 0]), 308.15, 293.15) == pytest.approx(25.0, abs=1.0)


# Apparent leak of a tight tractor after a pump-up from 75 psi to cut-out at 2000 rpm, engine stopped at cut-out, 20 C.
# (seconds after the stop, supply tank, service tank)
AFTER_PUMP_UP = [(60, 11.1, 8.0), (120, 2.7, 1.9), (180, 0.9, 0.7), (300, 0.5, 0.3), (600, 0.3, 0.2), (1800, 0.1, 0.1)]


def test_what_a_pump_up_fakes(rigs: Any) -> None:
    air = rigs.system(rigs.tractor(**rigs.tight), 75.0 * PSI_KPA)
    while air.is_loaded[0]:
        air.step(rigs.controls(0.5, rpm=2000.0))
    warm_k = (air.pressure_kpa * air.parameters.volume_l / air.amount)[[SUPPLY, PRIMARY], 0] - 293.15
    assert warm_k == pytest.approx([16.0, 12.0], abs=1.0)
    rates = _rates(air, rigs.controls(1.0), 1800)
    for second, supply, service in AFTER_PUMP_UP:
        assert rates[:, second - 1] == pytest.approx([supply, service], abs=0.3)


# The same after hours on the road: walls 9 and 4 K above the air around them, gas as warm as the wall.
AFTER_THE_ROAD = [
    (60, 0.9, 0.4),
    (120, 1.1, 0.5),
    (180, 1.1, 0.5),
    (300, 1.0, 0.4),
    (600, 0.8, 0.3),
    (1800, 0.3, 0.1),
    (3600, 0.1, 0.0),
]


def test_what_a_wall_that_lags_fakes(rigs: Any) -> None:
    air = rigs.system(rigs.tractor(**rigs.tight), 850.0)
    air.is_loaded[:] = False
    air.wall_k[:, 0] += air.parameters.warm_k[:, 0]
    air.amount = air.pressure_kpa * air.parameters.volume_l / air.wall_k
    rates = _rates(air, rigs.controls(1.0), 3600)
    for second, supply, service in AFTER_THE_ROAD:
        assert rates[:, second - 1] == pytest.approx([supply, service], abs=0.06)
    # Once gas and wall go together, it all falls with the wall's time constant, 1100 s, and a little for the gas.
    assert np.log(rates[:, 599] / rates[:, 1799]) == pytest.approx([1200.0 / 1100.0] * 2, rel=0.07)


@pytest.mark.parametrize(("wall_settle_s", "share", "late_s"), [(800.0, 0.998, 795.0), (1500.0, 0.994, 1485.0)])
def test_the_wall_follows_the_day(wall_settle_s: float, share: float, late_s: float) -> None:
    # First-order lag behind a daily wave: 1/sqrt(1 + (w tau)^2) of its swing, atan(w tau)/w late; textbook.
    w = 2.0 * np.pi / 86_400.0
    assert 1.0 / np.hypot(1.0, w * wall_settle_s) == pytest.approx(share, abs=5e-4)
    assert np.arctan(w * wall_settle_s) / w == pytest.approx(late_s, rel=0.01)
    # A swing of 5 K either way goes by at most 1.3 K an hour, which is 0.06 kPa/min.
    steepest_k_per_min = 5.0 * w * 60.0
    assert steepest_k_per_min * REFERRED_KPA / 280.0 == pytest.approx(0.06, abs=0.005)
