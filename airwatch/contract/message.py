"""A message as it was delivered, before anything is believed of it."""

from msgspec import Struct


class RawMessage(Struct, frozen=True, gc=False):
    """One delivered message; ``received_us`` is its arrival, microseconds since the epoch, UTC.

    ``content_type`` is that of MQTT 5, None where the sender named none. ``line`` says where in a recording it stood.
    """

    topic: str
    payload: bytes
    received_us: int
    content_type: str | None = None
    line: str | None = None
