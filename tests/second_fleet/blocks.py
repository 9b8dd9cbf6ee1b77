"""Turns what was seen on a unit into `pressure` and `governor` messages: sensors, blocks, nulls."""

from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from tests.second_fleet.drive import CHANNELS, Seen
from tests.second_fleet.fleet import Fleet
from tests.second_fleet.kinds import Floats
from tests.second_fleet.link import Link, stamp
from tests.second_fleet.vehicles import Vehicle

_PRESSURES = CHANNELS[:5]
_KEY, _TRAILER = CHANNELS.index("key"), CHANNELS.index("trailer")
_JITTER_MS = 60


def sensed(rng: np.random.Generator, vehicle: Vehicle, sensor: int, true_kpa: Floats) -> list[int]:
    """Read true pressures by one of the unit's sensors: offset, noise of a step at most, steps.

    A pedal or line at rest reads zero.
    """
    gateway = vehicle.gateway
    noise = np.clip(rng.normal(0, gateway.noise_kpa, true_kpa.size), -gateway.step_kpa, gateway.step_kpa)
    offset = gateway.offsets[sensor] if sensor < len(_PRESSURES) - 1 else gateway.offsets[sensor] / 4
    read = np.round((true_kpa + offset + noise) / gateway.step_kpa) * gateway.step_kpa
    read[(true_kpa <= 1.0) | (read < 0)] = 0
    out: list[int] = read.astype(np.int64).tolist()
    return out


def send_blocks(rng: np.random.Generator, fleet: Fleet, vehicle: Vehicle, seen: Seen, link: Link) -> int:
    """Send all samples and give their number."""
    columns = _Columns(rng, vehicle)
    t, step = seen.t_s, seen.step_s
    state = seen.values[:, [_KEY, _TRAILER]]
    breaks = (np.diff(t) != step[1:]) | (np.diff(step) != 0) | (np.diff(state, axis=0) != 0).any(axis=1)
    edges = [0, *(np.flatnonzero(breaks) + 1).tolist(), t.size]
    for first, last in pairwise(edges):
        _send_run(rng, fleet, vehicle, seen, link, columns, first, last)
    return int(t.size)


def _send_run(
    rng: np.random.Generator,
    fleet: Fleet,
    vehicle: Vehicle,
    seen: Seen,
    link: Link,
    columns: "_Columns",
    first: int,
    last: int,
) -> None:
    """Send samples that are evenly spaced and share key and trailer, block by block."""
    gateway = vehicle.gateway
    values = seen.values[first:last]
    step_s = int(seen.step_s[first])
    has_key = bool(values[0, _KEY] > 0)
    read = columns.read(values, has_key=has_key)
    trailer = int(values[0, _TRAILER])
    head: dict[str, object] = {}
    if gateway.trailer_named:
        head["trailer"] = fleet.trailers[trailer].unit if trailer >= 0 else None
    size = max(1, gateway.block_s // step_s)
    for begin in range(0, last - first, size):
        end = min(begin + size, last - first)
        body: dict[str, object] = {**head, "t0": stamp(int(seen.t_s[first + begin]))}
        if gateway.uses_t_ms:
            offsets = np.arange(end - begin) * step_s * 1000 + rng.integers(0, _JITTER_MS, end - begin)
            body["t_ms"] = offsets.tolist()
        else:
            body["dt_ms"] = step_s * 1000
        for name, column in read.items():
            body[name] = column[begin:end]
        link.send("pressure", float(seen.t_s[first + end - 1]) + 0.2, body)


class _Columns:
    """Reads a unit's sensors and switches."""

    def __init__(self, rng: np.random.Generator, vehicle: Vehicle) -> None:
        self._rng, self._vehicle = rng, vehicle

    def read(self, values: NDArray[np.float32], *, has_key: bool) -> dict[str, list[object]]:
        """Give the columns of some samples."""
        gateway, rng, n = self._vehicle.gateway, self._rng, values.shape[0]
        out: dict[str, list[object]] = {}
        for name in gateway.columns:
            at = CHANNELS.index(name)
            true = values[:, at].astype(np.float64)
            if name in _PRESSURES:
                out[name] = list(sensed(rng, self._vehicle, at, true))
            elif name == "engine_rpm":
                out[name] = self._rpm(true, has_key=has_key)
            elif name == "low_air_warning" and not has_key:
                out[name] = [None] * n
            else:
                out[name] = np.round(true).astype(np.int64).tolist()
        if gateway.null_rate:
            self._lose(out, n)
        return out

    def _rpm(self, true: Floats, *, has_key: bool) -> list[object]:
        if not has_key and self._vehicle.gateway.has_null_rpm:
            return [None] * true.size
        noisy = true + self._rng.normal(0, 6, true.size) * (true > 0)
        out: list[object] = np.round(np.maximum(noisy, 0)).astype(np.int64).tolist()
        return out

    def _lose(self, out: dict[str, list[object]], n: int) -> None:
        """Make a few values null, here and there and sometimes several in a row."""
        for column in out.values():
            for at in self._rng.integers(0, n, self._rng.poisson(n * self._vehicle.gateway.null_rate)):
                width = int(self._rng.integers(1, 4))
                column[at : at + width] = [None] * len(column[at : at + width])


def send_governor(rng: np.random.Generator, vehicle: Vehicle, seen: Seen, link: Link) -> None:
    """Send cut-ins and cut-outs, one or some at a time."""
    at = 0
    while at < len(seen.governor):
        size = int(rng.integers(1, 4))
        some = seen.governor[at : at + size]
        at += size
        read = sensed(rng, vehicle, 0, np.array([kpa for _, _, kpa in some]))
        moments = [t + float(rng.uniform(0, 0.9)) for t, _, _ in some]
        events = [
            {"t": stamp(moment), "kind": kind, "supply_kpa": kpa}
            for moment, (_, kind, _), kpa in zip(moments, some, read, strict=True)
        ]
        link.send("governor", moments[-1], {"events": events})
