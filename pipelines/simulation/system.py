"""The air systems of many units at once: mass and energy balance of four tanks each, advanced in steps.

Each tank is an ideal gas with one temperature and a wall with one temperature. Every transfer moves an amount of air
with its enthalpy, so mass and energy are kept exactly; only the exchange with walls, the atmosphere and the compressor
changes the totals. Arrays have the shape ``(4, units)`` for tanks in the order of `parameters.TANKS`, or ``(units,)``.

Against an ODE solution of the same tanks, with steps of 1 and 2 s (10 s parked), in
`tests/simulation/test_against_reference.py`: what a leak takes within 0.3 %, at 100 kPa/min within 1.2 %; while the
compressor fills, tanks that lose nothing within 2 kPa (service) and 4 kPa (supply); governor turns within 1 kPa. While
a trailer fills through its hose, within 13 kPa for each second of the step.
"""

import numpy as np

from pipelines.simulation.parameters import PRIMARY, SECONDARY, SUPPLY, TRAILER, Controls, Flags, Parameters
from pipelines.simulation.physics import (
    ATMOSPHERE_KPA,
    CRITICAL_RATIO,
    CV_PER_R,
    GAMMA,
    KELVIN,
    SUCTION_L_PER_S,
    Floats,
    levelling,
    subsonic_factor,
    volumetric_efficiency,
)

CHECK_OPENING_KPA = 4.0  # difference at which a one-way valve between tanks opens
CHECK_MM2 = 40.0  # effective area of such a valve and its line, half an inch wide
# The same through couplings, hoses and a trailer length of pipe. A new tractor's coupling must fill 0.82 L to 414 kPa
# from 690 kPa in 0.35 s, valves included (49 CFR 571.121 S5.3.3.1), which takes 4 to 9 mm2; a supply line has more.
TRAILER_MM2 = 12.0
SPRING_FILL_S = 1.5
FEED_BAND_KPA = 4.0  # the double check valve feeds from both tanks when they are this close
STIRRED_SETTLE_S = 12.0  # tank gas to wall while the compressor fills
HOT_AIR_K = 30.0  # compressed air behind the dryer above ambient
SAFETY_VALVE_KPA = 1040.0  # gauge, about 150 psi
WALL_J_PER_K_L = 150.0  # heat capacity of a steel or aluminium tank for each litre it holds
MOST_DRAWN = 0.5  # no step takes more than this share of a tank
MOST_LEAKED = 0.05  # a step that would empty more of a tank through a hole is cut into shorter ones
WARM_ROOT_K = 18.0  # root of the temperature of warm gas

_STATE = (
    *("pressure_kpa", "amount", "wall_k", "is_loaded", "is_popped", "is_shut"),
    *("brake_kpa", "spring", "trailer_spring", "line_kpa"),
)


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
        """Advance each unit by its own ``dt_s``, meant for 10 s or less; the governor may turn within a step."""
        before = {name: getattr(self, name).copy() for name in _STATE}
        self._advance(c)
        supply = self.gauge_kpa[SUPPLY]
        has_passed = np.where(self.is_loaded, supply > self.parameters.cut_out_kpa, supply < self.parameters.cut_in_kpa)
        has_passed &= c.engine_rpm > 0.0
        if has_passed.any():
            self._turn_within(c, before, has_passed)

    def _turn_within(self, c: Controls, before: dict[str, Floats], units: Flags) -> None:
        """Step some units anew from ``before``, and turn their governors where the supply passed its point."""
        par, is_loaded = self.parameters.part(units), self.is_loaded[units]
        start, end = before["pressure_kpa"][SUPPLY, units], self.pressure_kpa[SUPPLY, units]
        point = np.where(is_loaded, par.cut_out_kpa, par.cut_in_kpa) + ATMOSPHERE_KPA
        share = np.clip((point - start) / (end - start), 0.0, 1.0)
        part = AirSystems(par, before["pressure_kpa"][:, units], c.ambient_c[units])
        for name in _STATE:
            setattr(part, name, before[name][..., units])
        part._advance(c.part(units, share))
        part.is_loaded = ~is_loaded
        part._advance(c.part(units, 1.0 - share))
        for name in _STATE:
            getattr(self, name)[..., units] = getattr(part, name)

    def _advance(self, c: Controls) -> None:
        began_k = self.pressure_kpa * self.parameters.volume_l / self.amount
        self._valves(c)
        self._leak(c)
        self._draw(self._demand(c))
        self._compress(c)
        self._feed_service_tanks(c, 0.5)
        self._feed_trailer(c)
        self._feed_service_tanks(c, 0.5)
        self._exchange_heat(c, began_k)

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

    def _leak(self, c: Controls) -> None:
        par, p = self.parameters, self.pressure_kpa
        area = par.leak_mm2.copy()
        area[SUPPLY] += c.drain_mm2
        released = np.where(c.is_parked | self.is_popped, 0.0, par.leak_released_mm2)
        share = self._feed_share()
        area[PRIMARY] += released * share
        area[SECONDARY] += released * (1.0 - share)
        if self.brake_kpa.any():
            # The service circuit is at brake pressure, not at tank pressure: scale the choked flow by it.
            brake = self.brake_kpa + ATMOSPHERE_KPA
            area += par.leak_applied_mm2 * np.minimum(brake / p, 1.0) * subsonic_factor(brake)
        scale = area * (SUCTION_L_PER_S * c.dt_s) / par.volume_l
        pieces = max(int(scale.max() * (WARM_ROOT_K / MOST_LEAKED)) + 1, 1)
        for _ in range(pieces):
            self._empty(scale / pieces)
        if p.max() > SAFETY_VALVE_KPA + ATMOSPHERE_KPA:
            shut = np.minimum(p, SAFETY_VALVE_KPA + ATMOSPHERE_KPA)
            self.amount *= (shut / p) ** (1.0 / GAMMA)
            p[...] = shut

    def _empty(self, scale: Floats) -> None:
        """Let out, of each tank, the share ``scale`` times the root of its temperature; less once no longer choked."""
        p = self.pressure_kpa
        emptied = scale * np.sqrt(p * self.parameters.volume_l / self.amount)
        if p.min() < ATMOSPHERE_KPA / CRITICAL_RATIO:
            level = np.log(np.maximum(p / ATMOSPHERE_KPA, 1.0)) / GAMMA
            emptied = np.minimum(emptied * subsonic_factor(p), level)
        self.amount *= np.exp(-emptied)
        p *= np.exp(-GAMMA * emptied)  # what stays behind expands adiabatically

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

    def _draw(self, demand: Floats) -> None:
        held = self.pressure_kpa * self.parameters.volume_l
        taken = np.minimum(demand, MOST_DRAWN * held)
        self.amount *= 1.0 - taken / held
        self.pressure_kpa -= GAMMA * taken / self.parameters.volume_l

    def _compress(self, c: Controls) -> None:
        par, p = self.parameters, self.pressure_kpa
        turns = np.where(self.is_loaded, c.engine_rpm, 0.0) * (c.dt_s / 60.0)
        litres = par.compressor_l * turns * volumetric_efficiency(p[SUPPLY], par.clearance, par.basic_efficiency)
        ambient_k = c.ambient_c + KELVIN
        amount = ATMOSPHERE_KPA * litres / ambient_k
        self.amount[SUPPLY] += amount
        p[SUPPLY] += GAMMA * (ambient_k + HOT_AIR_K) * amount / par.volume_l[SUPPLY]

    def _feed_service_tanks(self, c: Controls, share: float) -> None:
        """Check valves from the supply tank, the lower service tank first, and what a worn one lets back."""
        par, p, v = self.parameters, self.pressure_kpa, self.parameters.volume_l
        lower, litres = p[PRIMARY : SECONDARY + 1], v[PRIMARY : SECONDARY + 1]
        ahead = lower + CHECK_OPENING_KPA  # what opens each valve
        least_l = np.where(ahead[0] <= ahead[1], litres[0], litres[1])
        held = p[SUPPLY] * v[SUPPLY]
        alone = (held + np.minimum(ahead[0], ahead[1]) * least_l) / (v[SUPPLY] + least_l)  # where they would level out
        together = (held + (ahead * litres).sum(axis=0)) / (v[SUPPLY] + litres.sum(axis=0))
        whole = np.maximum(np.minimum(alone, together) - ahead, 0.0) * litres
        root_k = np.sqrt(held / self.amount[SUPPLY])
        choked = p[SUPPLY] * root_k * (GAMMA * SUCTION_L_PER_S * CHECK_MM2 * share * c.dt_s)
        moved = levelling(whole, choked * subsonic_factor(p[SUPPLY], lower))
        back = np.minimum(p[SUPPLY] - lower, 0.0) * (v[SUPPLY] * litres / (v[SUPPLY] + litres))
        moved -= back * np.expm1(-share * c.dt_s / par.back_s)
        kelvin = p[:TRAILER] * v[:TRAILER] / self.amount[:TRAILER]
        amount = moved / (GAMMA * np.where(moved > 0.0, kelvin[SUPPLY], kelvin[PRIMARY:]))
        p[PRIMARY : SECONDARY + 1] += moved / litres
        p[SUPPLY] -= moved.sum(axis=0) / v[SUPPLY]
        self.amount[PRIMARY : SECONDARY + 1] += amount
        self.amount[SUPPLY] -= amount.sum(axis=0)

    def _feed_trailer(self, c: Controls) -> None:
        """Fill the trailer's tank from the higher service tank, from both once they are level."""
        p, v, n = self.pressure_kpa, self.parameters.volume_l, self.amount
        both, litres, behind = p[PRIMARY : SECONDARY + 1], v[PRIMARY : SECONDARY + 1], p[TRAILER] + CHECK_OPENING_KPA
        held = both * litres
        high_kpa = np.maximum(p[PRIMARY], p[SECONDARY])
        high_l = np.where(p[PRIMARY] >= p[SECONDARY], v[PRIMARY], v[SECONDARY])
        alone = (high_kpa * high_l + behind * v[TRAILER]) / (high_l + v[TRAILER])  # where they would level out
        together = (held.sum(axis=0) + behind * v[TRAILER]) / (litres.sum(axis=0) + v[TRAILER])
        whole = np.maximum(np.maximum(alone, together) - behind, 0.0) * v[TRAILER]
        root_k = np.sqrt(held.sum(axis=0) / n[PRIMARY : SECONDARY + 1].sum(axis=0))
        choked = high_kpa * root_k * (GAMMA * SUCTION_L_PER_S * TRAILER_MM2 * c.dt_s)
        moved = levelling(whole, choked * subsonic_factor(high_kpa, p[TRAILER])) * (self.line_kpa > 0.0)
        left = (held.sum(axis=0) - moved) / litres.sum(axis=0)  # in both, should both give
        primary = np.clip((p[PRIMARY] - left) * v[PRIMARY], 0.0, moved)
        given = np.stack([primary, moved - primary])
        amount = given * n[PRIMARY : SECONDARY + 1] / (GAMMA * held)
        p[PRIMARY : SECONDARY + 1] -= given / litres
        n[PRIMARY : SECONDARY + 1] -= amount
        p[TRAILER] += moved / v[TRAILER]
        n[TRAILER] += amount.sum(axis=0)

    def _exchange_heat(self, c: Controls, began_k: Floats) -> None:
        """Let gas and walls exchange heat; what the step did to the gas temperature came evenly over it."""
        par, n, v = self.parameters, self.amount, self.parameters.volume_l
        kelvin = self.pressure_kpa * v / n
        is_stirred = self.is_loaded & (c.engine_rpm > 0.0)  # jets of incoming air speed the exchange up
        steps = c.dt_s / np.where(is_stirred, STIRRED_SETTLE_S, par.gas_settle_s)
        gone = -np.expm1(-steps)
        settled = self.wall_k + (began_k - self.wall_k) * (1.0 - gone)
        settled += (kelvin - began_k) * (gone / np.maximum(steps, 1e-300))
        self.wall_k += CV_PER_R * n * (kelvin - settled) / (WALL_J_PER_K_L * v)
        outside = c.ambient_c + KELVIN + par.warm_k * (c.engine_rpm > 0.0)
        self.wall_k += (outside - self.wall_k) * (1.0 - np.exp(-c.dt_s / par.wall_settle_s))
        self.pressure_kpa[...] = n * settled / v
