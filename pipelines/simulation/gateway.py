"""Cuts a unit's day into messages as its gateway would; delivers them as an uplink would: late, twice, out of order."""

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt

from pipelines.simulation.brake_controller import reports
from pipelines.simulation.faults import Fault
from pipelines.simulation.messages import Clock, Message
from pipelines.simulation.physics import Floats
from pipelines.simulation.run import Track
from pipelines.simulation.scenario import Gateway, Unit
from pipelines.simulation.sensors import quantised, readings
from pipelines.simulation.weather import DAY_S

MOST_ROWS = 300
AWAKE_AFTER_KEY_OFF_S = 7200.0
WAKE_EVERY_S, WAKE_FOR_S = 3600.0, 60.0
BACKLOG_S = 900.0  # what waited in a dead zone trickles in over this time, in any order
_FLAGS = ("park_brake", "service_brake", "low_air_warning", "compressor_loaded")


class UnitGateway:
    """One unit's gateway over the whole recording; keeps sequence numbers and trouble code counts between days."""

    def __init__(self, unit: Unit, faults: list[Fault], clock: Clock, root: str, rng: np.random.Generator) -> None:
        self._unit = unit
        self._faults = faults
        self._clock = clock
        self._prefix = f"{root}/{unit.vehicle.fleet}/{unit.vehicle.name}"
        self._rng = rng
        self._seq: dict[str, int] = {}
        self._counts: dict[int, int] = {}
        self._is_swapped = False

    def messages(self, track: Track) -> list[Message]:
        """Give the day's messages as delivered, in no particular order."""
        swap = self._unit.gateway.swap_day
        if swap is not None and not self._is_swapped and track.day >= swap:
            self._seq.clear()
            self._is_swapped = True
        sent: list[Message] = []
        for end_s, body in self._pressure(track):
            sent.append(self._deliver("pressure", end_s, body))
        if self._unit.gateway.sends_governor:
            for t, body in self._governor(track):
                sent.append(self._deliver("governor", t, body))
        if self._unit.gateway.sends_faults:
            seen = reports(track, self._faults, self._clock, self._counts, self._rng)
            sent.extend([self._deliver("faults", report.t_s, report.body) for report in seen])
        return sent + self._repeats(sent)

    def _deliver(self, stream: str, at_s: float, body: dict[str, Any]) -> Message:
        seq = self._seq.get(stream, 0)
        self._seq[stream] = seq + 1
        received = at_s + self._rng.uniform(0.3, 2.5)
        for day, hours in self._unit.gateway.dead_zones:
            if day * DAY_S <= received < day * DAY_S + hours * 3600.0:
                received = day * DAY_S + hours * 3600.0 + self._rng.uniform(0.0, BACKLOG_S)
        payload = {"v": 1, "unit": self._unit.vehicle.name, "seq": seq} | body
        return Message(received, f"{self._prefix}/{stream}", payload)

    def _repeats(self, sent: list[Message]) -> list[Message]:
        picked = np.flatnonzero(self._rng.random(len(sent)) < self._unit.gateway.duplicate_share)
        return [
            Message(sent[i].received_s + self._rng.uniform(5.0, 90.0), sent[i].topic, sent[i].payload) for i in picked
        ]

    def _pressure(self, track: Track) -> Iterator[tuple[float, dict[str, Any]]]:
        gateway = self._unit.gateway
        columns = readings(track, gateway, self._rng)
        awake = _is_awake(track) if gateway.sleeps else np.ones(len(track.t_s), dtype=bool)
        t = track.t_s[awake]
        lists = {name: _as_json(values[awake], name, gateway) for name, values in columns.items()}
        for first, last in blocks(t, block_s=gateway.block_s, uneven=gateway.uses_offsets):
            body: dict[str, Any] = {}
            if gateway.names_trailer:
                body["trailer"] = track.trailer
            body["t0"] = self._clock.text(float(t[first]))
            offsets_ms = np.rint((t[first:last] - t[first]) * 1000.0).astype(int)
            if gateway.uses_offsets:
                body["t_ms"] = offsets_ms.tolist()
            else:
                body["dt_ms"] = int(offsets_ms[1]) if last - first > 1 else 1000
            for name, values in lists.items():
                body[name] = values[first:last]
            yield float(t[last - 1]), body

    def _governor(self, track: Track) -> Iterator[tuple[float, dict[str, Any]]]:
        runs = track.engine_rpm > 0.0
        for at in np.flatnonzero(runs[1:] & runs[:-1] & (np.diff(track.is_loaded.astype(int)) != 0)) + 1:
            kind = "cut_in" if track.is_loaded[at] else "cut_out"
            step = self._unit.gateway.step_kpa
            around_kpa = track.tanks_kpa[0, at - 1 : at + 1]  # it turned between the two, at the further one or beyond
            supply = quantised(np.array([around_kpa.min() if kind == "cut_in" else around_kpa.max()]), step)[0]
            t = float(track.t_s[at])
            yield t, {"events": [{"t": self._clock.text(t), "kind": kind, "supply_kpa": _number(float(supply))}]}


def _is_awake(track: Track) -> npt.NDArray[np.bool_]:
    """Where a sleeping gateway samples: key on, soon after key-off, and for a minute in each hour."""
    last_on = np.maximum.accumulate(np.where(track.is_key_on, track.t_s, track.t_s[0]))
    silent = track.t_s - last_on
    awake: npt.NDArray[np.bool_] = (silent < AWAKE_AFTER_KEY_OFF_S) | (silent % WAKE_EVERY_S < WAKE_FOR_S)
    return awake


def blocks(t_s: Floats, *, block_s: float, uneven: bool) -> Iterator[tuple[int, int]]:
    """Cut samples into blocks: no longer than ``block_s``, evenly spaced unless ``uneven``, none across a silence."""
    gaps_ms = np.rint(np.diff(t_s) * 1000.0).astype(int)
    changes = np.append(np.flatnonzero(np.diff(gaps_ms)) + 1, len(gaps_ms))
    silences = np.append(np.flatnonzero(gaps_ms > WAKE_FOR_S * 1000.0), len(gaps_ms))
    first = 0
    while first < len(t_s):
        last = min(int(np.searchsorted(t_s, t_s[first] + block_s - 1e-6)), first + MOST_ROWS)
        if first < len(gaps_ms):
            silence = int(silences[np.searchsorted(silences, first)])
            last = min(last, silence + 1)
            if not uneven and last > first + 1:
                last = min(last, int(changes[np.searchsorted(changes, first, side="right")]) + 1)
        last = max(last, first + 1)
        yield first, last
        first = last


def _number(value: float) -> float | int:
    return int(value) if value.is_integer() else value


def _as_json(values: Floats, name: str, gateway: Gateway) -> list[float | int | None]:
    """Whole numbers as integers, NaN as null."""
    missing = np.isnan(values)
    filled = np.where(missing, 0.0, values)
    steps = {"engine_rpm": gateway.rpm_step, "speed_kph": gateway.speed_step_kph, "ambient_c": 0.5}
    is_whole = name in _FLAGS or steps.get(name, gateway.step_kpa).is_integer()
    out: list[float | int | None] = (filled.astype(int) if is_whole else np.round(filled, 3)).tolist()
    for at in np.flatnonzero(missing):
        out[at] = None
    return out
