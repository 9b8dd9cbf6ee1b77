"""PUBLISH packets as they come over the wire: found in bulk where they are received, read where they are decoded.

Making an object of each message where it is received costs more than all else that is done there. So the network
side only finds where each packet ends and which number it is to be acknowledged by (MQTT 3.1.1 and 5.0, section 3.3),
and passes the bytes on as they are.
"""

import struct
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import lru_cache

from paho.mqtt import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from airwatch.contract.message import RawMessage

_PUBLISH, _TYPE_BITS = 0x30, 0xF0
_QOS_BITS, _QOS_1, _QOS_2 = 0x06, 0x02, 0x04
_LONGEST_LENGTH = 4  # bytes that a packet's length may take
_PUBACK = b"\x40\x02"  # MQTT 5 lets 'success' go unwritten


class MalformedPublishError(ValueError):
    """A PUBLISH that breaks the protocol, or that was not asked for."""


@dataclass(frozen=True, slots=True)
class Packets:
    """Whole PUBLISH packets, one after the other; ``received_us`` is their arrival, microseconds since the epoch."""

    wire: bytes | memoryview
    n: int
    received_us: int
    is_v5: bool

    def messages(self) -> Iterator[RawMessage]:
        """Read each packet."""
        wire, at, end = self.wire, 0, len(self.wire)
        while at < end:
            is_numbered = wire[at] & _QOS_BITS
            start, stop = span(wire, at, end) or (end, end)
            topic_end = start + 2 + (wire[start] << 8 | wire[start + 1])
            topic = str(wire[start + 2 : topic_end], "utf-8", "replace")  # a bad one is set aside with what it says
            body = topic_end + (2 if is_numbered else 0)
            content_type = None
            if self.is_v5:
                properties = body
                length, body = _number(wire, body, stop) or (0, stop)
                body += length
                content_type = _content_type(bytes(wire[properties:body]))
            yield RawMessage(topic, bytes(wire[body:stop]), self.received_us, content_type)
            at = stop

    def single(self) -> list["Packets"]:
        """Give each packet by itself."""
        out, at, end = [], 0, len(self.wire)
        while at < end:
            _, stop = span(self.wire, at, end) or (end, end)
            out.append(Packets(self.wire[at:stop], 1, self.received_us, self.is_v5))
            at = stop
        return out


@dataclass(frozen=True, slots=True)
class Messages:
    """The messages of some packets, read each time that they are gone through."""

    group: Sequence[Packets]

    def __iter__(self) -> Iterator[RawMessage]:
        for packets in self.group:
            yield from packets.messages()


@dataclass(frozen=True, slots=True)
class Found:
    """PUBLISH packets at the front of a buffer: how many, where they end, and the PUBACK of each that wants one."""

    n: int
    end: int
    acknowledgements: bytes


def find_publishes(buffer: bytes, at: int, most: int) -> Found:
    """Find up to ``most`` whole PUBLISH packets in a row, from ``at`` on.

    Raises
    ------
    MalformedPublishError
        A packet's fields reach over its end, or it has quality of service 2 or 3, which a subscription with 1 never
        gets.
    """
    end, n = len(buffer), 0
    acknowledgements = bytearray()
    while n < most and at < end and buffer[at] & _TYPE_BITS == _PUBLISH:
        bounds = span(buffer, at, end)
        if bounds is None or bounds[1] > end:
            break
        start, stop = bounds
        if start + 2 > stop:
            raise MalformedPublishError("a PUBLISH without a topic")
        number = start + 2 + (buffer[start] << 8 | buffer[start + 1])
        qos = buffer[at] & _QOS_BITS
        if qos & _QOS_2 or number + qos > stop:  # two bytes of packet number with quality of service 1
            raise MalformedPublishError("a PUBLISH with quality of service 2, or shorter than its topic")
        if qos:
            acknowledgements += _PUBACK + buffer[number : number + 2]
        at = stop
        n += 1
    return Found(n, at, bytes(acknowledgements))


def is_whole(buffer: bytes, at: int) -> bool:
    """Tell whether a packet of any kind, or something that can be none, lies at ``at`` with all its bytes."""
    end = len(buffer)
    bounds = span(buffer, at, end)
    return bounds[1] <= end if bounds else end - at > _LONGEST_LENGTH


def span(buffer: bytes | memoryview, at: int, end: int) -> tuple[int, int] | None:
    """Give where a packet's contents begin and end; None if its length is not all there, or longer than allowed."""
    at += 1
    if at < end and buffer[at] < 0x80:  # noqa: PLR2004 the top bit says that more follows
        return at + 1, at + 1 + buffer[at]
    found = _number(buffer, at, end)
    return (found[1], found[1] + found[0]) if found else None


def _number(buffer: bytes | memoryview, at: int, end: int) -> tuple[int, int] | None:
    """Read a number of variable length; give it and where it ends."""
    value = shift = 0
    for place in range(at, min(at + _LONGEST_LENGTH, end)):
        byte = buffer[place]
        value |= (byte & 0x7F) << shift
        if byte < 0x80:  # noqa: PLR2004 the top bit says that more follows
            return value, place + 1
        shift += 7
    return None


@lru_cache(4096)  # a sender gives the same properties with every message
def _content_type(properties: bytes) -> str | None:
    """Read the content type among a message's properties, which begin with their length."""
    read = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    try:
        read.unpack(properties)  # type: ignore[no-untyped-call]
    except (MQTTException, ValueError, LookupError, struct.error):
        return "unreadable properties"  # no encoding of that name is known, so the message is set aside
    return getattr(read, "ContentType", None)
