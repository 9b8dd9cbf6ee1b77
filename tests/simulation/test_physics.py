import numpy as np
import pytest

from pipelines.simulation.physics import (
    ATMOSPHERE_KPA,
    CHOKED,
    CRITICAL_RATIO,
    PSI_KPA,
    choked_mass_flow_kg_per_s,
    leak_area_mm2,
    subsonic_factor,
    volumetric_efficiency,
)


def test_critical_ratio_of_air_is_the_textbook_value() -> None:
    # Isentropic flow, g = 1.4: (2/(g+1))^(g/(g-1)) = 0.528; to the atmosphere choked above 191.8 kPa absolute.
    assert pytest.approx(0.5283, abs=1e-4) == CRITICAL_RATIO
    assert pytest.approx(191.8, abs=0.05) == ATMOSPHERE_KPA / CRITICAL_RATIO


def test_choked_constant_of_air_is_the_textbook_value() -> None:
    # m = 0.0404 Cd A p0 / sqrt(T0), SI, air: gas-dynamics handbooks.
    assert pytest.approx(0.0404, abs=5e-5) == CHOKED
    assert choked_mass_flow_kg_per_s(1e6, 1.0, 100.0) == pytest.approx(CHOKED * 1e3 / 10.0)


@pytest.mark.parametrize(("hole_mm", "psi_per_min"), [(0.25, 0.79), (0.5, 3.2), (1.0, 12.6)])
def test_hole_sizes_and_rates_agree_with_the_choked_formula(hole_mm: float, psi_per_min: float) -> None:
    # Computed by hand from the choked formula: 100 L at 827 kPa gauge, 20 C, discharge coefficient 1.
    area = np.pi / 4.0 * hole_mm**2
    assert leak_area_mm2(psi_per_min * PSI_KPA, 100.0, at_kpa=827.0) == pytest.approx(area, rel=0.02)


def test_subsonic_factor_is_one_when_choked_and_none_at_equal_pressures() -> None:
    factors = subsonic_factor(np.array([900.0, 191.9, 150.0, 101.325]))
    assert factors[[0, 1, 3]] == pytest.approx([1.0, 1.0, 0.0], abs=1e-4)
    # Compressible-flow tables, g = 1.4: at p/p0 = 0.6755 the Mach number is 0.77 and A*/A = 1/1.0519.
    assert factors[2] == pytest.approx(1.0 / 1.0519, abs=2e-3)


def test_compressor_delivers_less_at_higher_pressure() -> None:
    # Clearance formula by hand: 0.05 clearance, pressure ratio 8, n = 1.3: 1.05 - 0.05 * 8^(1/1.3) = 0.8024.
    efficiency = volumetric_efficiency(np.array([1.0, 8.0]) * ATMOSPHERE_KPA, np.array([0.05]), np.array([1.0]))
    assert efficiency == pytest.approx([1.0, 0.8024], abs=1e-4)
