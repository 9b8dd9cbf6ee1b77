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
_CRITICAL_SHAPE = math.sqrt(CRITICAL_RATIO ** (2.0 / GAMMA) - CRITICAL_RATIO ** ((GAMMA + 1.0) / GAMMA))
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


def subsonic_factor(upstream_kpa: Floats, downstream_kpa: Floats | float = ATMOSPHERE_KPA) -> Floats:
    """Flow through an orifice over what would flow were it choked: 1 while choked, falling to 0 at equal pressures.

    Parameters
    ----------
    upstream_kpa : array
        Absolute kPa, any shape.
    downstream_kpa : float or array that broadcasts with it
        Absolute kPa; where it is the higher one the factor is 0.

    References
    ----------
    Isentropic nozzle: ``sqrt(2/(g-1) (r^(2/g) - r^((g+1)/g)))`` over its value at the critical ratio.
    """
    ratio = np.minimum(np.maximum(downstream_kpa / upstream_kpa, CRITICAL_RATIO), 1.0)
    shape: Floats = np.sqrt(np.maximum(ratio ** (2.0 / GAMMA) - ratio ** ((GAMMA + 1.0) / GAMMA), 0.0))
    factor: Floats = shape / _CRITICAL_SHAPE
    return factor


def levelling(whole: Floats, rate: Floats) -> Floats:
    """Give what passes between two tanks in a step, of which ``rate`` would were their pressures to stay.

    The flow falls as the tanks level out, and no more passes than ``whole``, which levels them. Exact for short steps
    at any law of flow, for steps of any length where the flow is proportional to what is left to pass.

    Parameters
    ----------
    whole, rate : arrays of one shape
        In one unit, not negative.
    """
    passed: Floats = whole * -np.expm1(-rate / np.maximum(whole, 1e-9))
    return passed


def emptied_kpa(gauge_kpa: float, area_mm2: float, volume_l: float, seconds: float, *, kelvin: float) -> float:
    """Gauge pressure of a tank that has leaked to the atmosphere at one temperature for any length of time.

    Parameters
    ----------
    gauge_kpa : float
        At the start; below 0 counts as 0.
    area_mm2, volume_l : float
        Effective area of the hole and what it empties.
    seconds, kelvin : float
        How long, and how warm the gas is.

    References
    ----------
    Isothermal decay, ``dp/dt = m R T / V``. Choked, absolute pressure falls exponentially. Below, with
    ``w = sqrt((p/p_atm)^(2/7) - 1)``, the nozzle equation for g = 1.4 becomes ``7 (1 + w^2)^2 dw = -k dt``, so that
    ``w + 2/3 w^3 + w^5/5`` falls at a constant rate.
    """
    log = math.log1p(max(gauge_kpa, 0.0) / ATMOSPHERE_KPA)  # of absolute pressure over the atmosphere
    left = area_mm2 * SUCTION_L_PER_S * math.sqrt(kelvin) / volume_l * max(seconds, 0.0)  # fall of it while choked
    choked = min(max(log + math.log(CRITICAL_RATIO), 0.0), left)
    log, left = log - choked, left - choked
    w = math.sqrt(math.expm1(log * 2.0 / 7.0))
    goal = w + w**3 * 2.0 / 3.0 + w**5 / 5.0 - left / (7.0 * _CRITICAL_SHAPE)
    if goal <= 0.0:
        return 0.0
    for _ in range(8):  # Newton from above on a convex curve; w is at most 0.45, or nothing is left to pass
        w -= (w + w**3 * 2.0 / 3.0 + w**5 / 5.0 - goal) / (1.0 + w**2) ** 2
    return ATMOSPHERE_KPA * (math.pow(1.0 + w**2, 3.5) - 1.0)


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
