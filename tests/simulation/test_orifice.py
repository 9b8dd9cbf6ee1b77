"""Flow through holes, against libraries that share nothing with the simulator: fluids and, for real air, CoolProp."""

from math import pi, sqrt

import fluids
import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from scipy.optimize import minimize_scalar

from pipelines.simulation.physics import (
    ATMOSPHERE_KPA,
    CHOKED,
    CRITICAL_RATIO,
    GAMMA,
    R_AIR,
    choked_mass_flow_kg_per_s,
    subsonic_factor,
)
from tests.simulation.reference.nozzle import nozzle_kg_per_s

MOLAR_G = 8314.462618 / R_AIR  # g/mol, so that both sides speak of the same gas
HOLE_MM2 = pi / 4.0  # 1 mm wide, discharge coefficient 1


def _flow_kg_per_s(upstream_kpa: float, kelvin: float, downstream_kpa: float) -> float:
    """Give the simulator's flow through the hole."""
    factor = float(subsonic_factor(np.array([upstream_kpa]), downstream_kpa)[0])
    return choked_mass_flow_kg_per_s(HOLE_MM2, upstream_kpa, kelvin) * factor


@pytest.mark.parametrize("kelvin", [243.15, 293.15, 333.15])
@pytest.mark.parametrize("gauge_kpa", [100.0, 300.0, 690.0, 1000.0])
def test_choked_flow_is_that_of_relief_valve_sizing(gauge_kpa: float, kelvin: float) -> None:
    # fluids.API520_A_g solves API 520 part 1, critical flow, for the area: kg/h, Pa, K, m2. Its constant 0.03948 has
    # four figures.
    upstream_pa = (gauge_kpa + ATMOSPHERE_KPA) * 1e3
    flow = _flow_kg_per_s(upstream_pa / 1e3, kelvin, ATMOSPHERE_KPA)
    area_m2 = fluids.API520_A_g(flow, kelvin, 1.0, MOLAR_G, GAMMA, upstream_pa, 101_325.0, Kd=1.0)
    assert area_m2 * 1e6 == pytest.approx(HOLE_MM2, rel=2e-4)


@pytest.mark.parametrize("gauge_kpa", [1.0, 10.0, 40.0, 80.0, 89.0])
def test_subsonic_flow_is_that_of_relief_valve_sizing(gauge_kpa: float) -> None:
    # The same with the factor F2 of API 520 part 1 for subcritical flow.
    upstream_pa = (gauge_kpa + ATMOSPHERE_KPA) * 1e3
    flow = _flow_kg_per_s(upstream_pa / 1e3, 293.15, ATMOSPHERE_KPA)
    area_m2 = fluids.API520_A_g(flow, 293.15, 1.0, MOLAR_G, GAMMA, upstream_pa, 101_325.0, Kd=1.0)
    assert area_m2 * 1e6 == pytest.approx(HOLE_MM2, rel=2e-3)


@pytest.mark.parametrize("downstream_kpa", [480.0, 600.0, 750.0, 850.0, 895.0])
def test_subsonic_flow_between_tanks_is_that_of_the_metering_nozzle(downstream_kpa: float) -> None:
    # fluids.nozzle_expansibility is ISO 5167-3: m = e A sqrt(2 rho dp) for a nozzle that is small beside its pipe.
    upstream_kpa, kelvin = 900.0, 293.15
    width_m = sqrt(HOLE_MM2 * 4.0 / pi) * 1e-3
    e = fluids.nozzle_expansibility(D=1e3 * width_m, Do=width_m, P1=upstream_kpa, P2=downstream_kpa, k=GAMMA)
    density = upstream_kpa * 1e3 / (R_AIR * kelvin)
    metered = e * HOLE_MM2 * 1e-6 * sqrt(2.0 * density * (upstream_kpa - downstream_kpa) * 1e3)
    assert _flow_kg_per_s(upstream_kpa, kelvin, downstream_kpa) == pytest.approx(metered, rel=1e-6)


@pytest.mark.parametrize("downstream_kpa", [0.001, 101.325, 475.0, 476.0, 700.0, 899.0, 900.0, 950.0])
def test_the_reference_gets_the_same_flow_from_the_mach_number(downstream_kpa: float) -> None:
    mach = nozzle_kg_per_s(HOLE_MM2 * 1e-6, 900e3, 300.0, downstream_kpa * 1e3)
    assert _flow_kg_per_s(900.0, 300.0, downstream_kpa) == pytest.approx(mach, rel=1e-9, abs=1e-12)


def test_where_flow_chokes() -> None:
    # Isentropic flow tables, g = 1.4: 0.5283; fluids computes the same. Handbook constant for air, SI: 0.0404.
    assert fluids.P_critical_flow(1.0, GAMMA) == pytest.approx(CRITICAL_RATIO, rel=1e-12)
    assert CRITICAL_RATIO == pytest.approx(0.528, abs=5e-4)  # noqa: SIM300
    assert CHOKED == pytest.approx(0.0404, abs=5e-5)  # noqa: SIM300
    choked_above_kpa = ATMOSPHERE_KPA / CRITICAL_RATIO
    assert fluids.is_critical_flow(choked_above_kpa * 1.001, ATMOSPHERE_KPA, GAMMA)
    assert not fluids.is_critical_flow(choked_above_kpa * 0.999, ATMOSPHERE_KPA, GAMMA)
    assert choked_above_kpa - ATMOSPHERE_KPA == pytest.approx(90.0, abs=0.6)  # gauge; 13 psi


# What the ideal gas costs, at 1 MPa absolute against CoolProp's equation of state for air. A leak rate in kPa/min is
# flow times Z over what the tank holds, so flow and density errors partly cancel in it.
@pytest.mark.parametrize(
    ("kelvin", "density", "flow"), [(243.15, 0.0106, 0.0080), (293.15, 0.0035, 0.0043), (323.15, 0.0012, 0.0029)]
)
def test_real_air_at_one_megapascal_is_within_about_a_percent(kelvin: float, density: float, flow: float) -> None:
    pressure_pa = 1e6
    ideal_density = pressure_pa / (R_AIR * kelvin)
    assert PropsSI("D", "T", kelvin, "P", pressure_pa, "Air") / ideal_density - 1.0 == pytest.approx(density, abs=2e-4)
    enthalpy, entropy = (PropsSI(name, "T", kelvin, "P", pressure_pa, "Air") for name in ("HMASS", "SMASS"))

    def mass_flux(throat_pa: float) -> float:
        fallen = enthalpy - PropsSI("HMASS", "P", throat_pa, "SMASS", entropy, "Air")
        return float(PropsSI("D", "P", throat_pa, "SMASS", entropy, "Air") * sqrt(2.0 * max(fallen, 0.0)))

    throat = minimize_scalar(lambda pa: -mass_flux(pa), bounds=(0.3e6, 0.8e6), method="bounded")
    assert throat.x / pressure_pa == pytest.approx(CRITICAL_RATIO, abs=0.002)
    ideal_flow = choked_mass_flow_kg_per_s(1e6, pressure_pa / 1e3, kelvin)
    assert -throat.fun / ideal_flow - 1.0 == pytest.approx(flow, abs=2e-4)


def test_gas_constant_and_ratio_of_specific_heats() -> None:
    # CoolProp, air at 20 C and 100 kPa. Throttled from 1 MPa it cools by 2 K, which the ideal gas does not.
    assert PropsSI("GAS_CONSTANT", "Air") / PropsSI("M", "Air") == pytest.approx(R_AIR, rel=1e-5)
    state = "T", 293.15, "P", 1e5, "Air"
    assert PropsSI("CPMASS", *state) / PropsSI("CVMASS", *state) == pytest.approx(GAMMA, abs=0.003)
    enthalpy = PropsSI("HMASS", "T", 293.15, "P", 1e6, "Air")
    assert 293.15 - PropsSI("T", "P", 101_325.0, "HMASS", enthalpy, "Air") == pytest.approx(2.1, abs=0.05)
