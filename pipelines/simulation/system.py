"""The air systems of many units at once: mass and energy balance of four tanks each, advanced in steps.

Each tank is an ideal gas with one temperature and a wall with one temperature. Every transfer moves an amount of air
with its enthalpy, so mass and energy are kept exactly; only the exchange with walls, the atmosphere and the compressor
changes the totals. Arrays have the shape ``(4, units)`` for tanks in the order of ``TANKS``, or ``(units,)``.
"""

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Self

import numpy as np
import numpy.typing as npt

from pipelines.simulation.physics import (
    ATMOSPHERE_KPA,
    CRITICAL_RATIO,
    CV_PER_R,
    GAMMA,
    KELVIN,
    SUCTION_L_PER_S,
    Floats,
    subsonic_factor,
    volumetric_efficiency,
)
from pipelines.simulation.vehicle import Trailer, Vehicle

Flags = npt.NDArray[np.bool_]

TANKS = ("supply", "primary", "secondary", "trailer")
SUPPLY, PRIMARY, SECONDARY, TRAILER = range(4)

CHECK_OPENING_KPA = 4.0  # difference at which a one-way valve between tanks opens
CHECK_FILL_S = 0.5  # time constant of filling a service tank from the supply tank
TRAILER_FILL_S = 9.0  # the same through hoses and a trailer length of pipe
SPRING_FILL_S = 1.5
FEED_BAND_KPA = 4.0  # the double check valve feeds from both tanks when they are this close
STIRRED_SETTLE_S = 12.0  # tank gas to wall while the compressor fills
HOT_AIR_K = 30.0  # compressed air behind the dryer above ambient
SAFETY_VALVE_KPA = 1040.0  # gauge, about 150 psi
WALL_J_PER_K_L = 150.0  # heat capacity of a steel or aluminium tank for each litre it holds
MOST_DRAWN = 0.5  # no step takes more than this share of a tank


@dataclass(slots=True)
class Parameters:
    """`Vehicle` and `Trailer` figures as arrays over units; see there for meaning and units."""

    volume_l: Floats  # (4, units)
    leak_mm2: Floats  # (4, units)
    leak_released_mm2: Floats
    leak_applied_mm2: Floats  # (4, units)
    back_s: Floats  # (2, units): primary, secondary
    filled_l: Floats  # (4, units) volume at brake pressure
    stroke_l: Floats  # (4, units)
    spring_l: Floats
    trailer_spring_l: Floats
    compressor_l: Floats  # litres swept in one engine turn
    clearance: Floats
    basic_efficiency: Floats
    cut_out_kpa: Floats
    cut_in_kpa: Floats
    warning_kpa: Floats
    park_pop_kpa: Floats
    protection_kpa: Floats
    accessory_opens_kpa: Floats
    gas_settle_s: Floats
    wall_settle_s: Floats
    warm_k: Floats  # (4, units)

    @classmethod
    def of(cls, rigs: Sequence[tuple[Vehicle, Trailer | None]]) -> Self:
        """Parameters of power units and what each has coupled; no trailer is a closed tank that nothing changes."""
        columns = [_column(vehicle, trailer) for vehicle, trailer in rigs]
        return cls(**{f.name: np.array([c[f.name] for c in columns], dtype=float).T for f in fields(cls)})


def _column(v: Vehicle, t: Trailer | None) -> dict[str, float | list[float]]:
    applied = [0.0, 0.0, 0.0, t.leak_applied_mm2 if t else 0.0]
    applied[TANKS.index(v.leak_applied_from)] = v.leak_applied_mm2
    return {
        "volume_l": [v.supply_l, v.primary_l, v.secondary_l, t.tank_l if t else 50.0],
        "leak_mm2": [v.leak_supply_mm2, v.leak_primary_mm2, v.leak_secondary_mm2, t.leak_mm2 if t else 0.0],
        "leak_released_mm2": v.leak_released_mm2,
        "leak_applied_mm2": applied,
        "back_s": [v.back_primary_s, v.back_secondary_s],
        "filled_l": [0.0, v.rear.filled_l, v.front.filled_l, t.chambers.filled_l + t.line_l if t else 0.0],
        "stroke_l": [0.0, v.rear.stroke_l, v.front.stroke_l, t.chambers.stroke_l if t else 0.0],
        "spring_l": v.spring_l,
        "trailer_spring_l": t.spring_l if t else 0.0,
        "compressor_l": v.compressor_cc * 1e-3 * v.drive_ratio,
        "clearance": v.clearance,
        "basic_efficiency": v.basic_efficiency,
        "cut_out_kpa": v.cut_out_kpa,
        "cut_in_kpa": v.cut_in_kpa,
        "warning_kpa": v.warning_kpa,
        "park_pop_kpa": v.park_pop_kpa,
        "protection_kpa": v.protection_kpa,
        "accessory_opens_kpa": v.accessory_opens_kpa,
        "gas_settle_s": v.gas_settle_s,
        "wall_settle_s": v.wall_settle_s,
        "warm_k": [v.supply_warm_k, v.service_warm_k, v.service_warm_k, 0.0],
    }


@dataclass(slots=True)
class Controls:
    """What driver and engine do during one step; arrays over units."""

    dt_s: Floats  # 0 leaves the unit as it is
    engine_rpm: Floats
    application_kpa: Floats  # asked for at the brake valve, gauge
    is_parked: Flags  # the parking brake is set
    is_trailer_fed: Flags  # the trailer supply knob is in
    accessory_l_per_min: Floats  # free air
    drain_mm2: Floats  # open drain cock of the supply tank
    ambient_c: Floats


class AirSystems:
    """State of the units: amounts and pressures of air, wall temperatures, valves.

    Attributes
    ----------
    pressure_kpa : array (4, units)
        Absolute.
    amount : array (4, units)
        ``p V / T``, kPa L/K.
    wall_k : array (4, units)
    is_loaded, is_popped, is_shut : array of bool (units,)
        Compressor loaded by the governor; parking valve has popped; trailer supply valve has shut by itself.
    brake_kpa : array (4, units)
        Brake pressure of the circuit that each tank feeds, gauge.
    spring, trailer_spring : array (units,)
        Air held in released spring chambers, kPa L.
    """

    def __init__(self, parameters: Parameters, pressure_kpa: Floats, ambient_c: Floats) -> None:
        self.parameters = parameters
        units = pressure_kpa.shape[1]
        self.pressure_kpa = pressure_kpa.copy()
        self.wall_k = np.tile(ambient_c + KELVIN, (4, 1))
        self.amount = self.pressure_kpa * parameters.volume_l / self.wall_k
        self.is_loaded = np.ones(units, dtype=bool)
        self.is_popped = np.zeros(units, dtype=bool)
        self.is_shut = np.zeros(units, dtype=bool)
        self.brake_kpa = np.zeros_like(self.pressure_kpa)
        self.spring = np.zeros(units)
        self.trailer_spring = np.zeros(units)
        self.line_kpa = np.zeros(units)

    @property
    def gauge_kpa(self) -> Floats:
        """Gauge pressures, (4, units)."""
        return self.pressure_kpa - ATMOSPHERE_KPA

    @property
    def applied_kpa(self) -> Floats:
        """Brake pressure that a sensor behind the brake valve sees, gauge."""
        applied: Floats = np.maximum(self.brake_kpa[PRIMARY], self.brake_kpa[SECONDARY])
        return applied

    @property
    def is_warning(self) -> Floats:
        """1 where the lower service tank is below the warning switch's point."""
        low = np.minimum(self.pressure_kpa[PRIMARY], self.pressure_kpa[SECONDARY])
        warns: Floats = (low - ATMOSPHERE_KPA < self.parameters.warning_kpa).astype(float)
        return warns

    def step(self, c: Controls) -> None:
        """Advance each unit by its own ``dt_s``; exact for leaks and heat at any length, meant for 10 s or less."""
        par, p, n = self.parameters, self.pressure_kpa, self.amount
        kelvin = p * par.volume_l / n
        self._valves(c)
        self._leak(c, kelvin)
        self._draw(self._demand(c), kelvin)
        self._compress(c)
        self._feed_service_tanks(c)
        self._feed_trailer(c)
        self._exchange_heat(c)

    def _valves(self, c: Controls) -> None:
        par, p = self.parameters, self.pressure_kpa
        best = np.maximum(p[PRIMARY], p[SECONDARY]) - ATMOSPHERE_KPA
        self.is_popped = (self.is_popped | (best < par.park_pop_kpa)) & ~c.is_parked
        self.is_shut = (self.is_shut | (best < par.protection_kpa)) & c.is_trailer_fed
        is_open = c.is_trailer_fed & ~self.is_shut
        filling = np.clip((best + ATMOSPHERE_KPA - p[TRAILER]) * 0.3, 0.0, None)  # what the hoses cost while it flows
        self.line_kpa = np.where(is_open, best - filling, 0.0)
        supply = p[SUPPLY] - ATMOSPHERE_KPA
        self.is_loaded = (self.is_loaded | (supply < par.cut_in_kpa)) & (supply < par.cut_out_kpa)

    def _leak(self, c: Controls, kelvin: Floats) -> None:
        par, p = self.parameters, self.pressure_kpa
        area = par.leak_mm2.copy()
        area[SUPPLY] += c.drain_mm2
        released = np.where(c.is_parked | self.is_popped, 0.0, par.leak_released_mm2)
        share = self._feed_share()
        area[PRIMARY] += released * share
        area[SECONDARY] += released * (1.0 - share)
        # The service circuit is at brake pressure, not at tank pressure: scale the choked flow by it.
        if self.brake_kpa.any():
            brake = np.where(self.brake_kpa > 1.0, self.brake_kpa + ATMOSPHERE_KPA, 0.0)
            area += par.leak_applied_mm2 * np.minimum(brake / p, 1.0)
        emptied = area * np.sqrt(kelvin) * (SUCTION_L_PER_S * c.dt_s) / par.volume_l
        if p.min() < ATMOSPHERE_KPA / CRITICAL_RATIO:
            emptied *= subsonic_factor(p)
        self.amount *= np.exp(-emptied)
        p *= np.exp(-GAMMA * emptied)  # what stays behind expands adiabatically
        np.minimum(p, SAFETY_VALVE_KPA + ATMOSPHERE_KPA, out=p)

    def _feed_share(self) -> Floats:
        """Share of the primary tank in what a double check valve takes from the higher service tank."""
        p = self.pressure_kpa
        share: Floats = np.clip(0.5 + (p[PRIMARY] - p[SECONDARY]) / (2.0 * FEED_BAND_KPA), 0.0, 1.0)
        return share

    def _demand(self, c: Controls) -> Floats:
        """Air that brakes, springs and accessories take during the step, kPa L at tank temperature, (4, units)."""
        par, p = self.parameters, self.pressure_kpa
        demand = np.zeros_like(p)
        if c.application_kpa.any() or self.brake_kpa.any():
            # No circuit brakes harder than its tank does once the two have levelled out.
            most = np.maximum(p - ATMOSPHERE_KPA, 0.0) * (par.volume_l / (par.volume_l + par.filled_l))
            asked = np.where(c.dt_s > 0.0, np.minimum(c.application_kpa, most), self.brake_kpa)
            begins = (self.brake_kpa < 1.0) & (asked >= 1.0)
            demand += par.filled_l * np.maximum(asked - self.brake_kpa, 0.0) + par.stroke_l * (begins * ATMOSPHERE_KPA)
            self.brake_kpa = asked

        share = self._feed_share()
        source = p[PRIMARY] * share + p[SECONDARY] * (1.0 - share)
        is_held = c.is_parked | self.is_popped
        fill = 1.0 - np.exp(-c.dt_s / SPRING_FILL_S)
        wanted = np.maximum(par.spring_l * (source - ATMOSPHERE_KPA) - self.spring, 0.0) * fill
        wanted = np.where(is_held, 0.0, wanted)
        self.spring = np.where(is_held & (c.dt_s > 0.0), 0.0, self.spring + wanted)
        accessory = np.where(source - ATMOSPHERE_KPA > par.accessory_opens_kpa, c.accessory_l_per_min, 0.0)
        demand[PRIMARY] += wanted * share
        demand[SECONDARY] += wanted * (1.0 - share) + accessory * (c.dt_s * (ATMOSPHERE_KPA / 60.0))

        is_fed = self.line_kpa > 0.0
        wanted = np.maximum(par.trailer_spring_l * (p[TRAILER] - ATMOSPHERE_KPA) - self.trailer_spring, 0.0) * fill
        wanted = np.where(is_fed, wanted, 0.0)
        self.trailer_spring = np.where(is_fed | (c.dt_s <= 0.0), self.trailer_spring + wanted, 0.0)
        demand[TRAILER] += wanted
        return demand

    def _draw(self, demand: Floats, kelvin: Floats) -> None:
        held = self.pressure_kpa * self.parameters.volume_l
        taken = np.minimum(demand, MOST_DRAWN * held)
        self.amount -= taken / kelvin
        self.pressure_kpa -= GAMMA * taken / self.parameters.volume_l

    def _compress(self, c: Controls) -> None:
        par, p = self.parameters, self.pressure_kpa
        turns = np.where(self.is_loaded, c.engine_rpm, 0.0) * (c.dt_s / 60.0)
        litres = par.compressor_l * turns * volumetric_efficiency(p[SUPPLY], par.clearance, par.basic_efficiency)
        ambient_k = c.ambient_c + KELVIN
        amount = ATMOSPHERE_KPA * litres / ambient_k
        self.amount[SUPPLY] += amount
        p[SUPPLY] += GAMMA * (ambient_k + HOT_AIR_K) * amount / par.volume_l[SUPPLY]

    def _feed_service_tanks(self, c: Controls) -> None:
        """Check valves from the supply tank, and what a worn one lets back."""
        par, p, v = self.parameters, self.pressure_kpa, self.parameters.volume_l
        lower = p[PRIMARY : SECONDARY + 1]
        excess = p[SUPPLY] - lower
        forward = excess - CHECK_OPENING_KPA
        is_open = forward > 0.0
        # Where both valves are open each fills from half of the supply tank, so that together they just level it.
        supply_l = v[SUPPLY] / np.maximum(is_open.sum(axis=0), 1)
        level = supply_l * v[PRIMARY : SECONDARY + 1] / (supply_l + v[PRIMARY : SECONDARY + 1])
        moved = np.where(is_open, forward, 0.0) * level * (1.0 - np.exp(-c.dt_s / CHECK_FILL_S))
        moved += np.minimum(excess, 0.0) * level * -np.expm1(-c.dt_s / par.back_s)
        kelvin = p[:TRAILER] * v[:TRAILER] / self.amount[:TRAILER]
        amount = moved / (GAMMA * np.where(moved > 0.0, kelvin[SUPPLY], kelvin[PRIMARY:]))
        p[PRIMARY : SECONDARY + 1] += moved / v[PRIMARY : SECONDARY + 1]
        p[SUPPLY] -= moved.sum(axis=0) / v[SUPPLY]
        self.amount[PRIMARY : SECONDARY + 1] += amount
        self.amount[SUPPLY] -= amount.sum(axis=0)

    def _feed_trailer(self, c: Controls) -> None:
        p, v, n = self.pressure_kpa, self.parameters.volume_l, self.amount
        share = self._feed_share()
        feeds = np.stack([share, 1.0 - share])
        source = p[PRIMARY] * feeds[0] + p[SECONDARY] * feeds[1]
        source_l = v[PRIMARY] * feeds[0] + v[SECONDARY] * feeds[1]
        forward = np.where(self.line_kpa > 0.0, np.maximum(source - p[TRAILER] - CHECK_OPENING_KPA, 0.0), 0.0)
        level = source_l * v[TRAILER] / (source_l + v[TRAILER])
        moved = feeds * (forward * level * (1.0 - np.exp(-c.dt_s / TRAILER_FILL_S)))
        amount = moved * n[PRIMARY : SECONDARY + 1] / (GAMMA * p[PRIMARY : SECONDARY + 1] * v[PRIMARY : SECONDARY + 1])
        p[PRIMARY : SECONDARY + 1] -= moved / v[PRIMARY : SECONDARY + 1]
        n[PRIMARY : SECONDARY + 1] -= amount
        p[TRAILER] += moved.sum(axis=0) / v[TRAILER]
        n[TRAILER] += amount.sum(axis=0)

    def _exchange_heat(self, c: Controls) -> None:
        par, n, v = self.parameters, self.amount, self.parameters.volume_l
        kelvin = self.pressure_kpa * v / n
        is_stirred = self.is_loaded & (c.engine_rpm > 0.0)  # jets of incoming air speed the exchange up
        settle_s = np.where(is_stirred, STIRRED_SETTLE_S, par.gas_settle_s)
        settled = self.wall_k + (kelvin - self.wall_k) * np.exp(-c.dt_s / settle_s)
        self.wall_k += CV_PER_R * n * (kelvin - settled) / (WALL_J_PER_K_L * v)
        outside = c.ambient_c + KELVIN + par.warm_k * (c.engine_rpm > 0.0)
        self.wall_k += (outside - self.wall_k) * (1.0 - np.exp(-c.dt_s / par.wall_settle_s))
        self.pressure_kpa[...] = n * settled / v
