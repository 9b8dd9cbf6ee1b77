"""Plays the plans: all units step together, each on its own clock, a day at a time."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipelines.simulation import duty as plans
from pipelines.simulation.duty import Row
from pipelines.simulation.faults import faulty_trailer, faulty_vehicle
from pipelines.simulation.parameters import PRIMARY, SECONDARY, TRAILER, Controls, Flags, Parameters
from pipelines.simulation.physics import ATMOSPHERE_KPA, KELVIN, Floats, emptied_kpa
from pipelines.simulation.scenario import Scenario, Unit
from pipelines.simulation.system import AirSystems
from pipelines.simulation.vehicle import Trailer, Vehicle
from pipelines.simulation.weather import DAY_S, Weather

READY_KPA = 650.0  # gauge: a driver does not move off below
LONGEST_WAIT_S = 1500.0
AMBIENT_EVERY_S = 600.0
START_KPA = (780.0, 770.0, 770.0, 740.0)  # gauge, before the first key-on
_GROWTH = 8192


@dataclass(frozen=True, slots=True)
class Track:
    """What really happened to one unit from one key-on to the next, a value for each sample instant.

    ``t_s`` counts from the scenario's start. Pressures are gauge kPa, not yet seen through sensors; ``tanks_kpa`` has
    the shape (4, n) in the order supply, primary, secondary, trailer; ``line_kpa`` is the trailer supply line.
    """

    unit: Unit
    day: int
    trailer: str | None
    end_s: float
    t_s: Floats
    tanks_kpa: Floats
    line_kpa: Floats
    applied_kpa: Floats
    engine_rpm: Floats
    speed_kph: Floats
    ambient_c: Floats
    is_parked: Flags
    is_key_on: Flags
    is_warning: Flags
    is_loaded: Flags


@dataclass(slots=True)
class _ParkedTrailer:
    gauge_kpa: float
    since_s: float


class _Tape:
    """Grows with the steps; one row of each quantity a step."""

    def __init__(self, units: int) -> None:
        self._units = units
        self._count = 0
        self._clock = np.empty((_GROWTH, 2, units))
        self._values = np.empty((_GROWTH, 9, units), dtype=np.float32)
        self._rows = np.empty((_GROWTH, units), dtype=np.int64)

    def write(self, t_s: Floats, dt_s: Floats, row: npt.NDArray[np.int64], air: AirSystems, parked: Flags) -> None:
        if self._count == len(self._rows):
            self._clock = np.concatenate([self._clock, np.empty_like(self._clock)])
            self._values = np.concatenate([self._values, np.empty_like(self._values)])
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)])
        i = self._count
        self._clock[i, 0], self._clock[i, 1], self._rows[i] = t_s, dt_s, row
        values = self._values[i]
        values[:4] = air.pressure_kpa
        values[4], values[5] = air.line_kpa, air.applied_kpa
        values[6], values[7], values[8] = parked, air.is_warning, air.is_loaded
        self._count += 1

    def of(self, unit: int) -> tuple[Floats, Floats, npt.NDArray[np.int64], Floats]:
        n = self._count
        values = self._values[:n, :, unit].T.astype(float)
        return self._clock[:n, 0, unit], self._clock[:n, 1, unit], self._rows[:n, unit], values


class FleetRun:
    """One run of a scenario; `days` may be consumed once."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        seeds = np.random.SeedSequence(scenario.seed).spawn(len(scenario.units))
        self._rngs = [np.random.default_rng(seed) for seed in seeds]
        self._weather = [
            Weather(unit.climate, scenario.days, rng) for unit, rng in zip(scenario.units, self._rngs, strict=True)
        ]
        self._key_on_s = np.array(
            [_key_ons(unit, scenario.days, rng) for unit, rng in zip(scenario.units, self._rngs, strict=True)]
        )
        self._trailers = {t.name: t for t in scenario.trailers}
        self._uncoupled: dict[str, _ParkedTrailer] = {}
        self._coupled: list[str | None] = [None] * len(scenario.units)
        self._air: AirSystems | None = None

    def days(self) -> Iterator[list[Track]]:
        """Yield the units' tracks day by day, in the order of the scenario's units."""
        for day in range(self.scenario.days):
            yield self._play(day)

    def _play(self, day: int) -> list[Track]:
        start = self._key_on_s[:, day]
        end = self._key_on_s[:, day + 1]
        rigs = [self._rig(unit, day, float(at)) for unit, at in zip(self.scenario.units, start, strict=True)]
        air = self._couple(rigs, start)
        rows, offset, last = self._plans(rigs, day, start, end)
        ambient = self._ambient(start, end)
        tape = _Tape(len(rigs))
        _advance(air, rows=rows, offset=offset, last=last, ambient=ambient, start=start, end=end, tape=tape)
        return [self._track(u, day, tape, rows, ambient) for u in range(len(rigs))]

    def _rig(self, unit: Unit, day: int, at_s: float) -> tuple[Vehicle, Trailer | None]:
        faults = list(self.scenario.faults)
        name = unit.trailer_on(day)
        trailer = self._trailers[name] if name else None
        when = at_s / DAY_S
        vehicle = faulty_vehicle(unit.vehicle, faults, when, trailer)
        return vehicle, faulty_trailer(trailer, faults, when, unit.vehicle) if trailer else None

    def _couple(self, rigs: list[tuple[Vehicle, Trailer | None]], start: Floats) -> AirSystems:
        """Put the day's parameters in place and bring trailers that change hands with the air they hold."""
        parameters = Parameters.of(rigs)
        air = self._air
        if air is None:
            ambient = np.array([w.ambient_c(start[u : u + 1])[0] for u, w in enumerate(self._weather)])
            gauge = np.array(START_KPA)[:, None] + np.zeros(len(rigs))
            air = self._air = AirSystems(parameters, gauge + ATMOSPHERE_KPA, ambient)
        names = [trailer.name if trailer else None for _, trailer in rigs]
        for u, name in enumerate(names):
            left = self._coupled[u]
            if left is not None and left != name:
                self._uncoupled[left] = _ParkedTrailer(float(air.gauge_kpa[TRAILER, u]), float(start[u]))
        for u, (_, trailer) in enumerate(rigs):
            if trailer is None or trailer.name != self._coupled[u]:
                kpa = self._kept(trailer, float(start[u])) + ATMOSPHERE_KPA
                air.pressure_kpa[TRAILER, u] = kpa
                air.amount[TRAILER, u] = kpa * parameters.volume_l[TRAILER, u] / air.wall_k[TRAILER, u]
                air.trailer_spring[u] = 0.0
        self._coupled = names
        air.parameters = parameters
        return air

    def _kept(self, trailer: Trailer | None, at_s: float) -> float:
        """Gauge pressure in a trailer tank after it stood uncoupled."""
        if trailer is None:
            return START_KPA[TRAILER]
        parked = self._uncoupled.pop(trailer.name, None)
        if parked is None:
            return START_KPA[TRAILER]
        stood_s = at_s - parked.since_s
        return emptied_kpa(parked.gauge_kpa, trailer.leak_mm2, trailer.tank_l, stood_s, kelvin=KELVIN + 5.0)

    def _plans(
        self, rigs: list[tuple[Vehicle, Trailer | None]], day: int, start: Floats, end: Floats
    ) -> tuple[Floats, npt.NDArray[np.int64], npt.NDArray[np.int64]]:
        """All plans in one array, and where each unit's begins and has its last row."""
        made = []
        for u, (unit, rng) in enumerate(zip(self.scenario.units, self._rngs, strict=True)):
            is_weekend = (self.scenario.start.weekday() + day) % 7 >= 5  # noqa: PLR2004 - Saturday is 5
            works = not is_weekend or rng.random() < unit.duty.weekend_work
            vehicle, trailer = rigs[u]
            if works:
                made.append(
                    plans.working_plan(
                        vehicle,
                        unit.duty,
                        rng,
                        coupled=trailer is not None,
                        ambient_c=float(self._weather[u].ambient_c(start[u : u + 1])[0]),
                        longest_h=float(end[u] - start[u]) / 3600.0 - 3.0,
                    )
                )
            else:
                made.append(plans.parked_plan(fed=trailer is not None and rng.random() < unit.duty.fed_overnight_share))
        lengths = np.array([len(plan) for plan in made])
        offset = np.concatenate([[0], np.cumsum(lengths)[:-1]])
        return np.concatenate(made), offset, offset + lengths - 1

    def _ambient(self, start: Floats, end: Floats) -> Floats:
        """Ambient temperature every ten minutes after each unit's start, (instants, units)."""
        count = int((end - start).max() / AMBIENT_EVERY_S) + 2
        clock = np.arange(count) * AMBIENT_EVERY_S
        return np.stack([w.ambient_c(start[u] + clock) for u, w in enumerate(self._weather)], axis=1)

    def _track(self, u: int, day: int, tape: _Tape, rows: Floats, ambient: Floats) -> Track:
        t, dt, at, values = tape.of(u)
        plan = rows[at]
        is_sample = (dt > 0.0) & (dt == plan[:, Row.DT_S])
        t, plan, values = t[is_sample], plan[is_sample], values[:, is_sample]
        start, end = self._key_on_s[u, day : day + 2]
        return Track(
            unit=self.scenario.units[u],
            day=day,
            trailer=self._coupled[u],
            end_s=float(end),
            t_s=t,
            tanks_kpa=values[:4] - ATMOSPHERE_KPA,
            line_kpa=values[4],
            applied_kpa=values[5],
            engine_rpm=plan[:, Row.RPM],
            speed_kph=plan[:, Row.SPEED_KPH],
            ambient_c=np.interp(t - start, np.arange(len(ambient)) * AMBIENT_EVERY_S, ambient[:, u]),
            is_parked=values[6] > 0.0,
            is_key_on=plan[:, Row.IS_KEY_ON] > 0.0,
            is_warning=values[7] > 0.0,
            is_loaded=values[8] > 0.0,
        )


def _key_ons(unit: Unit, days: int, rng: np.random.Generator) -> Floats:
    """Key-on of each day and the end of the last, seconds after the start, on the gateway's own tick."""
    hours = unit.duty.key_on_h - unit.climate.utc_offset_h + rng.normal(0.0, 0.12, days + 1)
    at: Floats = np.round((np.arange(days + 1) * 24.0 + hours) * 3600.0) + unit.gateway.fraction_s
    return at


def _advance(
    air: AirSystems,
    *,
    rows: Floats,
    offset: npt.NDArray[np.int64],
    last: npt.NDArray[np.int64],
    ambient: Floats,
    start: Floats,
    end: Floats,
    tape: _Tape,
) -> None:
    """Step all units until each has reached its end."""
    at = offset.copy()
    t = start.copy()
    waited = np.zeros(len(t))
    everyone = np.arange(len(t))
    while True:
        row = rows[at].T
        dt = np.minimum(row[Row.DT_S], end - t)
        if not dt.any():
            return
        service = np.minimum(air.pressure_kpa[PRIMARY], air.pressure_kpa[SECONDARY]) - ATMOSPHERE_KPA
        is_low = (row[Row.MARK] == plans.WAIT) & (service < READY_KPA) & (waited < LONGEST_WAIT_S)
        asked = row[Row.APPLICATION_KPA]
        if air.is_popped.any():
            asked = np.where(air.is_popped & (row[Row.MARK] == plans.FAN_DOWN), 0.0, asked)
        parked = row[Row.IS_PARKED] > 0.0
        step = ((t - start) * (1.0 / AMBIENT_EVERY_S)).astype(np.int64)
        air.step(
            Controls(
                dt_s=dt,
                engine_rpm=row[Row.RPM],
                application_kpa=asked,
                is_parked=parked,
                is_trailer_fed=row[Row.IS_TRAILER_FED] > 0.0,
                accessory_l_per_min=row[Row.ACCESSORY_L_PER_MIN],
                drain_mm2=row[Row.DRAIN_MM2],
                ambient_c=ambient[step, everyone],
            )
        )
        t = t + dt
        tape.write(t, dt, at, air, parked | air.is_popped)
        waited = np.where(is_low, waited + dt, 0.0)
        at = np.where(is_low, at, np.minimum(at + 1, last))
