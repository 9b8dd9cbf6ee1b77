"""How fast still gas gives its heat to a tank's wall: turbulent free convection. SI units.

The Nusselt number grows with the cube root of the Rayleigh number, so that the size of the tank drops out of the heat
transfer coefficient, and the exchange slows as gas and wall come together: there is no one time constant.
"""

from dataclasses import dataclass
from math import cbrt, pi

from tests.simulation.reference.nozzle import GAMMA, R_AIR

NUSSELT = 0.13  # Nu = 0.13 Ra^(1/3), closed spaces and vertical plates; heat transfer handbooks, remembered
GRAVITY = 9.807


@dataclass(frozen=True, slots=True)
class Air:
    """Conductivity, W/(m K), viscosity, Pa s, and Prandtl number; all hardly depend on pressure."""

    w_per_m_k: float = 0.0257
    pa_s: float = 1.82e-5
    prandtl: float = 0.71


@dataclass(frozen=True, slots=True)
class FreeConvection:
    """The path of heat from gas to wall of a closed cylinder, for `reference.tanks.Tank`."""

    diameter_m: float
    length_m: float
    air: Air = Air()

    @property
    def volume_m3(self) -> float:
        """What it holds, the ends taken as flat."""
        return pi / 4.0 * self.diameter_m**2 * self.length_m

    @property
    def area_m2(self) -> float:
        """Inner surface."""
        return pi * self.diameter_m * self.length_m + pi / 2.0 * self.diameter_m**2

    def __call__(self, mass_kg: float, gas_k: float, wall_k: float) -> float:
        """Give W/K at the present temperatures."""
        density = mass_kg / self.volume_m3
        mean_k = (gas_k + wall_k) / 2.0
        rayleigh_per_m3 = GRAVITY * abs(gas_k - wall_k) / mean_k * density**2 * self.air.prandtl / self.air.pa_s**2
        return NUSSELT * self.air.w_per_m_k * cbrt(rayleigh_per_m3) * self.area_m2

    def settle_s(self, pressure_pa: float, gas_k: float, wall_k: float) -> float:
        """Time constant of the gas at the present difference of temperatures, s."""
        mass = pressure_pa * self.volume_m3 / (R_AIR * gas_k)
        return mass * R_AIR / (GAMMA - 1.0) / self(mass, gas_k, wall_k)
