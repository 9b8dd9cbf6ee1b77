"""The gas of a tank as drawn holds have it, and as `airwatch.derive.drawn` reads it, against tanks of real air.

The reference is scipy's solution of the mass and energy balance, with air by CoolProp's equation of state (Lemmon et
al., J. Phys. Chem. Ref. Data 29, 2000).
"""

from dataclasses import fields
from itertools import pairwise

import CoolProp
import numpy as np
import pytest
from scipy.integrate import solve_ivp

from airwatch.derive.drawn import Warmth, warmth
from airwatch.derive.tuning import shipped_tuning
from tests.derive.tank_gas import DRAW_S, STEP_S, Floats, Tanks, flows, solve

ATMOSPHERE_KPA = 101.325
VOLUME_M3 = 0.04
SECONDS = 900.0
TUNING = shipped_tuning().leak
N = 4


@pytest.fixture(scope="module")
def tanks() -> Tanks:
    """Give tanks as the tuning takes them: from tight to 24 kPa/min, pumped up by 10 to 60 %, then held and braked."""
    one = np.ones(N)
    rates = np.array([0.0, 2.0, 8.0, 24.0]) / 60.0 / 791.0
    return Tanks(
        start_kpa=np.array([850.0, 720.0, 650.0, 600.0]),
        outside_k=np.array([253.0, 283.0, 293.0, 313.0]),
        wall_k=0.0 * one,
        outside_k_per_s=0.0 * one,
        still_s=TUNING.gas_tau_s * one,
        stirred_s=TUNING.gas_stirred_s * one,
        wall_s=TUNING.wall_tau_s * one,
        wall_per_gas=TUNING.heat_of_wall * one,
        pump_s=60.0 * one,
        pumped=np.array([0.1, 0.25, 0.4, 0.6]),
        inlet_k=12.0 * one,
        release_s=300.0 * one,
        released=np.array([0.0, 0.02, 0.03, 0.05]),
        pedal_s=500.0 * one,
        applied=np.array([0.03, 0.05, 0.08, 0.10]),
        leaks_per_s=np.stack([rates, 0.0 * one, 0.2 * rates]),
    )


def one_of(tanks: Tanks, k: int) -> Tanks:
    return Tanks(**{field.name: getattr(tanks, field.name)[..., k : k + 1] for field in fields(Tanks)})


def real_air(tank: Tanks, t: Floats) -> tuple[Floats, Floats, Floats, Floats]:
    """Solve one tank of real air; give absolute kPa, kg over the first, gas and wall temperature at each time.

    dU = h_in dm_in - h dm_out - heat, U = m u(T, rho), rho = m / V (first law for a control volume).
    """
    state = CoolProp.AbstractState("HEOS", "Air")
    inlet = CoolProp.AbstractState("HEOS", "Air")
    begin_k = float(tank.outside_k[0] + tank.wall_k[0])
    state.update(CoolProp.PT_INPUTS, tank.start_kpa[0] * 1e3, begin_k)
    first_kg = state.rhomass() * VOLUME_M3
    wall_j_per_k = tank.wall_per_gas[0] * first_kg * state.cvmass()
    inlet.update(CoolProp.PT_INPUTS, tank.start_kpa[0] * 1e3, float(tank.outside_k[0] + tank.inlet_k[0]))
    inlet_j_per_kg = inlet.hmass()

    def change(_t: float, y: Floats, into: float, out: float) -> list[float]:
        kg, gas_k, wall_k = y
        state.update(CoolProp.DmassT_INPUTS, kg / VOLUME_M3, gas_k)
        came, went = into * first_kg, out * kg
        tau_s = tank.stirred_s[0] if into > 0.0 else tank.still_s[0]
        heat = kg * state.cvmass() * (gas_k - wall_k) / tau_s
        energy = came * inlet_j_per_kg - went * state.hmass() - heat  # d(m u)/dt
        by_density = state.first_partial_deriv(CoolProp.iUmass, CoolProp.iDmass, CoolProp.iT) / VOLUME_M3
        warms = (energy - (came - went) * (state.umass() + kg * by_density)) / (kg * state.cvmass())
        loses = wall_j_per_k / tank.wall_s[0] * (wall_k - tank.outside_k[0])
        return [came - went, warms, (heat - loses) / wall_j_per_k]

    borders = {0.0, tank.pump_s[0], tank.release_s[0], tank.release_s[0] + DRAW_S}
    edges = sorted(borders | {tank.pedal_s[0], tank.pedal_s[0] + DRAW_S, float(t[-1])})
    y, found = np.array([first_kg, begin_k, begin_k]), np.empty((3, t.size))
    for low, high in pairwise(edges):
        into, out = (float(flow[0]) for flow in flows(tank, low))
        at = (t >= low) & (t <= high)
        solved = solve_ivp(
            change, (low, high), y, method="LSODA", dense_output=True, rtol=1e-8, atol=1e-9, args=(into, out)
        )
        y = solved.y[:, -1]
        if at.any():
            found[:, at] = solved.sol(t[at])
    kpa = np.empty(t.size)
    for i, (kg, gas_k, _) in enumerate(found.T):
        state.update(CoolProp.DmassT_INPUTS, kg / VOLUME_M3, gas_k)
        kpa[i] = state.p() / 1e3
    return kpa, found[0] / first_kg, found[1], found[2]


@pytest.mark.parametrize("k", range(N))
def test_drawn_tanks_are_as_tanks_of_real_air(tanks: Tanks, k: int) -> None:
    t, kpa, amount = solve(tanks, SECONDS)
    real_kpa, real_amount, _, _ = real_air(one_of(tanks, k), t)
    assert np.abs(amount[:, k] - real_amount).max() < 1e-3  # a pump-up within a step of its end
    assert np.abs(kpa[:, k] / real_kpa - 1.0).max() < 0.004
    # what counts: how fast it falls in a minute, twenty seconds into a hold
    for begin_s in (80.0, 160.0, 320.0, 520.0, 700.0):
        low, high = (int(s / STEP_S) for s in (begin_s, begin_s + 40.0))
        falls, real_falls = (np.log(p[low] / p[high]) * 1.5 * 791.0 for p in (kpa[:, k], real_kpa))
        # a twentieth of what leak and warmth, which often work against each other, do each: real air has g = 1.41
        around = 791.0 * 60.0 * tanks.leaks_per_s[:, k].sum() + 8.0
        assert falls == pytest.approx(real_falls, abs=0.05 * around)


def read(t: Floats, kpa: Floats, at_s: float) -> Warmth:
    """Read the warmth at one time from exact pressures of a tank whose engine stops at 60 s."""
    first = np.array([int(at_s / STEP_S)])
    return warmth(
        np.round(t * 1e6).astype(np.int64),
        kpa - ATMOSPHERE_KPA,
        run_first=np.zeros(1, dtype=np.int64),
        first=first,
        first_s=np.array([at_s - 60.0]),
        off_s=np.array([at_s - 60.0]),
        lasts_s=np.array([1e6]),  # all of it goes, whatever the time constant
        step_kpa=np.array([1.0]),
        tuning=TUNING,
    )


@pytest.mark.parametrize("k", range(N))
@pytest.mark.parametrize("at_s", [75.0, 100.0, 200.0, 330.0, 520.0, 560.0])
def test_warmth_is_read_from_pressure_alone(tanks: Tanks, k: int, at_s: float) -> None:
    """After a pump-up, springs and brakes, and with a leak all the while; the wall's warmth beside it."""
    t = np.arange(0.0, at_s + 5.0, STEP_S)
    kpa, _, gas_k, wall_k = real_air(one_of(tanks, k), np.append(t, SECONDS))
    i = int(at_s / STEP_S)
    found = read(t, kpa[:-1], at_s)
    true = (gas_k[i] - wall_k[i]) / gas_k[i]
    assert found.share[0] == pytest.approx(true, rel=0.25, abs=0.0036)  # a degree
    assert abs(found.share[0] - true) < 2.0 * np.hypot(found.sd[0], TUNING.warmth_least_sd)
    outside_k = tanks.outside_k[k]
    # a little low: that air comes in hot is no part of it
    assert found.wall[0] == pytest.approx((wall_k[i] - outside_k) / outside_k, rel=0.3, abs=0.001)
