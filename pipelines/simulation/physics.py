"""The gas laws the simulator stands on: orifices, compressor delivery, units. Pure functions of SI-like numbers.

Pressures are absolute kPa, volumes litres, temperatures kelvin. An *amount* of air is ``p V / T`` in kPa L/K, which is
mass times the gas constant; 1 kPa L is 1 J, so energies are joules.
"""

import math

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

GAMMA = 1.4  # ratio of specific heats of dry air, ideal diatomic gas
R_AIR = 287.05  # J/(kg K), specific gas constant of dry air
ATMOSPHERE_KPA = 101.325  # standard atmosphere; altitude and weather fronts are left out
KELVIN = 273.15  # 0 C
PSI_KPA = 6.894757  # kPa per psi; NIST SP 811 (2008), App. B.8
CRITICAL_RATIO = (2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0))  # 0.528: below it an orifice is choked
# m = CHOKED * area * p0 / sqrt(T0), SI units: the gas-dynamics handbook formula, 0.0404 for air.
CHOKED = float(np.sqrt(GAMMA / R_AIR) * (2.0 / (GAMMA + 1.0)) ** ((GAMMA + 1.0) / (2.0 * (GAMMA - 1.0))))
# The same flow as litres of tank gas a second, for an effective area of 1 mm2 and 1 K: multiply by area and sqrt(T).
SUCTION_L_PER_S = CHOKED * R_AIR * 1e-6 * 1e3
CV_PER_R = 1.0 / (GAMMA - 1.0)  # heat capacity at constant volume of one kPa L/K of air, J/K


def choked_mass_flow_kg_per_s(area_mm2: float, upstream_kpa: float, upstream_k: float) -> float:
    """Mass flow of air through a choked orifice.

    Parameters
    ----------
    area_mm2 : float
        Effective area, discharge coefficient times geometric area, mm2.
    upstream_kpa, upstream_k : float
        Stagnation pressure, absolute kPa, and temperature, K.
    """
    return CHOKED * area_mm2 * 1e-6 * upstream_kpa * 1e3 / math.sqrt(upstream_k)


def subsonic_factor(upstream_kpa: Floats, downstream_kpa: float = ATMOSPHERE_KPA) -> Floats:
    """Flow through an orifice over what would flow were it choked: 1 while choked, falling to 0 at equal pressures.

    Parameters
    ----------
    upstream_kpa : array
        Absolute kPa, any shape.
    downstream_kpa : float
        Absolute kPa.

    References
    ----------
    Isentropic nozzle: ``sqrt(2/(g-1) (r^(2/g) - r^((g+1)/g)))`` over its value at the critical ratio.
    """
    ratio = np.clip(downstream_kpa / upstream_kpa, CRITICAL_RATIO, 1.0)
    shape: Floats = np.sqrt(np.maximum(ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA), 0.0))
    top = math.sqrt(CRITICAL_RATIO ** (2.0 / GAMMA) - CRITICAL_RATIO ** ((GAMMA + 1.0) / GAMMA))
    factor: Floats = shape / top
    return factor


def leak_area_mm2(kpa_per_min: float, volume_l: float, *, at_kpa: float, kelvin: float = 293.15) -> float:
    """Effective area of the hole that makes a settled tank fall at a given rate.

    Parameters
    ----------
    kpa_per_min : float
        Rate of fall, kPa/min.
    volume_l : float
        Volume that falls together, litres.
    at_kpa : float
        Gauge pressure at which the rate holds, kPa; choked.
    kelvin : float
        Gas temperature.
    """
    litres_per_s = kpa_per_min / 60.0 * volume_l / (at_kpa + ATMOSPHERE_KPA)
    return litres_per_s / (SUCTION_L_PER_S * math.sqrt(kelvin))


def volumetric_efficiency(discharge_kpa: Floats, clearance: Floats, basic: Floats) -> Floats:
    """Share of the swept volume a piston compressor draws in.

    Air left in the clearance expands again before the inlet opens, so delivery falls as the discharge pressure rises.

    Parameters
    ----------
    discharge_kpa : array
        Absolute kPa.
    clearance : array
        Clearance volume over swept volume.
    basic : array
        What inlet throttling, heating and blow-by leave at any pressure, 0..1.

    References
    ----------
    Textbook clearance formula ``1 + c - c r^(1/n)``; n = 1.3 for the re-expanding air.
    """
    ratio = discharge_kpa / ATMOSPHERE_KPA
    efficiency: Floats = np.maximum(basic * (1.0 + clearance - clearance * ratio ** (1.0 / 1.3)), 0.0)
    return efficiency
