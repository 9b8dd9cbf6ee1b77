"""The way from gateway to broker: usually a second or two, hours in a dead zone, sometimes twice, seldom in order."""

from datetime import UTC, datetime, timedelta

import msgspec
import numpy as np

from tests.second_fleet.kinds import DAY_S
from tests.second_fleet.vehicles import Vehicle

START = datetime(2033, 3, 7, tzinfo=UTC)  # a Monday
ROOT = "air/v1"
_P_TWICE = 0.003

Line = tuple[float, bytes]
"""A message with its time of arrival, seconds since the recording's start."""


def stamp(t_s: float) -> str:
    """Write seconds since the recording's start as the wire has it, to the millisecond."""
    text = (START + timedelta(milliseconds=round(t_s * 1000))).isoformat(timespec="milliseconds")
    return text.removesuffix("+00:00") + "Z"


class Link:
    """Carries one vehicle's messages."""

    def __init__(self, rng: np.random.Generator, vehicle: Vehicle, days: int) -> None:
        self._rng, self._vehicle = rng, vehicle
        self._zones = [
            (start, start + float(rng.uniform(600, 3 * 3600)))
            for start in np.sort(rng.uniform(0, days * DAY_S, rng.poisson(days / 5)))
        ]
        self._seq: dict[str, int] = {}
        self._encode = msgspec.json.Encoder().encode
        self.lines: list[Line] = []

    def send(self, stream: str, ready_s: float, body: dict[str, object]) -> None:
        """Send a message that was complete at ``ready_s``; it gets its number and arrives when it can."""
        gateway = self._vehicle.gateway
        if gateway.silent_s is not None and gateway.silent_s[0] <= ready_s < gateway.silent_s[1]:
            return
        # a stream's numbers start anew with the first message after the swap
        epoch = "" if gateway.swap_s is None or ready_s < gateway.swap_s else "new"
        seq = self._seq.get(stream + epoch, 0)
        self._seq[stream + epoch] = seq + 1
        arrives_s = ready_s + float(self._rng.exponential(1.2)) + 0.3
        for start, end in self._zones:
            if start <= arrives_s < end:
                arrives_s = end + float(self._rng.uniform(0, 90))  # a store sends what it kept in no order
                break
        payload = {"v": 1, "unit": self._vehicle.unit, "seq": seq} | body
        topic = f"{ROOT}/{self._vehicle.fleet}/{self._vehicle.unit}/{stream}"
        self._write(arrives_s, topic, payload)
        if self._rng.random() < _P_TWICE:
            self._write(arrives_s + float(self._rng.uniform(1, 40)), topic, payload)

    def _write(self, arrives_s: float, topic: str, payload: dict[str, object]) -> None:
        line = {
            "received": stamp(arrives_s),
            "topic": topic,
            "content_type": "application/json",
            "payload": payload,
        }
        self.lines.append((arrives_s, self._encode(line)))
