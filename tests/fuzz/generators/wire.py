"""JSON and CBOR written so that they can be wrong: keys twice, tokens as they stand, tags, any length of a head."""

import base64
import json
from dataclasses import dataclass
from typing import Any

import cbor2


@dataclass(frozen=True, slots=True)
class Fields:
    """A map whose keys may be there twice and need not be text."""

    pairs: tuple[tuple[Any, Any], ...]


@dataclass(frozen=True, slots=True)
class Token:
    """What stands on the wire as it is."""

    json: bytes
    cbor: bytes


@dataclass(frozen=True, slots=True)
class Tagged:
    """A CBOR item with a tag; in JSON the item alone."""

    number: int
    item: Any


def as_fields(value: Any) -> Any:
    """Turn each dict of a plain value into `Fields`."""
    if isinstance(value, dict):
        return Fields(tuple((key, as_fields(item)) for key, item in value.items()))
    if isinstance(value, list):
        return [as_fields(item) for item in value]
    return value


def write_json(value: Any, *, is_ascii: bool = True) -> bytes:
    """Write JSON; NaN and the infinities by their names, bytes as base64, keys as text."""
    if isinstance(value, Token):
        return value.json
    if isinstance(value, Tagged):
        return write_json(value.item, is_ascii=is_ascii)
    if isinstance(value, Fields):
        parts = (_key(key, is_ascii) + b":" + write_json(item, is_ascii=is_ascii) for key, item in value.pairs)
        return b"{" + b", ".join(parts) + b"}"
    if isinstance(value, list):
        return b"[" + b", ".join(write_json(item, is_ascii=is_ascii) for item in value) + b"]"
    if isinstance(value, bytes):
        value = base64.b64encode(value).decode()
    return json.dumps(value, ensure_ascii=is_ascii).encode(errors="surrogatepass")


def write_cbor(value: Any, *, is_indefinite: bool = False, width: int = 0) -> bytes:
    """Write CBOR; arrays and maps of indefinite length, or with a head of ``width`` bytes where it needs fewer."""
    if isinstance(value, Token):
        return value.cbor
    if isinstance(value, Tagged):
        return _head(6, value.number, width) + write_cbor(value.item, is_indefinite=is_indefinite, width=width)
    if isinstance(value, Fields):
        items = [part for pair in value.pairs for part in pair]
        return _container(5, len(value.pairs), items, is_indefinite=is_indefinite, width=width)
    if isinstance(value, list):
        return _container(4, len(value), value, is_indefinite=is_indefinite, width=width)
    return cbor2.dumps(value)


def _key(key: Any, is_ascii: bool) -> bytes:  # noqa: FBT001 - the one option of all writers here
    return (
        key.json if isinstance(key, Token) else write_json(key if isinstance(key, str) else str(key), is_ascii=is_ascii)
    )


def _container(major: int, n: int, items: list[Any], *, is_indefinite: bool, width: int) -> bytes:
    body = b"".join(write_cbor(item, is_indefinite=is_indefinite, width=width) for item in items)
    if is_indefinite:
        return bytes([major << 5 | 31]) + body + b"\xff"
    return _head(major, n, width) + body


def _head(major: int, number: int, width: int) -> bytes:
    """Write the head of a data item (RFC 8949, 3), at least ``width`` bytes of argument wide."""
    need = next((size for size in (0, 1, 2, 4, 8) if number < (24 if size == 0 else 1 << 8 * size)), 8)
    size = max(need, width)
    if size == 0:
        return bytes([major << 5 | number])
    return bytes([major << 5 | {1: 24, 2: 25, 4: 26, 8: 27}[size]]) + number.to_bytes(size)
