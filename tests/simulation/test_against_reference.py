"""The step simulator against an ODE solution of the same tanks, with the steps that it is used with.

Both have the same holes, heat paths and compressor; they share no formula. What differs is the simulator's steps of 1
to 10 s, in which it does one thing after another, and its way of levelling two tanks.
"""

from typing import Any

import numpy as np
import pytest

from pipelines.simulation import Trailer
from pipelines.simulation.parameters import PRIMARY, SECONDARY, SUPPLY, TRAILER
from pipelines.simulation.physics import ATMOSPHERE_KPA, PSI_KPA, Floats, leak_area_mm2
from pipelines.simulation.system import (
    CHECK_MM2,
    CHECK_OPENING_KPA,
    HOT_AIR_K,
    STIRRED_SETTLE_S,
    TRAILER_MM2,
    WALL_J_PER_K_L,
)
from tests.simulation.reference.tanks import ATMOSPHERE_PA, OUTSIDE, AirModel, Compressor, Hole, State, Tank, settling

AMBIENT_K = 293.15


def _tank(litres: float, warm_k: float = 0.0) -> Tank:
    wall_j_per_k = WALL_J_PER_K_L * litres
    return Tank(
        litres * 1e-3,
        settling(40.0),
        settling(STIRRED_SETTLE_S),
        wall_j_per_k,
        wall_j_per_k / 1100.0,
        AMBIENT_K + warm_k,
    )


def _model(
    vehicle: Any,
    *,
    rpm: float = 0.0,
    holes: tuple[Hole, ...] = (),
    trailer_l: float = 0.0,
    trailer_mm2: float = TRAILER_MM2,
) -> AirModel:
    """Give the vehicle's tanks with their check valves; ``holes`` come on top."""
    warm = (vehicle.supply_warm_k, vehicle.service_warm_k, vehicle.service_warm_k) if rpm else (0.0, 0.0, 0.0)
    litres = (vehicle.supply_l, vehicle.primary_l, vehicle.secondary_l)
    tanks = [_tank(volume, above) for volume, above in zip(litres, warm, strict=True)]
    opening_pa = CHECK_OPENING_KPA * 1e3
    joints = [Hole(SUPPLY, service, CHECK_MM2 * 1e-6, opening_pa) for service in (PRIMARY, SECONDARY)]
    if trailer_l:
        tanks.append(_tank(trailer_l))
        joints += [Hole(service, TRAILER, trailer_mm2 / 2.0 * 1e-6, opening_pa) for service in (PRIMARY, SECONDARY)]
    compressor = Compressor(
        SUPPLY,
        vehicle.compressor_cc * 1e-6 * rpm / 60.0,
        vehicle.clearance,
        vehicle.basic_efficiency,
        AMBIENT_K,
        AMBIENT_K + HOT_AIR_K,
        vehicle.cut_out_kpa * 1e3 + ATMOSPHERE_PA,
        vehicle.cut_in_kpa * 1e3 + ATMOSPHERE_PA,
    )
    return AirModel(tanks, [*joints, *holes], compressor if rpm else None)


def _solve(model: AirModel, seconds: float, gauge_kpa: list[float], *, loaded: bool = False, n: int = 201) -> State:
    pressures = [kpa * 1e3 + ATMOSPHERE_PA for kpa in gauge_kpa]
    return model.run(seconds, pressures, [AMBIENT_K] * len(model.tanks), loaded=loaded, n=n)


def _gauge_kpa(solved: State) -> Floats:
    return (solved.pressure_pa - ATMOSPHERE_PA) / 1e3


def _play(air: Any, controls: Any, dt_s: float, seconds: float) -> Floats:
    """Give gauge pressures after each step, and before the first, (4, n)."""
    seen = [air.gauge_kpa[:, 0]]
    for _ in range(round(seconds / dt_s)):
        air.step(controls)
        seen.append(air.gauge_kpa[:, 0])
    return np.array(seen).T


def _crossing_s(t_s: Floats, kpa: Floats, level_kpa: float) -> float:
    """Give the time at which a rise goes through a level."""
    at = int(np.argmax(kpa >= level_kpa))
    return float(np.interp(level_kpa, kpa[at - 1 : at + 1], t_s[at - 1 : at + 1]))


@pytest.mark.parametrize("dt_s", [1.0, 2.0])
@pytest.mark.parametrize("rpm", [700.0, 2000.0])
@pytest.mark.parametrize("start_kpa", [0.0, 75.0 * PSI_KPA])
def test_pump_up_to_cut_out_and_the_sag_after_it(rigs: Any, dt_s: float, rpm: float, start_kpa: float) -> None:
    vehicle = rigs.tractor(**rigs.tight)
    seconds = 720.0 if start_kpa == 0.0 else 360.0
    solved = _solve(_model(vehicle, rpm=rpm), seconds, [start_kpa] * 3, loaded=True, n=int(seconds) * 20 + 1)
    expected = _gauge_kpa(solved)
    seen = _play(rigs.system(vehicle, start_kpa), rigs.controls(dt_s, rpm=rpm), dt_s, seconds)
    t_s = np.arange(seen.shape[1]) * dt_s
    for tank, tolerance_kpa in ((SUPPLY, 4.0), (PRIMARY, 2.0), (SECONDARY, 2.0)):
        assert seen[tank] == pytest.approx(np.interp(t_s, solved.t_s, expected[tank]), abs=tolerance_kpa)
    for low_psi, high_psi in ((85.0, 100.0), (100.0, 120.0)):
        rises = [
            _crossing_s(clock, kpa, high_psi * PSI_KPA) - _crossing_s(clock, kpa, low_psi * PSI_KPA)
            for clock, kpa in ((t_s, seen[PRIMARY]), (solved.t_s, expected[PRIMARY]))
        ]
        assert rises[0] == pytest.approx(rises[1], rel=0.01)
    assert seen[SUPPLY].max() <= vehicle.cut_out_kpa + 0.5
    assert seen[PRIMARY].max() == pytest.approx(expected[PRIMARY].max(), abs=1.5)


@pytest.mark.parametrize("dt_s", [1.0, 2.0])
def test_governor_cycles_of_an_hour(rigs: Any, dt_s: float) -> None:
    vehicle = rigs.tractor(**rigs.tight | {"leak_primary_mm2": 0.25})
    model = _model(vehicle, rpm=1200.0, holes=(Hole(PRIMARY, OUTSIDE, 0.25e-6),))
    solved = _solve(model, 3600.0, [800.0] * 3, loaded=True, n=36_001)
    air = rigs.system(vehicle, 800.0)
    loads = [True]
    for _ in range(round(3600.0 / dt_s)):
        air.step(rigs.controls(dt_s, rpm=1200.0))
        loads.append(bool(air.is_loaded[0]))
    expected = np.array([t for t, _ in solved.turns])
    seen = np.flatnonzero(np.diff(np.array(loads).astype(int))) * dt_s
    assert abs(len(seen) - len(expected)) <= 1
    for first in (0, 1):  # pumping and falling
        spans = [float(np.diff(turns)[first::2][1:].mean()) for turns in (seen, expected)]
        assert spans[0] == pytest.approx(spans[1], abs=1.5 * dt_s)
    # The tank without a leak keeps the highest that the supply gave it.
    assert air.gauge_kpa[SECONDARY, 0] == pytest.approx(_gauge_kpa(solved)[SECONDARY, -1], abs=2.5 * dt_s)
    share = [float(np.mean(loads)), _loaded_s(solved.turns, 3600.0) / 3600.0]
    assert share[0] == pytest.approx(share[1], rel=0.03)


def _loaded_s(turns: list[tuple[float, bool]], end_s: float) -> float:
    total, since, is_loaded = 0.0, 0.0, True
    for t, is_loaded_then in [*turns, (end_s, False)]:
        total += (t - since) * is_loaded
        since, is_loaded = t, is_loaded_then
    return total


@pytest.mark.parametrize(("kpa_per_min", "rel"), [(2.0, 0.002), (20.0, 0.003), (100.0, 0.012)])
@pytest.mark.parametrize("dt_s", [1.0, 10.0])
def test_a_hold_with_a_leak(rigs: Any, kpa_per_min: float, rel: float, dt_s: float) -> None:
    area_mm2 = leak_area_mm2(kpa_per_min, 64.0, at_kpa=690.0)
    vehicle = rigs.tractor(**rigs.tight | {"leak_primary_mm2": area_mm2})
    solved = _solve(_model(vehicle, holes=(Hole(PRIMARY, OUTSIDE, area_mm2 * 1e-6),)), 600.0, [800.0] * 3, n=11)
    seen = _play(rigs.system(vehicle, 800.0), rigs.controls(dt_s), dt_s, 600.0)[:, :: int(60.0 / dt_s)]
    expected = _gauge_kpa(solved)
    fallen = [800.0 - kpa[PRIMARY] for kpa in (seen, expected)]
    assert fallen[0][1:] == pytest.approx(fallen[1][1:], rel=rel, abs=0.3)
    logs = [np.log(kpa[PRIMARY, [5, 10]] + ATMOSPHERE_KPA) for kpa in (seen, expected)]
    assert np.diff(logs[0]) == pytest.approx(np.diff(logs[1]), rel=rel)
    assert seen[SECONDARY] == pytest.approx(expected[SECONDARY], abs=0.05)


@pytest.mark.parametrize("dt_s", [1.0, 2.0])
def test_an_open_drain_cock(rigs: Any, dt_s: float) -> None:
    vehicle = rigs.tractor(**rigs.tight | {"supply_l": 22.0})
    solved = _solve(_model(vehicle, holes=(Hole(SUPPLY, OUTSIDE, 30e-6),)), 16.0, [800.0] * 3, n=9)
    seen = _play(rigs.system(vehicle, 800.0), rigs.controls(dt_s, drain_mm2=30.0), dt_s, 16.0)[:, :: int(2.0 / dt_s)]
    # Where it has just run empty the cold gas warms within a step, and the simulator lets that out in the next.
    assert seen[SUPPLY] == pytest.approx(_gauge_kpa(solved)[SUPPLY], abs=4.0)
    assert seen[SUPPLY].min() >= 0.0
    assert seen[PRIMARY] == pytest.approx(np.full(9, 800.0), abs=0.1)


@pytest.mark.parametrize("dt_s", [1.0, 2.0])
@pytest.mark.parametrize("rpm", [700.0, 2000.0])
def test_pump_up_with_the_trailer(rigs: Any, dt_s: float, rpm: float) -> None:
    vehicle = rigs.tractor(**rigs.tight)
    trailer = Trailer("W-1", "test", leak_mm2=0.0, spring_l=0.0)
    solved = _solve(_model(vehicle, rpm=rpm, trailer_l=trailer.tank_l), 240.0, [500.0] * 4, loaded=True, n=4801)
    air = rigs.system(vehicle, 500.0, trailer=trailer)
    seen = _play(air, rigs.controls(dt_s, rpm=rpm, fed=True), dt_s, 240.0)
    t_s = np.arange(seen.shape[1]) * dt_s
    expected = np.array([np.interp(t_s, solved.t_s, kpa) for kpa in _gauge_kpa(solved)])
    assert seen == pytest.approx(expected, abs=3.5)


@pytest.mark.parametrize("dt_s", [1.0, 2.0])
@pytest.mark.parametrize("trailer_kpa", [0.0, 500.0])
def test_a_trailer_is_filled_through_its_hose(rigs: Any, dt_s: float, trailer_kpa: float) -> None:
    vehicle = rigs.tractor(**rigs.tight)
    trailer = Trailer("W-1", "test", leak_mm2=0.0, spring_l=0.0)
    solved = _solve(_model(vehicle, trailer_l=trailer.tank_l), 60.0, [800.0] * 3 + [trailer_kpa], n=601)
    air = rigs.system(vehicle, 800.0, trailer=trailer)
    for of_trailer in (air.pressure_kpa, air.amount):
        of_trailer[TRAILER] *= (trailer_kpa + ATMOSPHERE_KPA) / (800.0 + ATMOSPHERE_KPA)
    seen = _play(air, rigs.controls(dt_s, fed=True), dt_s, 60.0)
    t_s = np.arange(seen.shape[1]) * dt_s
    expected = np.array([np.interp(t_s, solved.t_s, kpa) for kpa in _gauge_kpa(solved)])
    assert seen[:, t_s >= 30.0] == pytest.approx(expected[:, t_s >= 30.0], abs=2.5 * dt_s)
    # As the tanks come near each other, a step's flow falls sooner than the nozzle's.
    assert seen == pytest.approx(expected, abs=13.5 * dt_s)
    half_kpa = (trailer_kpa + expected[TRAILER, -1]) / 2.0
    assert _crossing_s(t_s, seen[TRAILER], half_kpa) == pytest.approx(
        _crossing_s(solved.t_s, _gauge_kpa(solved)[TRAILER], half_kpa), abs=0.4 * dt_s
    )


def test_a_fed_trailer_takes_its_share_of_the_build_up(rigs: Any) -> None:
    # All tanks rise together, so 85 to 100 psi takes as much longer as there is more to fill: (98 + 94) L / 98 L, and
    # some for the heat that the trailer's tank takes. The width of the hose hardly matters.
    vehicle, trailer = rigs.tractor(**rigs.tight), Trailer("W-1", "test", leak_mm2=0.0, spring_l=0.0)
    took_s = []
    for is_fed in (False, True):
        air = rigs.system(vehicle, 500.0, trailer=trailer)
        seen = _play(air, rigs.controls(1.0, rpm=2000.0, fed=is_fed), 1.0, 90.0)[PRIMARY]
        t_s = np.arange(len(seen)) * 1.0
        took_s.append(_crossing_s(t_s, seen, 100.0 * PSI_KPA) - _crossing_s(t_s, seen, 85.0 * PSI_KPA))
    assert took_s[1] / took_s[0] == pytest.approx(192.0 / 98.0, rel=0.13)
    for area_mm2 in (8.0, 20.0):
        model = _model(vehicle, rpm=2000.0, trailer_l=trailer.tank_l, trailer_mm2=area_mm2)
        solved = _solve(model, 90.0, [500.0] * 4, loaded=True, n=901)
        primary = _gauge_kpa(solved)[PRIMARY]
        by_ode_s = _crossing_s(solved.t_s, primary, 100.0 * PSI_KPA) - _crossing_s(solved.t_s, primary, 85.0 * PSI_KPA)
        assert took_s[1] == pytest.approx(by_ode_s, rel=0.01)


def test_shorter_steps_come_closer(rigs: Any) -> None:
    vehicle = rigs.tractor(**rigs.tight)
    solved = _solve(_model(vehicle, rpm=2000.0), 120.0, [500.0] * 3, loaded=True, n=2401)
    errors = []
    for dt_s in (2.0, 1.0, 0.5, 0.1):
        seen = _play(rigs.system(vehicle, 500.0), rigs.controls(dt_s, rpm=2000.0), dt_s, 120.0)
        t_s = np.arange(seen.shape[1]) * dt_s
        expected = np.array([np.interp(t_s, solved.t_s, kpa) for kpa in _gauge_kpa(solved)])
        errors.append(float(np.sqrt(((seen[:3] - expected) ** 2).mean())))
    assert errors == sorted(errors, reverse=True)
    assert errors[-1] < 0.5
    assert errors[0] < 2.5
