"""Daily plans: what driver and engine do from one key-on to the next, as rows that the simulator plays.

A plan is an array with one row a step and the columns of `Row`. The last row, parked with the key off, is repeated
until the next day's plan begins. Two marks let the driver look at the gauges: on `WAIT` rows the engine idles until the
air is up, on `FAN_DOWN` rows pumping stops once the parking valve has popped.
"""

from dataclasses import dataclass
from enum import IntEnum

import numpy as np

from pipelines.simulation.physics import Floats
from pipelines.simulation.vehicle import Vehicle

PARKED_STEP_S = 10.0
FULL_BRAKE_KPA = 620.0  # 90 psi, the pedal pressure of an applied leak test
FIRST_MINUTES_S = 600.0  # sampled at 1 s after key-on
PRE_TRIP_FAST_IDLE_RPM = 1100.0


class Row(IntEnum):
    """Columns of a plan."""

    DT_S = 0
    RPM = 1
    SPEED_KPH = 2
    APPLICATION_KPA = 3
    IS_PARKED = 4
    IS_KEY_ON = 5
    IS_TRAILER_FED = 6
    ACCESSORY_L_PER_MIN = 7
    DRAIN_MM2 = 8
    MARK = 9


PLAIN, WAIT, FAN_DOWN = 0.0, 1.0, 2.0


@dataclass(frozen=True, slots=True)
class Duty:
    """How a unit is worked. Times are local hours; brake figures are means that single days and stops scatter about."""

    key_on_h: float = 6.0
    drive_h: float = 7.0  # engine-on driving in a working day, all legs
    leg_min: float = 90.0  # between stops
    stop_min: float = 25.0
    key_off_stops: float = 0.5  # share of stops with the engine off
    cruise_kph: float = 88.0
    slow_every_s: float = 110.0  # mean time between brake applications under way
    stop_share: float = 0.15  # share of applications that end at a standstill
    brake_kpa: float = 140.0
    hold_s: float = 14.0  # standing on the brake
    kneel_l: float = 0.0  # free air a standstill takes for the suspension: buses
    weekend_work: float = 0.0  # chance of working a Saturday or Sunday
    test_share: float = 0.5  # chance of the full pre-trip brake test
    drain_share: float = 0.1  # chance that the supply tank is drained in the evening
    fed_overnight_share: float = 0.5  # chance that the trailer supply stays open while parked


class Plan:
    """Rows under construction."""

    def __init__(self, idle_rpm: float) -> None:
        self._blocks: list[Floats] = []
        self.idle_rpm = idle_rpm
        self.elapsed_s = 0.0

    def add(
        self,
        seconds: float,
        *,
        rpm: Floats | float = 0.0,
        speed_kph: Floats | float = 0.0,
        application_kpa: Floats | float = 0.0,
        parked: bool = True,
        key: bool = True,
        fed: bool = False,
        accessory_l_per_min: Floats | float = 0.0,
        drain_mm2: float = 0.0,
        mark: float = PLAIN,
        dt_s: float | None = None,
    ) -> None:
        """Append ``seconds`` of rows; arrays must have one value a row, see `rows`."""
        step = self.step_s(dt_s)
        block = np.zeros((self.rows(seconds, dt_s), len(Row)))
        block[:, Row.DT_S] = step
        block[:, Row.RPM] = rpm
        block[:, Row.SPEED_KPH] = speed_kph
        block[:, Row.APPLICATION_KPA] = application_kpa
        block[:, Row.IS_PARKED] = parked
        block[:, Row.IS_KEY_ON] = key
        block[:, Row.IS_TRAILER_FED] = fed
        block[:, Row.ACCESSORY_L_PER_MIN] = accessory_l_per_min
        block[:, Row.DRAIN_MM2] = drain_mm2
        block[:, Row.MARK] = mark
        self._blocks.append(block)
        self.elapsed_s += step * len(block)

    def step_s(self, dt_s: float | None = None) -> float:
        """Length of the next steps: 1 s in the first ten minutes, then 2 s."""
        if dt_s is not None:
            return dt_s
        return 1.0 if self.elapsed_s < FIRST_MINUTES_S else 2.0

    def rows(self, seconds: float, dt_s: float | None = None) -> int:
        """Give the number of rows that `add` will make of ``seconds`` now."""
        return max(round(seconds / self.step_s(dt_s)), 1)

    def array(self) -> Floats:
        """All rows so far."""
        return np.concatenate(self._blocks)


def parked_plan(*, fed: bool) -> Floats:
    """Give the plan of a day off: parked with the key off."""
    plan = Plan(0.0)
    plan.add(PARKED_STEP_S, key=False, fed=fed, dt_s=PARKED_STEP_S)
    return plan.array()


def working_plan(
    vehicle: Vehicle, duty: Duty, rng: np.random.Generator, *, coupled: bool, ambient_c: float, longest_h: float = 18.0
) -> Floats:
    """Give the plan of one working day.

    Parameters
    ----------
    vehicle : Vehicle
        Idle and governed speed.
    duty : Duty
        How it is worked.
    rng : Generator
        Source of the day's accidents.
    coupled : bool
        A trailer is coupled.
    ambient_c : float
        Morning temperature: cold engines idle faster.
    longest_h : float
        The key is off at the latest after this time.
    """
    plan = Plan(vehicle.idle_rpm)
    plan.add(_seconds(rng, 6, 20))  # key on, gauges sweep, lamps check
    plan.add(_seconds(rng, 40, 120), rpm=vehicle.idle_rpm + (220.0 if ambient_c < 0.0 else 60.0))
    if rng.random() < duty.test_share:
        _full_test(plan, vehicle, rng, coupled=coupled)
    else:
        _quick_start(plan, vehicle, rng, coupled=coupled)
    drive_s = duty.drive_h * 3600.0 * rng.uniform(0.75, 1.15)
    while drive_s > 0.0 and plan.elapsed_s < longest_h * 3600.0 - 7200.0:
        leg_s = min(duty.leg_min * 60.0 * rng.uniform(0.5, 1.5), max(drive_s, 600.0))
        _drive(plan, duty, rng, leg_s, coupled=coupled)
        drive_s -= leg_s
        if drive_s > 0.0:
            _stop(plan, vehicle, duty, rng, coupled=coupled)
    _park(plan, vehicle, duty, rng, coupled=coupled)
    return plan.array()


def _seconds(rng: np.random.Generator, least: int, below: int) -> float:
    return float(rng.integers(least, below))


def _quick_start(plan: Plan, vehicle: Vehicle, rng: np.random.Generator, *, coupled: bool) -> None:
    """Idle until the air is up, then off."""
    idle = vehicle.idle_rpm
    plan.add(1.0, rpm=idle, mark=WAIT, dt_s=1.0)
    if rng.random() < 0.5:  # noqa: PLR2004 - every other driver raises the idle speed
        plan.add(_seconds(rng, 60, 150), rpm=PRE_TRIP_FAST_IDLE_RPM, fed=coupled)
    plan.add(_seconds(rng, 60, 240), rpm=idle, fed=coupled)
    plan.add(_seconds(rng, 4, 12), rpm=idle, application_kpa=rng.uniform(150.0, 300.0), fed=coupled)
    plan.add(_seconds(rng, 4, 10), rpm=idle, parked=False, fed=coupled)


def _full_test(plan: Plan, vehicle: Vehicle, rng: np.random.Generator, *, coupled: bool) -> None:
    """Do the driver's manual test: build up, static and applied leak, fan down to warning and valves, build up."""
    idle, governed = vehicle.idle_rpm, vehicle.governed_rpm
    plan.add(1.0, rpm=idle, mark=WAIT, dt_s=1.0)
    plan.add(_seconds(rng, 120, 200), rpm=PRE_TRIP_FAST_IDLE_RPM, fed=coupled)
    plan.add(_seconds(rng, 40, 90), rpm=idle, parked=False, fed=coupled)
    one = 1.0
    plan.add(_seconds(rng, 150, 260), parked=False, fed=coupled, dt_s=one)  # engine off, key on, brakes released
    plan.add(_seconds(rng, 100, 160), parked=False, fed=coupled, application_kpa=FULL_BRAKE_KPA, dt_s=one)
    plan.add(6.0, parked=False, fed=coupled, dt_s=one)
    pumps = np.tile([FULL_BRAKE_KPA, FULL_BRAKE_KPA, 0.0, 0.0], 70)
    plan.add(len(pumps), parked=False, fed=coupled, application_kpa=pumps, mark=FAN_DOWN, dt_s=one)
    plan.add(_seconds(rng, 10, 25), dt_s=one)
    plan.add(_seconds(rng, 5, 12), rpm=idle, dt_s=one)
    spread = rng.normal(0.0, 12.0)
    plan.add(one, rpm=governed + spread, mark=WAIT, dt_s=one)
    plan.add(_seconds(rng, 20, 60), rpm=governed + spread, dt_s=one)
    plan.add(_seconds(rng, 60, 180), rpm=idle, fed=coupled, dt_s=one)
    plan.add(_seconds(rng, 4, 10), rpm=idle, parked=False, fed=coupled)


def _drive(plan: Plan, duty: Duty, rng: np.random.Generator, seconds: float, *, coupled: bool) -> None:
    """Drive one leg: cruise, brake, perhaps stand, pull away, until the time is over; ends at a standstill."""
    times, speeds = [0.0], [0.0]
    brakes: list[tuple[float, float, float]] = []  # from, to, kPa
    kneels: list[float] = []
    now = 0.0
    pull_away = 1.1 if coupled else 1.6  # km/h gained in a second
    while True:
        cruise = float(np.clip(duty.cruise_kph * rng.normal(0.95, 0.12), 15.0, 105.0))
        now += max(cruise - speeds[-1], 4.0) / pull_away
        times.append(now)
        speeds.append(cruise)
        now += max(rng.exponential(duty.slow_every_s), 4.0)
        times.append(now)
        speeds.append(cruise + rng.normal(0.0, 1.0))
        is_last = now > seconds
        is_stop = is_last or rng.random() < duty.stop_share
        slow_to = 0.0 if is_stop else cruise * rng.uniform(0.55, 0.9)
        kpa = float(np.clip(duty.brake_kpa * rng.lognormal(0.0, 0.35), 50.0, 550.0))
        lasting = max((cruise - slow_to) / (kpa / 24.0), 3.0)
        times.append(now + lasting)
        speeds.append(slow_to)
        if is_stop:
            hold = max(rng.exponential(duty.hold_s), 3.0)
            brakes.append((now, now + lasting + hold, kpa))
            kneels.append(now + lasting)
            now += lasting + hold
            times.append(now)
            speeds.append(0.0)
        else:
            brakes.append((now, now + lasting, kpa))
            now += lasting
        if is_last:
            break
    rows = plan.rows(now)
    clock = np.arange(rows) * plan.step_s()
    speed = np.interp(clock, times, speeds)
    application = np.zeros(rows)
    for start, end, kpa in brakes:
        first, last = np.searchsorted(clock, [start, end])
        application[first:last] = kpa
    accessory = np.full(rows, 3.0)
    if duty.kneel_l > 0.0:
        for start in kneels:
            first = int(np.searchsorted(clock, start))
            accessory[first : first + 3] += duty.kneel_l * 60.0 / (3.0 * plan.step_s())
    rpm = engine_speed_rpm(speed, plan.idle_rpm)
    plan.add(
        now,
        rpm=rpm,
        speed_kph=speed,
        application_kpa=application,
        parked=False,
        fed=coupled,
        accessory_l_per_min=accessory,
    )


def engine_speed_rpm(speed_kph: Floats, idle_rpm: float) -> Floats:
    """Give the engine speed in the gear that a road speed asks for; below walking pace the clutch is open."""
    tops = np.array([7.0, 13.0, 21.0, 31.0, 43.0, 57.0, 74.0, 1e9])  # km/h at which the next gear is taken
    per_kph = np.array([220.0, 120.0, 74.0, 50.0, 36.0, 27.0, 21.0, 15.2])  # engine turns a minute for each km/h
    gear = np.searchsorted(tops, speed_kph)
    in_gear = np.clip(speed_kph * per_kph[gear], idle_rpm, 2100.0)
    return np.where(speed_kph < 3.0, idle_rpm, in_gear)  # noqa: PLR2004 - walking pace


def _stop(plan: Plan, vehicle: Vehicle, duty: Duty, rng: np.random.Generator, *, coupled: bool) -> None:
    """Stand for a delivery, a break or at a terminal: parking brake on, engine off or idling, then off again."""
    seconds = duty.stop_min * 60.0 * rng.uniform(0.4, 1.6)
    idle = vehicle.idle_rpm
    plan.add(_seconds(rng, 8, 40), rpm=idle, fed=coupled)
    if rng.random() < duty.key_off_stops:
        fed = coupled and rng.random() < 0.7  # noqa: PLR2004 - most leave the trailer on for a short stop
        plan.add(seconds, key=False, fed=fed, dt_s=PARKED_STEP_S)
        plan.add(_seconds(rng, 4, 9))
        plan.add(_seconds(rng, 15, 60), rpm=idle)
    else:
        plan.add(seconds, rpm=idle, fed=coupled)
    plan.add(1.0, rpm=idle, mark=WAIT)
    plan.add(_seconds(rng, 15, 50), rpm=idle, fed=coupled)
    plan.add(_seconds(rng, 4, 10), rpm=idle, application_kpa=150.0, parked=False, fed=coupled)


def _park(plan: Plan, vehicle: Vehicle, duty: Duty, rng: np.random.Generator, *, coupled: bool) -> None:
    fed = coupled and rng.random() < duty.fed_overnight_share
    plan.add(_seconds(rng, 20, 240), rpm=vehicle.idle_rpm, fed=fed)
    plan.add(_seconds(rng, 3, 10), fed=fed)
    if rng.random() < duty.drain_share:
        plan.add(8.0, key=False, fed=fed, drain_mm2=30.0, dt_s=2.0)
    plan.add(PARKED_STEP_S, key=False, fed=fed, dt_s=PARKED_STEP_S)
