"""Messages as single pieces of bytes, which is all that a coverage-guided fuzzer knows to change."""

from airwatch.contract.message import RawMessage
from tests.fuzz.addressed import ENCODINGS
from tests.messages import FLEET, T0_US, UNIT

_KINDS: tuple[tuple[str, str], ...] = tuple(
    (s, encoding) for s, encodings in ENCODINGS.items() for encoding in encodings
)
_SEPARATOR = b"\x00"


def pack(message: RawMessage) -> bytes:
    """Write a message as one byte that names stream and encoding, and its payload."""
    stream = message.topic.rpartition("/")[2]
    return bytes([_KINDS.index((stream, message.content_type or ENCODINGS[stream][0]))]) + message.payload


def unpack(data: bytes) -> RawMessage:
    """Read any bytes at all as a message; after a first byte that `pack` does not write come topic and content type."""
    number, rest = data[0] % (len(_KINDS) + 1) if data else 0, data[1:]
    if number < len(_KINDS):
        stream, encoding = _KINDS[number]
        return RawMessage(f"air/v1/{FLEET}/{UNIT}/{stream}", rest, T0_US, encoding)
    topic, _, rest = rest.partition(_SEPARATOR)
    named, _, payload = rest.partition(_SEPARATOR)
    return RawMessage(topic.decode(errors="replace"), payload, T0_US, named.decode(errors="replace") or None)


def encoding_of(data: bytes) -> str | None:
    """Give the encoding that an input's first byte names."""
    number = data[0] % (len(_KINDS) + 1) if data else len(_KINDS)
    return _KINDS[number][1] if number < len(_KINDS) else None


def loose_seeds() -> list[bytes]:
    """Give seeds whose topic and content type can be changed, too."""
    first = bytes([len(_KINDS)])
    parts = [
        (b"air/v1/north/K-204/can", b"", b"(1.0) can0 18FEFA0B#00CDCC\n"),
        (b"air/v1/north/K-204/faults", b"application/json;x", b"{}"),
    ]
    return [first + _SEPARATOR.join(part) for part in parts]
