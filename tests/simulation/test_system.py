"""The air system against figures that come from outside it."""

from typing import Any

import numpy as np
import pytest

from pipelines.simulation import Trailer
from pipelines.simulation.parameters import PRIMARY, SECONDARY, SUPPLY, TRAILER
from pipelines.simulation.physics import ATMOSPHERE_KPA, KELVIN, PSI_KPA, R_AIR, leak_area_mm2
from tests.simulation.reference.nozzle import nozzle_kg_per_s


@pytest.mark.parametrize(("hole_mm", "psi_per_min"), [(0.25, 0.79), (0.5, 3.2), (1.0, 12.6)])
def test_a_hole_empties_a_tank_as_choked_flow_says(rigs: Any, hole_mm: float, psi_per_min: float) -> None:
    # Computed by hand from the choked formula: 100 L at 827 kPa gauge, 20 C, Cd 1, isothermal; initial rate.
    area = np.pi / 4.0 * hole_mm**2
    vehicle = rigs.tractor(**rigs.tight | {"secondary_l": 100.0, "leak_secondary_mm2": area})
    air = rigs.system(vehicle, 827.0)
    air.pressure_kpa[SUPPLY] = air.pressure_kpa[SUPPLY] * 0.5  # nothing comes after it
    air.amount[SUPPLY] *= 0.5
    before = air.amount[SECONDARY, 0]
    for _ in range(6):
        air.step(rigs.controls(1.0))
    lost_kpa = (1.0 - air.amount[SECONDARY, 0] / before) * (827.0 + ATMOSPHERE_KPA)
    assert lost_kpa * 10.0 / PSI_KPA == pytest.approx(psi_per_min, rel=0.02)


def test_a_long_hold_decays_exponentially_in_absolute_pressure(rigs: Any) -> None:
    # Choked flow is proportional to absolute pressure, so half of it is gone after a time that does not depend on it.
    vehicle = rigs.tractor(**rigs.tight | {"leak_secondary_mm2": leak_area_mm2(14.0, 34.0, at_kpa=690.0)})
    air = rigs.system(vehicle, 850.0)
    air.amount[SUPPLY] *= 0.3
    air.pressure_kpa[SUPPLY] *= 0.3
    logs = []
    for _ in range(4):
        for _ in range(60):
            air.step(rigs.controls(10.0))
        logs.append(np.log(air.pressure_kpa[SECONDARY, 0]))
    rate = 14.0 / (690.0 + ATMOSPHERE_KPA) * 10.0  # in ten minutes
    assert np.diff(logs) == pytest.approx([-rate] * 3, rel=0.02)


def test_step_length_does_not_change_a_hold(rigs: Any) -> None:
    ends = []
    for dt_s in (1.0, 10.0):
        air = rigs.system(rigs.tractor(leak_primary_mm2=0.05), 800.0, trailer=Trailer("W-1", "test"))
        for _ in range(60):
            air.step(rigs.controls(1.0, fed=True))  # the trailer's spring brakes take their air
        for _ in range(int(3600.0 / dt_s)):
            air.step(rigs.controls(dt_s, fed=True))
        ends.append(air.gauge_kpa[:, 0])
    assert ends[0] == pytest.approx(ends[1], abs=0.6)


@pytest.mark.parametrize(("ambient_c", "psi"), [(-10.0, 106.0), (40.0, 129.0)])
def test_a_closed_tank_follows_the_weather(rigs: Any, ambient_c: float, psi: float) -> None:
    # Ideal gas: 120 psi gauge at 20 C is 106 psi at -10 C and 129 psi at 40 C.
    air = rigs.system(rigs.tractor(**rigs.tight), 120.0 * PSI_KPA)
    for _ in range(3600):
        air.step(rigs.controls(10.0, ambient_c=ambient_c))
    assert air.gauge_kpa[PRIMARY, 0] / PSI_KPA == pytest.approx(psi, abs=0.5)


def test_air_between_tanks_is_neither_made_nor_lost(rigs: Any) -> None:
    # Conservation of mass and, with no time to give heat away, of energy (p V / (g - 1) summed over the tanks).
    air = rigs.system(
        rigs.tractor(**rigs.tight, gas_settle_s=1e12, wall_settle_s=1e12), 700.0, trailer=Trailer("W", "t")
    )
    air.parameters.leak_mm2[:] = 0.0
    air.parameters.trailer_spring_l[:] = 0.0
    air.is_loaded[:] = False
    for tank, share in ((SUPPLY, 1.25), (TRAILER, 0.5)):
        air.pressure_kpa[tank] *= share
        air.amount[tank] *= share * 0.97
    volume = air.parameters.volume_l
    mass, energy = air.amount.sum(), (air.pressure_kpa * volume).sum()
    for _ in range(120):
        air.step(rigs.controls(1.0, fed=True))
    assert air.amount.sum() == pytest.approx(mass, rel=1e-9)
    assert (air.pressure_kpa * volume).sum() == pytest.approx(energy, rel=1e-6)
    assert np.ptp(air.pressure_kpa) < 15.0  # levelled but for the opening pressures of the valves


def test_98_litres_from_85_to_100_psi_take_three_and_a_half_cubic_feet(rigs: Any) -> None:
    # Ideal gas: 98 L * 15 psi / 14.7 psi = 100 L = 3.5 cubic feet of free air at the tanks' temperature.
    air = rigs.system(
        rigs.tractor(**rigs.tight, wall_settle_s=1.0, supply_warm_k=0.0, service_warm_k=0.0), 85.0 * PSI_KPA
    )
    ambient = 20.0 + KELVIN
    before = air.amount[:TRAILER].sum()
    while air.gauge_kpa[PRIMARY, 0] < 100.0 * PSI_KPA:
        air.step(rigs.controls(0.5, rpm=25.0))  # slow, so that heat has time to leave
    free_l = (air.amount[:TRAILER].sum() - before) * ambient / ATMOSPHERE_KPA
    assert free_l / 28.317 == pytest.approx(3.5, abs=0.06)


def _build_up_s(rigs: Any, rpm: float, **changes: float) -> float:
    air = rigs.system(rigs.tractor(**changes), 75.0 * PSI_KPA, ambient_c=10.0)
    clock, began = 0.0, 0.0
    while air.gauge_kpa[PRIMARY, 0] < 100.0 * PSI_KPA:
        clock += 0.1
        air.step(rigs.controls(0.1, rpm=rpm, ambient_c=10.0))
        if air.gauge_kpa[PRIMARY, 0] < 85.0 * PSI_KPA:
            began = clock
    return clock - began


def test_build_up_times_are_those_of_the_trade(rigs: Any) -> None:
    # Common practice, no source: 85 to 100 psi takes a healthy tractor 15 to 17 s at governed speed.
    assert 14.5 < _build_up_s(rigs, 2000.0) < 17.0
    # 49 CFR 571.121 S5.1.1 allows 25 s at maximum speed with tanks of the required size.
    assert _build_up_s(rigs, 2000.0) < 25.0
    # Ontario's daily check allows two minutes at 600 to 900 rpm.
    assert 35.0 < _build_up_s(rigs, 700.0) < 60.0
    # A third of the delivery takes three times as long, and a little more because the gas keeps less of the heat.
    weak = _build_up_s(rigs, 2000.0, basic_efficiency=0.68 / 3.0)
    assert weak == pytest.approx(3.15 * _build_up_s(rigs, 2000.0), rel=0.1)


@pytest.mark.parametrize("dt_s", [0.5, 2.0])
def test_governor_loads_at_cut_in_and_unloads_at_cut_out(rigs: Any, dt_s: float) -> None:
    # It turns within a step, so the pressures around the turn are near its point and not 1 kPa beyond it.
    air = rigs.system(rigs.tractor(cut_out_kpa=900.0, cut_in_kpa=770.0, leak_primary_mm2=0.1), 800.0)
    seen_kpa, loaded = [], []
    for _ in range(int(1500.0 / dt_s)):
        air.step(rigs.controls(dt_s, rpm=1200.0))
        seen_kpa.append(float(air.gauge_kpa[SUPPLY, 0]))
        loaded.append(bool(air.is_loaded[0]))
    turns = np.flatnonzero(np.diff(np.array(loaded).astype(int)))
    assert len(turns) > 4
    assert max(seen_kpa) <= 900.0 + 0.9
    assert min(seen_kpa) >= 770.0 - 0.9
    for at in turns:
        around = seen_kpa[at : at + 2]
        assert (max(around) if loaded[at] else min(around)) == pytest.approx(900.0 if loaded[at] else 770.0, abs=4.0)


def test_fast_fill_sags_after_cut_out(rigs: Any) -> None:
    # One degree of cooling is about 0.46 psi at 120 psi (ideal gas); a fast fill leaves the gas several degrees warm.
    air = rigs.system(rigs.tractor(**rigs.tight), 750.0)
    while air.is_loaded[0]:
        air.step(rigs.controls(0.5, rpm=1500.0))
    top = air.gauge_kpa[PRIMARY, 0]
    warm_c = air.pressure_kpa[PRIMARY, 0] * 34.0 / air.amount[PRIMARY, 0] - KELVIN - 20.0
    for _ in range(300):
        air.step(rigs.controls(1.0))
    sag_psi = (top - air.gauge_kpa[PRIMARY, 0]) / PSI_KPA
    assert 1.0 < sag_psi < 6.0
    assert sag_psi == pytest.approx(0.46 * warm_c, rel=0.45)  # what the supply tank still gives makes up for some


def test_an_application_takes_air_once_and_none_while_held(rigs: Any) -> None:
    air = rigs.system(rigs.tractor(**rigs.tight), 800.0)
    levels = []
    for kpa in (0.0, 200.0, 200.0, 200.0, 0.0):
        for _ in range(300):
            air.step(rigs.controls(1.0, application_kpa=kpa, parked=True))
        levels.append(float(air.gauge_kpa[PRIMARY, 0]))
    assert levels[0] - levels[1] > 5.0
    assert levels[1:4] == pytest.approx([levels[1]] * 3, abs=0.3)
    assert levels[4] == pytest.approx(levels[3], abs=0.3)


def test_no_circuit_brakes_itself_below_the_atmosphere(rigs: Any) -> None:
    air = rigs.system(rigs.tractor(leak_primary_mm2=0.3), 500.0)
    for step in range(400):
        air.step(rigs.controls(1.0, application_kpa=620.0 if step % 4 < 2 else 0.0, parked=False))
    assert air.gauge_kpa.min() > -1.0


def test_check_valves_keep_the_service_tanks_when_the_supply_is_lost(rigs: Any) -> None:
    # 49 CFR 393.50 asks for a one-way check valve before the service reservoirs.
    tight = rigs.system(rigs.tractor(**rigs.tight | {"leak_supply_mm2": 20.0}), 800.0)
    passing = rigs.system(rigs.tractor(**rigs.tight | {"leak_supply_mm2": 20.0}, back_primary_s=60.0), 800.0)
    for air in (tight, passing):
        for _ in range(600):
            air.step(rigs.controls(1.0))
    assert tight.gauge_kpa[[PRIMARY, SECONDARY], 0] == pytest.approx([800.0, 800.0], abs=2.0)
    assert passing.gauge_kpa[PRIMARY, 0] < 150.0
    assert passing.gauge_kpa[SECONDARY, 0] == pytest.approx(800.0, abs=2.0)


def test_a_worn_check_valve_lets_air_back_with_its_time_constant(rigs: Any) -> None:
    # Without heat the difference of pressures falls exponentially, whatever the step.
    for dt_s in (1.0, 10.0):
        air = rigs.system(rigs.tractor(**rigs.tight, gas_settle_s=1e12, back_primary_s=120.0), 800.0)
        for of_supply in (air.pressure_kpa, air.amount):
            of_supply[SUPPLY] *= 0.5
        start = air.pressure_kpa[PRIMARY, 0] - air.pressure_kpa[SUPPLY, 0]
        for _ in range(int(240.0 / dt_s)):
            air.step(rigs.controls(dt_s))
        left = air.pressure_kpa[PRIMARY, 0] - air.pressure_kpa[SUPPLY, 0]
        assert left == pytest.approx(start * np.exp(-2.0), rel=1e-6)


def test_a_leak_of_the_applied_brakes_flows_from_brake_pressure(rigs: Any) -> None:
    # At 40 kPa (6 psi) of brake pressure the hole is not choked; isentropic nozzle equation from that pressure.
    air = rigs.system(rigs.tractor(**rigs.tight | {"leak_applied_mm2": 0.2}), 800.0)
    act = rigs.controls(1.0, application_kpa=40.0)
    for _ in range(240):
        air.step(act)
    before, kelvin = air.amount[:TRAILER].sum(), 20.0 + KELVIN
    air.step(act)
    kg_per_s = (before - air.amount[:TRAILER].sum()) / R_AIR
    expected = nozzle_kg_per_s(0.2e-6, (40.0 + ATMOSPHERE_KPA) * 1e3, kelvin, ATMOSPHERE_KPA * 1e3)
    assert kg_per_s == pytest.approx(expected, rel=0.01)


def test_trailer_valve_shuts_and_keeps_what_the_tractor_has(rigs: Any) -> None:
    # 49 CFR 393.43: the valve closes by itself between 20 and 45 psi (138 to 310 kPa).
    air = rigs.system(rigs.tractor(**rigs.tight), 800.0, trailer=Trailer("W-1", "test", leak_mm2=4.0))
    for _ in range(3600):
        air.step(rigs.controls(1.0, fed=True))
    assert bool(air.is_shut[0])
    assert air.line_kpa[0] == 0.0
    assert air.gauge_kpa[TRAILER, 0] < 5.0
    assert 138.0 < air.gauge_kpa[PRIMARY, 0] < 310.0


def test_released_leak_shows_only_with_the_brakes_released(rigs: Any) -> None:
    falls = []
    for parked in (True, False):
        air = rigs.system(rigs.tractor(**rigs.tight | {"leak_released_mm2": 0.5}), 800.0)
        for _ in range(60):
            air.step(rigs.controls(1.0, parked=parked))
        start = air.gauge_kpa[PRIMARY, 0]
        for _ in range(300):
            air.step(rigs.controls(1.0, parked=parked))
        falls.append(start - air.gauge_kpa[PRIMARY, 0])
    assert falls[0] < 0.5
    assert falls[1] > 20.0
