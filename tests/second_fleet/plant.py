"""The air systems of all units at once: four tanks each, joined by one-way valves, one step at a time.

A tank's content is kept as the absolute pressure it would have at 293.15 K (``x``, kPa), which only mass flow changes.
The gas is as warm as the vehicle's body plus an excess that filling brings and a first-order decay takes away.
Whatever is drawn within a step is drawn before the tanks are let to even out, and every exchange is an exponential
approach, so that steps of seconds and of minutes are both stable. Rows of ``(4, n)`` arrays: supply, primary,
secondary, trailer.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.second_fleet.fleet import MID_ETA, Fleet
from tests.second_fleet.kinds import Floats
from tests.second_fleet.vehicles import (
    ATM_KPA,
    CHAMBER_L,
    HIGH_TEST_KPA,
    LOW_TEST_KPA,
    REFERENCE_KPA,
    SPRING_L,
    STROKE_USED,
)

Flags = NDArray[np.bool_]

REFERENCE_K = 293.15
ZERO_C_K = 273.15
SUPPLY, PRIMARY, SECONDARY, TRAILER = range(4)
_CHOKED = (ATM_KPA + 90.0) / 90.0  # below 90 kPa gauge a leak is taken as proportional to gauge pressure
_MID_KPA = (LOW_TEST_KPA + HIGH_TEST_KPA) / 2
_ETA_FALL = 0.28e-3  # efficiency lost for each kPa of back pressure
_VALVE_TAU_S, _FEED_TAU_S = 0.7, 4.0
_FEED_LOSS_KPA = 3.0
_PREFILL_KPA = 70.0  # by then the chambers have taken their stroke
_STOP_LAMP_KPA = 41.0  # 6 psi, FMVSS 121 S5.1.7
_WARNING_HYSTERESIS_KPA = 18.0
_SAFETY_KPA = 1075.0
_PROTECTED_KPA = 560.0  # below this nothing goes to suspension and doors
_DRAIN_TAU_S = 14.0


def per_s(kpa_per_min: Floats | float) -> Floats:
    """Turn a leak rate at 690 kPa gauge into the share of absolute pressure that is lost in a second."""
    return np.asarray(kpa_per_min) / 60 / (REFERENCE_KPA + ATM_KPA)


@dataclass(slots=True)
class Asked:
    """What drivers and places ask for in a step; one value for each unit."""

    dt_s: Floats
    engine: Floats
    rpm: Floats
    pedal_kpa: Floats
    park: Flags
    open: Flags
    draw_kpa_l: Floats
    drain: Floats
    ambient_c: Floats


class Plant:
    """State and constants of all units; see the module. Condition arrays may be changed from outside at any time."""

    def __init__(self, fleet: Fleet, rng: np.random.Generator) -> None:
        vs = fleet.vehicles
        n = len(vs)

        def each(values: list[float]) -> Floats:
            return np.array(values, dtype=np.float64)

        self.volume_l = np.array(
            [[v.supply_l for v in vs], [v.primary_l for v in vs], [v.secondary_l for v in vs], [90.0] * n]
        )
        self.own_l = self.volume_l[:3].sum(axis=0)
        self.x_kpa = rng.uniform(350, 850, n) + np.zeros((4, 1)) + ATM_KPA
        self.excess_k = np.zeros((4, n))
        self.body_c = each([v.base_c[0] for v in vs])
        # compressor: the efficiency is set so that 85 to 100 psi takes ``build_up_s`` at governed speed
        governed = each([v.governed_rpm for v in vs])
        rise = self.own_l * (HIGH_TEST_KPA - LOW_TEST_KPA) / each([v.build_up_s for v in vs])
        swept = each([v.compressor_cc for v in vs]) / 1000
        self._per_rpm = rise / governed / MID_ETA
        self.volumetric = self._per_rpm * 60 / (swept * ATM_KPA)  # 1 as designed; for curiosity and tests
        # brakes
        self._chambers_l = np.array(
            [
                [v.primary_chambers_l for v in vs],
                [v.secondary_chambers_l for v in vs],
                [4 * CHAMBER_L[30] * STROKE_USED + 0.8] * n,
            ]
        )
        self._springs_l = each([v.springs_l for v in vs])
        self._trailer_springs_l = 4 * SPRING_L
        self._in_chambers = np.zeros((3, n))
        self._in_springs = np.zeros(n)
        self._in_trailer_springs = np.zeros(n)
        self._crack = np.array([[v.crack_kpa[0] for v in vs], [v.crack_kpa[1] for v in vs]])
        self._heat = each([v.heat_k_per_kpa for v in vs])
        self._heat_tau_s = each([v.heat_tau_s for v in vs])
        self._body_tau_s = each([v.body_tau_s for v in vs])
        self._warmth_k = each([v.running_warmth_k for v in vs])
        self._purge_kpa_l = each([v.purge_kpa_l for v in vs])
        self._purging = np.zeros(n)
        # what faults change; see `conditions`
        self.leak_per_s = np.zeros((4, n))
        self.backflow_per_s = np.zeros(n)
        self.applied_leak = np.zeros((2, n))  # kPa L/s for each kPa of absolute pedal pressure
        self.released_leak = np.zeros(n)
        self.delivered = np.ones(n)
        self.cut_out_kpa = np.zeros(n)
        self.cut_in_kpa = np.zeros(n)
        self.warning_kpa = np.zeros(n)
        self.park_pop_kpa = np.zeros(n)
        self.trailer_pop_kpa = np.zeros(n)
        self.coupled = np.zeros(n, dtype=np.bool_)
        # what can be seen
        self.kpa = np.zeros((4, n))
        self.pedal_kpa = np.zeros(n)
        self.line_kpa = np.zeros(n)
        self.loaded = np.ones(n, dtype=np.bool_)
        self.warns = np.zeros(n, dtype=np.bool_)
        self.parked = np.ones(n, dtype=np.bool_)
        self.park_popped = np.zeros(n, dtype=np.bool_)
        self.trailer_popped = np.zeros(n, dtype=np.bool_)
        self._measure(self._ratio())

    @property
    def low_kpa(self) -> Floats:
        """The lower service tank."""
        low: Floats = np.minimum(self.kpa[PRIMARY], self.kpa[SECONDARY])
        return low

    @property
    def high_kpa(self) -> Floats:
        """The higher service tank, which feeds parking brakes and trailer."""
        high: Floats = np.maximum(self.kpa[PRIMARY], self.kpa[SECONDARY])
        return high

    @property
    def stop_lamp(self) -> Flags:
        """Whether the pedal is seen as pressed."""
        return self.pedal_kpa > _STOP_LAMP_KPA

    def couple(self, which: NDArray[np.int64], volume_l: Floats, trailer_kpa: Floats, is_coupled: Flags) -> None:
        """Put trailers with tanks at these pressures behind some units, or none."""
        self.volume_l[TRAILER, which] = volume_l
        self.coupled[which] = is_coupled
        self.x_kpa[TRAILER, which] = (trailer_kpa + ATM_KPA) * REFERENCE_K / (self.body_c[which] + ZERO_C_K)
        self.excess_k[TRAILER, which] = 0.0
        self._in_chambers[2, which] = 0.0
        self._in_trailer_springs[which] = 0.0

    def step(self, asked: Asked) -> None:
        """Go on by one step, which may have another length for each unit."""
        before = self.x_kpa.copy()
        dt = asked.dt_s
        aim = asked.ambient_c + self._warmth_k * asked.engine
        self.body_c -= (aim - self.body_c) * np.expm1(-dt / self._body_tau_s)
        ratio = self._ratio()
        self._leak(asked, ratio)
        self._valves(asked)
        self._brake(asked, ratio)
        self._feed(asked, ratio)
        self._even_out(dt, ratio)
        self._compress(asked, ratio)
        self.excess_k *= np.exp(-dt / self._heat_tau_s)
        self.excess_k += self._heat * (self.x_kpa - before)
        self._measure(self._ratio())
        low = self.low_kpa
        self.warns = (low < self.warning_kpa) | (self.warns & (low < self.warning_kpa + _WARNING_HYSTERESIS_KPA))

    def _ratio(self) -> Floats:
        return (self.body_c + ZERO_C_K + self.excess_k) / REFERENCE_K

    def _measure(self, ratio: Floats) -> None:
        np.multiply(self.x_kpa, ratio, out=self.kpa)
        self.kpa -= ATM_KPA

    def _leak(self, asked: Asked, ratio: Floats) -> None:
        rate = self.leak_per_s.copy()
        rate[SUPPLY] += self.backflow_per_s * ~(self.loaded & (asked.engine > 0))
        gauge = np.maximum(self.kpa, 1e-3)
        driving = np.minimum(gauge + ATM_KPA, gauge * _CHOKED)
        lost = -gauge * np.expm1(-rate * asked.dt_s * driving / gauge)
        if asked.drain.any():
            opened = np.array([asked.drain > 0, asked.drain > 1, asked.drain > 1])
            lost[:3] += (gauge[:3] - lost[:3]) * opened * -np.expm1(-asked.dt_s / _DRAIN_TAU_S)
        self.x_kpa -= lost / ratio

    def _valves(self, asked: Asked) -> None:
        high = self.high_kpa
        self.park_popped = ~asked.park & (self.park_popped | (high < self.park_pop_kpa))
        self.parked = asked.park | self.park_popped
        pushed = asked.open & self.coupled
        self.trailer_popped = pushed & (self.trailer_popped | (high < self.trailer_pop_kpa))
        self._open = pushed & ~self.trailer_popped

    def _brake(self, asked: Asked, ratio: Floats) -> None:
        """Fill or vent the brake chambers; a leak behind the pedal valve flows while the pedal is down."""
        applied = np.maximum(np.minimum(asked.pedal_kpa, self.kpa[1:]), 0.0)
        applied[2] *= self._open
        holds = self._chambers_l * (applied + ATM_KPA * np.minimum(1.0, applied / _PREFILL_KPA))
        taken = np.maximum(holds - self._in_chambers, 0.0)
        self._in_chambers = holds
        leaking = self.applied_leak * (applied[:2] + ATM_KPA) * (applied[:2] > 30.0) * asked.dt_s
        taken[:2] += leaking
        self.x_kpa[1:] -= taken / self.volume_l[1:] / ratio[1:]
        self.pedal_kpa = np.maximum(applied[0], applied[1])

    def _feed(self, asked: Asked, ratio: Floats) -> None:
        """Feed spring brakes, their leak, and the trailer from the higher service tank."""
        first, second, behind = self.kpa[PRIMARY], self.kpa[SECONDARY], self.kpa[TRAILER]
        high, low = np.maximum(first, second), np.minimum(first, second)
        is_first = first >= second
        released = ~self.parked
        held = released * self._springs_l * (np.maximum(high, 0.0) + ATM_KPA)
        taken = np.maximum(held - self._in_springs, 0.0)
        self._in_springs = np.maximum(held, self._in_springs * released)
        taken += self.released_leak * released * (high + ATM_KPA) * asked.dt_s
        high_l = np.where(is_first, self.volume_l[PRIMARY], self.volume_l[SECONDARY])
        low_l = np.where(is_first, self.volume_l[SECONDARY], self.volume_l[PRIMARY])
        excess = np.maximum(high - _FEED_LOSS_KPA - behind, 0.0) * self._open
        feeding = high_l + low_l * (low > behind)
        volume = self.volume_l[TRAILER]
        fed = excess * volume * feeding / (volume + feeding) * -np.expm1(-asked.dt_s / _FEED_TAU_S)
        held = self._open * self._trailer_springs_l * (np.maximum(behind, 0.0) + ATM_KPA)
        gone = np.maximum(held - self._in_trailer_springs, 0.0)
        self._in_trailer_springs = np.maximum(held, self._in_trailer_springs * self._open)
        self.x_kpa[TRAILER] += (fed / ratio[PRIMARY] - gone / ratio[TRAILER]) / volume
        taken += fed
        # the higher tank gives until both are level, then both give
        alone = np.minimum(taken, (high - low) * high_l)
        both = (taken - alone) / (high_l + low_l)
        more = alone / high_l
        self.x_kpa[PRIMARY] -= (both + more * is_first) / ratio[PRIMARY]
        self.x_kpa[SECONDARY] -= (both + more * ~is_first) / ratio[PRIMARY]  # one mass for giver and taker
        self.line_kpa = self._open * (high - 0.5 * excess)

    def _even_out(self, dt: Floats, ratio: Floats) -> None:
        """Let supply air through the check valves into whichever service tank is lower."""
        self._measure(ratio)
        supply, volume = self.kpa[SUPPLY], self.volume_l[SUPPLY]
        reached = -np.expm1(-dt / _VALVE_TAU_S)
        start = supply.copy()
        for k, tank in enumerate((PRIMARY, SECONDARY)):
            own = self.volume_l[tank]
            over = np.maximum(supply - self._crack[k] - self.kpa[tank], 0.0) * reached
            passed = over * volume * own / (volume + own)
            supply -= passed / volume
            self.x_kpa[tank] += passed / own / ratio[SUPPLY]
        self.x_kpa[SUPPLY] -= (start - supply) / ratio[SUPPLY]

    def _compress(self, asked: Asked, ratio: Floats) -> None:
        """Pump, and let the governor look at the supply tank."""
        supply, volume = self.kpa[SUPPLY], self.volume_l[SUPPLY]
        draw = asked.draw_kpa_l * (supply > _PROTECTED_KPA) + self._purging * asked.dt_s
        supply -= draw / volume
        eta = MID_ETA - _ETA_FALL * (supply - _MID_KPA)
        supply += self._per_rpm * asked.rpm * eta * self.delivered * (self.loaded * asked.engine) * asked.dt_s / volume
        was = self.loaded
        is_over = supply >= self.cut_out_kpa
        np.copyto(supply, np.minimum(supply, self.cut_out_kpa), where=is_over & was & (asked.engine > 0))
        np.minimum(supply, _SAFETY_KPA, out=supply)
        self.loaded = (was & ~is_over) | (supply <= self.cut_in_kpa)
        self._purging = np.where(was & ~self.loaded, self._purge_kpa_l / 20.0, self._purging * np.exp(-asked.dt_s / 20))
        self.x_kpa[SUPPLY] = (supply + ATM_KPA) / ratio[SUPPLY]
