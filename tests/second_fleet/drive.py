"""Runs all scripts through the plant, unit clocks apart, and keeps what a gateway could have read."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from tests.second_fleet.conditions import Conditions
from tests.second_fleet.days import unit_rows
from tests.second_fleet.fleet import Fleet
from tests.second_fleet.kinds import DAY_S, Floats
from tests.second_fleet.plant import SUPPLY, Asked, Flags, Plant
from tests.second_fleet.script import F, Wait

_CHUNK = 2048  # steps that are kept together before they are thinned to the gateways' samples
_AMBIENT_EVERY, _CONDITIONS_EVERY = 4, 32  # steps
_PUMP_S, _PUMP_DOWN_S = 4, 2
_DRAW_TAU_S = 4.0  # bellows fill through narrow pipes
_AFTERNOON_S = 15 * 3600.0
_BOBTAIL_L = 90.0  # the tank behind nothing

CHANNELS = (
    "supply_kpa",
    "primary_kpa",
    "secondary_kpa",
    "trailer_kpa",
    "application_kpa",
    "engine_rpm",
    "speed_kph",
    "ambient_c",
    "park_brake",
    "service_brake",
    "low_air_warning",
    "compressor_loaded",
    "key",
    "trailer",
)
"""What is kept of each step, as true values; the last is the trailer's number or -1."""


@dataclass(slots=True)
class Seen:
    """What happened on one unit. Times are seconds since the recording's start."""

    t_s: NDArray[np.int64]
    values: NDArray[np.float32]
    step_s: NDArray[np.int64]
    keys: list[tuple[int, bool, int]] = field(default_factory=list)
    governor: list[tuple[int, str, float]] = field(default_factory=list)


def drive(fleet: Fleet, seed: list[int]) -> list[Seen]:
    """Drive a fleet through its days."""
    return _Drive(fleet, seed).run()


class _Drive:
    def __init__(self, fleet: Fleet, seed: list[int]) -> None:
        streams = np.random.SeedSequence([*seed, 2]).spawn(len(fleet.vehicles) + 1)
        tables = [unit_rows(np.random.default_rng(s), fleet, v) for v, s in enumerate(streams[:-1])]
        self._fleet = fleet
        self._n = n = len(tables)
        self._end_s = float(fleet.days * DAY_S)
        self._table = np.concatenate(tables)
        sizes = np.array([len(table) for table in tables])
        self._row = np.cumsum(sizes) - sizes
        self._last = np.cumsum(sizes) - 1
        self._now = np.ascontiguousarray(self._table[self._row].T)
        self._t_s = np.zeros(n)
        self._row_t_s = np.zeros(n)
        self._draw = np.zeros(n)
        self._key = np.zeros(n, dtype=np.bool_)
        self._trailer = np.full(n, -1.0)
        self._plant = Plant(fleet, np.random.default_rng(streams[-1]))
        self._conditions = Conditions(fleet, self._plant)
        self._tank_l = np.array([t.tank_l for t in fleet.trailers] + [_BOBTAIL_L])
        self._base_c = np.array([v.base_c for v in fleet.vehicles])
        self._swing_k = np.array([v.swing_k for v in fleet.vehicles])
        self._sample_s = np.array([v.gateway.sample_s for v in fleet.vehicles])
        self._wants_governor = np.array([v.gateway.has_governor for v in fleet.vehicles])
        self._has_engine = np.zeros(n, dtype=np.bool_)
        self._keys: list[list[tuple[int, bool, int]]] = [[] for _ in range(n)]
        self._governor: list[list[tuple[int, str, float]]] = [[] for _ in range(n)]
        self._kept: list[list[tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float32]]]] = [
            [] for _ in range(n)
        ]

    def run(self) -> list[Seen]:
        """Run to the end of the recording."""
        n = self._n
        values = np.zeros((_CHUNK, len(CHANNELS), n), dtype=np.float32)
        times = np.zeros((_CHUNK, n), dtype=np.int64)
        reports = np.zeros((_CHUNK, n), dtype=np.int8)
        number = 0
        k = 0
        while (self._t_s < self._end_s).any():
            self._one_step(number)
            self._record(values[k], times[k], reports[k])
            number += 1
            k += 1
            if k == _CHUNK:
                self._thin(values, times, reports, k)
                k = 0
        self._thin(values, times, reports, k)
        return [self._seen(v) for v in range(n)]

    def _one_step(self, number: int) -> None:
        now, plant = self._now, self._plant
        ended = self._ended()
        if ended.any():
            self._next_rows(np.flatnonzero(ended))
        if number % _AMBIENT_EVERY == 0:
            self._ambient_c = self._ambient()
        if number % _CONDITIONS_EVERY == 0:
            self._conditions.apply(self._t_s, self._trailer)
        elapsed = self._t_s - self._row_t_s
        is_timed = now[F.UNTIL] > 0
        left = np.where(is_timed, now[F.UNTIL] - self._t_s, now[F.DURATION] - elapsed)
        dt = np.minimum(np.minimum(now[F.STEP], np.maximum(left, 1.0)), self._end_s - self._t_s)
        self._part = np.minimum((elapsed + dt) / np.maximum(now[F.DURATION], 1.0), 1.0) * ~is_timed
        rpm = now[F.RPM_FROM] + (now[F.RPM_TO] - now[F.RPM_FROM]) * self._part
        is_up = (now[F.PUMP] > 0) & (elapsed % _PUMP_S >= _PUMP_DOWN_S)
        taken = self._draw * -np.expm1(-dt / _DRAW_TAU_S)
        self._draw -= taken
        was_loaded = plant.loaded
        plant.step(
            Asked(
                dt_s=dt,
                engine=now[F.ENGINE],
                rpm=rpm,
                pedal_kpa=now[F.PEDAL] * ~is_up,
                park=now[F.PARK] > 0,
                open=now[F.OPEN] > 0,
                draw_kpa_l=taken,
                drain=now[F.DRAIN],
                ambient_c=self._ambient_c,
            )
        )
        self._rpm = rpm
        self._t_s = self._t_s + dt
        self._note_governor(was_loaded)

    def _ended(self) -> Flags:
        now, plant = self._now, self._plant
        goal = np.where(now[F.UNTIL] > 0, now[F.UNTIL], self._row_t_s + now[F.DURATION])
        ended: Flags = self._t_s >= goal
        waiting = now[F.WAIT]
        if waiting.any():
            low, level = plant.low_kpa, now[F.LEVEL]
            pushed = (now[F.OPEN] > 0) & plant.coupled
            ended = ended | ((waiting == Wait.RISEN) & (low >= level))
            ended |= (waiting == Wait.WARNED) & (plant.warns | (low <= level))
            ended |= (waiting == Wait.CUT_OUT) & ~plant.loaded
            is_popped = plant.park_popped & (plant.trailer_popped | ~pushed)
            ended |= (waiting == Wait.POPPED) & (is_popped | (plant.high_kpa <= level))
        ended &= self._row < self._last
        return ended

    def _next_rows(self, which: NDArray[np.int64]) -> None:
        self._row[which] += 1
        self._now[:, which] = rows = self._table[self._row[which]].T
        self._row_t_s[which] = self._t_s[which]
        self._draw[which] += rows[F.DRAW]
        swapped = which[rows[F.TRAILER] != self._trailer[which]]
        if swapped.size:
            self._trailer[swapped] = trailer = self._now[F.TRAILER, swapped]
            volume = self._tank_l[trailer.astype(np.int64)]
            self._plant.couple(swapped, volume, self._now[F.COUPLED, swapped], trailer >= 0)
        turned = which[(rows[F.KEY] > 0) != self._key[which]]
        if swapped.size or turned.size:  # long parked steps may have passed a fault's beginning
            self._conditions.apply(self._t_s, self._trailer)
        for v in turned:
            self._key[v] = not self._key[v]
            self._keys[v].append((int(self._t_s[v]), bool(self._key[v]), int(self._trailer[v])))

    def _ambient(self) -> Floats:
        day = self._t_s / DAY_S
        number = day.astype(np.int64)
        part = day - number
        every = np.arange(self._n)
        base = self._base_c[every, number] * (1 - part) + self._base_c[every, number + 1] * part
        outside: Floats = base + self._swing_k * np.cos((part * DAY_S - _AFTERNOON_S) * (2 * np.pi / DAY_S))
        outside += self._now[F.INDOOR]
        return outside

    def _note_governor(self, was_loaded: Flags) -> None:
        plant = self._plant
        has_engine = self._now[F.ENGINE] > 0
        turned = (plant.loaded != was_loaded) & self._wants_governor & has_engine
        if turned.any():
            for v in np.flatnonzero(turned):
                kind = "cut_in" if plant.loaded[v] else "cut_out"
                self._governor[v].append((int(self._t_s[v]), kind, float(plant.kpa[SUPPLY, v])))

    def _record(self, values: NDArray[np.float32], times: NDArray[np.int64], reports: NDArray[np.int8]) -> None:
        now, plant = self._now, self._plant
        values[:3] = plant.kpa[:3]
        values[3] = plant.line_kpa
        values[4] = plant.pedal_kpa
        values[5] = self._rpm * now[F.ENGINE]
        values[6] = now[F.SPEED_FROM] + (now[F.SPEED_TO] - now[F.SPEED_FROM]) * self._part
        values[7] = self._ambient_c
        values[8] = plant.parked
        values[9] = plant.stop_lamp
        values[10] = plant.warns
        values[11] = plant.loaded & (now[F.ENGINE] > 0)
        values[12] = now[F.KEY]
        values[13] = self._trailer
        times[:] = self._t_s
        reports[:] = now[F.REPORT] * (self._t_s < self._end_s)

    def _thin(
        self, values: NDArray[np.float32], times: NDArray[np.int64], reports: NDArray[np.int8], size: int
    ) -> None:
        """Keep the steps that fall on each gateway's grid, and those of parked blocks."""
        on_grid = (times[:size] % self._sample_s) == 0
        is_kept = (reports[:size] == 2) | ((reports[:size] == 1) & on_grid)
        for v in range(self._n):
            rows = np.flatnonzero(is_kept[:, v])
            if rows.size:
                step = np.where(reports[rows, v] == 1, self._sample_s[v], 10)
                self._kept[v].append((times[rows, v], step, values[rows, :, v]))

    def _seen(self, v: int) -> Seen:
        kept = self._kept[v]
        return Seen(
            t_s=np.concatenate([part[0] for part in kept]),
            step_s=np.concatenate([part[1] for part in kept]),
            values=np.concatenate([part[2] for part in kept]),
            keys=self._keys[v],
            governor=self._governor[v],
        )
