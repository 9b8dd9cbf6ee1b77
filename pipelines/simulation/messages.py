"""A message as it was delivered, and the clock that names instants."""

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any


@dataclass(frozen=True, slots=True)
class Message:
    """One delivered message; ``payload`` is an object to be sent as JSON, or the bytes of something that is none."""

    received_s: float  # seconds after the scenario's start
    topic: str
    payload: dict[str, Any] | bytes
    content_type: str = "application/json"


@dataclass(frozen=True, slots=True)
class Clock:
    """Turns seconds after the scenario's start into RFC 3339, to the millisecond where there is a fraction."""

    start: datetime

    def text(self, t_s: float) -> str:
        """Give the instant as text, UTC."""
        at = self.start + timedelta(milliseconds=round(t_s * 1000.0))
        spec = "milliseconds" if at.microsecond else "seconds"
        return at.replace(tzinfo=None).isoformat(timespec=spec) + "Z"
