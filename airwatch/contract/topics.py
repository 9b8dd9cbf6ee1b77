"""Topics: ``{root}/{fleet}/{unit}/{stream}``."""

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal, get_args

from airwatch.errors import PayloadError

ROOT = "air/v1"
Stream = Literal["pressure", "governor", "faults", "can"]
STREAMS: tuple[Stream, ...] = get_args(Stream)
_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")


@dataclass(frozen=True, slots=True)
class Topic:
    """Who sent a message, and which kind it is."""

    fleet: str
    unit: str
    stream: Stream

    def path(self, root: str = ROOT) -> str:
        """Write the topic as it goes to the broker."""
        return f"{root}/{self.fleet}/{self.unit}/{self.stream}"


def is_name(text: str) -> bool:
    """Tell whether ``text`` can be the name of a fleet or unit."""
    return _NAME.fullmatch(text) is not None


@lru_cache(1 << 16)  # a fleet sends under the same few topics again and again
def parse_topic(text: str, root: str = ROOT) -> Topic:
    """Read a topic.

    Raises
    ------
    PayloadError
        The topic lies outside ``root``, or a part of it is not what the contract allows.
    """
    if not text.startswith(root + "/"):
        raise PayloadError(f"topic is not below {root}/")
    parts = text[len(root) + 1 :].split("/")
    if len(parts) != len(("fleet", "unit", "stream")):
        raise PayloadError(f"topic must be {root}/fleet/unit/stream; it has {len(parts)} parts after the root")
    fleet, unit, stream = parts
    for what, name in (("fleet", fleet), ("unit", unit)):
        if not is_name(name):
            raise PayloadError(f"{what} {name[:80]!r} in the topic is not 1 to 64 of A-Z a-z 0-9 . _ -")
    if stream not in STREAMS:
        raise PayloadError(f"stream {stream[:80]!r} in the topic is none of {', '.join(STREAMS)}")
    return Topic(fleet, unit, stream)


def subscription(root: str = ROOT) -> str:
    """Give the filter for everything below the root: a topic of another shape is to be set aside, not unheard."""
    return f"{root}/#"
