"""Mass flow of an ideal gas through a nozzle, by way of the Mach number in its throat. SI units."""

from math import pow as power
from math import sqrt

GAMMA = 1.4  # dry air, ideal diatomic gas
R_AIR = 287.05  # J/(kg K)


def nozzle_kg_per_s(area_m2: float, upstream_pa: float, upstream_k: float, downstream_pa: float) -> float:
    """Give the flow from a vessel through a hole, choked or not; none if the pressures are equal or the other way.

    Parameters
    ----------
    area_m2 : float
        Discharge coefficient times geometric area, m2.
    upstream_pa, upstream_k : float
        Stagnation pressure, absolute Pa, and temperature, K.
    downstream_pa : float
        Absolute, Pa.

    References
    ----------
    Isentropic flow: ``p0/p = (1 + (g-1)/2 M^2)^(g/(g-1))`` gives the Mach number, at most 1 in the throat, and
    ``m = A p0 sqrt(g/(R T0)) M (1 + (g-1)/2 M^2)^(-(g+1)/(2(g-1)))`` the flow; gas-dynamics handbooks.
    """
    if downstream_pa >= upstream_pa:
        return 0.0
    lift = power(upstream_pa / downstream_pa, (GAMMA - 1.0) / GAMMA) - 1.0 if downstream_pa > 0.0 else float("inf")
    mach = min(sqrt(2.0 / (GAMMA - 1.0) * lift), 1.0)
    shape = power(1.0 + (GAMMA - 1.0) / 2.0 * mach**2, -(GAMMA + 1.0) / (2.0 * (GAMMA - 1.0)))
    return area_m2 * upstream_pa * sqrt(GAMMA / (R_AIR * upstream_k)) * mach * shape
