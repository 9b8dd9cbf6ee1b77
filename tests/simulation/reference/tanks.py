"""Tanks as control volumes with mass and energy, joined by valves and holes, solved with scipy's ODE solver. SI units.

It shares no formula, unit or time step with the simulator that it is there to check.
"""

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from scipy.integrate import solve_ivp

from tests.simulation.reference.nozzle import GAMMA, R_AIR, nozzle_kg_per_s

Floats = npt.NDArray[np.float64]

CV = R_AIR / (GAMMA - 1.0)  # J/(kg K)
CP = GAMMA * CV
ATMOSPHERE_PA = 101_325.0
HeatPath = Callable[[float, float, float], float]
OUTSIDE = -1  # in place of a tank's number


@dataclass(frozen=True, slots=True)
class Tank:
    """A tank and its wall.

    ``still_w_per_k`` gives the heat that passes from gas to wall, W/K, of gas mass (kg), gas and wall temperature (K);
    ``stirred_w_per_k`` the same while the compressor fills. A wall of endless heat capacity stays as it is.
    """

    volume_m3: float
    still_w_per_k: HeatPath = lambda _mass, _gas_k, _wall_k: 0.0
    stirred_w_per_k: HeatPath = lambda _mass, _gas_k, _wall_k: 0.0
    wall_j_per_k: float = float("inf")
    wall_w_per_k: float = 0.0  # from wall to surroundings
    surroundings_k: float = 293.15


def settling(gas_settle_s: float) -> HeatPath:
    """Heat transfer that brings gas to the wall's temperature with one time constant at any pressure."""
    return lambda mass, _gas_k, _wall_k: mass * CV / gas_settle_s


@dataclass(frozen=True, slots=True)
class Hole:
    """An orifice from a tank to another tank or outside; air passes one way only.

    With ``opening_pa`` above 0 it is a spring-loaded check valve that has opened fully at ``1.5 * opening_pa``.
    """

    source: int
    sink: int
    area_m2: float
    opening_pa: float = 0.0

    def kg_per_s(self, upstream_pa: float, upstream_k: float, downstream_pa: float) -> float:
        """Give the mass flow, kg/s, never negative."""
        lift = 1.0
        if self.opening_pa > 0.0:
            lift = min(max((upstream_pa - downstream_pa) / self.opening_pa - 1.0, 0.0) * 2.0, 1.0)
        return lift * nozzle_kg_per_s(self.area_m2, upstream_pa, upstream_k, downstream_pa)


@dataclass(frozen=True, slots=True)
class Compressor:
    """A piston compressor that a governor loads at ``cut_in_pa`` and unloads at ``cut_out_pa``, absolute.

    What it sweeps, ``swept_m3_per_s``, is filled with air of the atmosphere but for what expands from the clearance
    (polytropic, n = 1.3) and for ``basic_efficiency``; it arrives at ``delivery_k``.
    """

    into: int
    swept_m3_per_s: float
    clearance: float
    basic_efficiency: float
    inlet_k: float
    delivery_k: float
    cut_out_pa: float = float("inf")
    cut_in_pa: float = 0.0

    def kg_per_s(self, back_pa: float) -> float:
        """Give what a loaded compressor delivers against a pressure, kg/s.

        Indicator diagram: the clearance air at the back pressure grows by ``(p/p_atm)^(1/n)`` before the inlet opens.
        """
        regrown = self.clearance * (math.pow(back_pa / ATMOSPHERE_PA, 1.0 / 1.3) - 1.0)
        density = ATMOSPHERE_PA / (R_AIR * self.inlet_k)
        return max(self.swept_m3_per_s * self.basic_efficiency * (1.0 - regrown), 0.0) * density


@dataclass(frozen=True, slots=True)
class State:
    """Instants ``t_s`` (n,) and, as (tanks, n): absolute Pa, kg, K of the gas, K of the wall; the governor's turns."""

    t_s: Floats
    pressure_pa: Floats
    mass_kg: Floats
    gas_k: Floats
    wall_k: Floats
    turns: list[tuple[float, bool]] = field(default_factory=list)  # when, and whether loaded from then on


@dataclass(slots=True)
class AirModel:
    """Tanks, what joins them, and a compressor; `run` solves it."""

    tanks: Sequence[Tank]
    holes: Sequence[Hole] = ()
    compressor: Compressor | None = None
    used_kg_per_s: Sequence[float] = ()  # drawn from each tank at its own temperature

    def run(
        self,
        seconds: float,
        pressure_pa: Sequence[float],
        gas_k: Sequence[float],
        wall_k: Sequence[float] | None = None,
        *,
        loaded: bool = False,
        n: int = 201,
    ) -> State:
        """Solve from given pressures and temperatures.

        Parameters
        ----------
        seconds : float
            How long.
        pressure_pa, gas_k, wall_k : sequence, one for each tank
            Absolute Pa and K at the start; walls are as warm as the gas unless given.
        loaded : bool
            The governor has the compressor loaded at the start.
        n : int
            Instants in the answer, evenly spaced.

        Raises
        ------
        RuntimeError
            The solver gave up.
        """
        volume = np.array([tank.volume_m3 for tank in self.tanks])
        mass = np.array(pressure_pa) * volume / (R_AIR * np.array(gas_k))
        y = np.concatenate([mass, mass * CV * np.array(gas_k), np.array(wall_k or gas_k, dtype=float)])
        grid = np.linspace(0.0, seconds, n)
        out, turns, t = np.empty((len(y), n)), [], 0.0
        out[:, 0] = y
        while t < seconds:
            solved = solve_ivp(
                lambda _t, now, on=loaded: self._slopes(now, on),
                (t, seconds),
                y,
                method="LSODA",
                dense_output=True,
                rtol=1e-8,
                atol=1e-10,
                max_step=seconds / 20.0,
                events=self._edge(loaded) if self.compressor else None,
            )
            if not solved.success:
                raise RuntimeError(f"solve_ivp stopped at {solved.t[-1]:g} s: {solved.message}")
            here = (grid > t) & (grid <= solved.t[-1])
            if here.any():
                out[:, here] = solved.sol(grid[here])
            t, y = float(solved.t[-1]), solved.y[:, -1]
            if solved.status == 1:
                loaded = not loaded
                turns.append((t, loaded))
        mass, energy, wall = np.split(out, 3)
        kelvin = energy / (mass * CV)
        return State(grid, mass * R_AIR * kelvin / volume[:, None], mass, kelvin, wall, turns)

    def _edge(self, loaded: bool) -> Callable[[float, Floats], float]:  # noqa: FBT001 - the governor's state
        """Give the solver's event at which the governor turns."""
        assert self.compressor is not None
        at, edge = self.compressor.into, self.compressor.cut_out_pa if loaded else self.compressor.cut_in_pa
        tanks, volume = len(self.tanks), self.tanks[at].volume_m3

        def event(_t: float, y: Floats) -> float:
            pressure = float(y[tanks + at]) * (GAMMA - 1.0) / volume
            return min(pressure - edge, 1e9)

        event.terminal = True  # type: ignore[attr-defined]
        event.direction = 1.0 if loaded else -1.0  # type: ignore[attr-defined]
        return event

    def _slopes(self, y: Floats, loaded: bool) -> Floats:  # noqa: FBT001
        mass, energy, wall = np.split(y, 3)
        kelvin = energy / (mass * CV)
        pressure = [float(u) * (GAMMA - 1.0) / tank.volume_m3 for u, tank in zip(energy, self.tanks, strict=True)]
        d_mass, d_energy, d_wall = np.zeros_like(mass), np.zeros_like(mass), np.zeros_like(mass)
        for hole in self.holes:
            back = pressure[hole.sink] if hole.sink != OUTSIDE else ATMOSPHERE_PA
            flow = hole.kg_per_s(pressure[hole.source], float(kelvin[hole.source]), back)
            d_mass[hole.source] -= flow
            d_energy[hole.source] -= flow * CP * kelvin[hole.source]
            if hole.sink != OUTSIDE:
                d_mass[hole.sink] += flow
                d_energy[hole.sink] += flow * CP * kelvin[hole.source]
        for i, flow in enumerate(self.used_kg_per_s):
            d_mass[i] -= flow
            d_energy[i] -= flow * CP * kelvin[i]
        if self.compressor and loaded:
            flow = self.compressor.kg_per_s(pressure[self.compressor.into])
            d_mass[self.compressor.into] += flow
            d_energy[self.compressor.into] += flow * CP * self.compressor.delivery_k
        for i, tank in enumerate(self.tanks):
            path = tank.stirred_w_per_k if loaded else tank.still_w_per_k
            to_wall = path(float(mass[i]), float(kelvin[i]), float(wall[i])) * (kelvin[i] - wall[i])
            d_energy[i] -= to_wall
            d_wall[i] = (to_wall - tank.wall_w_per_k * (wall[i] - tank.surroundings_k)) / tank.wall_j_per_k
        return np.concatenate([d_mass, d_energy, d_wall])
