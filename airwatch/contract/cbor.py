"""CBOR (RFC 8949): payloads of the same shape as the JSON ones, into the same structs.

What CBOR has and JSON has not is settled here. `undefined` is null. Text and tags 0 and 1 (RFC 8949, 3.4.1 and 3.4.2)
are times. Big numbers and decimal fractions (tags 2, 3 and 4) are numbers. NaN and the infinities are numbers outside
what the bus can carry, as any other such. Every other tag, a map key that is there twice or is no text, and bytes after
the item break the contract: shared references, regular expressions and the like are never built.
"""

import io
import math
from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from typing import Any, TypeVar

import cbor2
import msgspec

from airwatch.contract.payloads import FaultsPayload, GovernorPayload, Instant, PressurePayload
from airwatch.errors import PayloadError

Payload = TypeVar("Payload", PressurePayload, GovernorPayload, FaultsPayload)

_MAX_DEPTH = 16  # the deepest payload of the contract has 3; the rest is room for fields that it does not have
_UNDEFINED = 0xF7
_BEYOND = 1e308  # beyond every range, and still a double
_BIG_BYTES = 100  # a whole number of so many bytes is still below 1e308
_DECIMAL_PARTS = 2


def _text_time(value: Any, _immutable: bool) -> datetime:  # noqa: FBT001 - cbor2's call
    if not isinstance(value, str):
        raise ValueError("a time in text (tag 0) must be text")  # noqa: TRY004 - cbor2 turns every error into its own
    return msgspec.convert(value, Instant)


def _epoch_time(value: Any, _immutable: bool) -> datetime:  # noqa: FBT001
    if not isinstance(value, int | float) or isinstance(value, bool):
        raise ValueError("a time since the epoch (tag 1) must be a number")  # noqa: TRY004
    return datetime.fromtimestamp(value, tz=UTC)


def _big_number(sign: int) -> Callable[[Any, bool], float]:
    def decode(value: Any, _immutable: bool) -> float:  # noqa: FBT001
        if not isinstance(value, bytes):
            raise ValueError("a big number (tags 2 and 3) must be bytes")  # noqa: TRY004
        digits = value.lstrip(b"\0")
        size = float(int.from_bytes(digits)) if len(digits) <= _BIG_BYTES else _BEYOND
        return size if sign > 0 else -1.0 - size

    return decode


def _decimal_fraction(value: Any, _immutable: bool) -> float:  # noqa: FBT001
    if not isinstance(value, list | tuple) or len(value) != _DECIMAL_PARTS:
        raise ValueError("a decimal fraction (tag 4) must be an array of exponent and mantissa")
    exponent, mantissa = value
    if type(exponent) is not int or not (type(mantissa) is int or (type(mantissa) is float and mantissa.is_integer())):
        raise ValueError("exponent and mantissa of a decimal fraction (tag 4) must be whole numbers")
    number = float(f"{mantissa:.0f}e{exponent}") if math.isfinite(mantissa) else float(mantissa)
    return number if math.isfinite(number) else math.copysign(_BEYOND, number)


def _refuse(number: int) -> Callable[[Any, bool], Any]:
    def decode(_value: Any, _immutable: bool) -> Any:  # noqa: FBT001
        raise ValueError(f"tag {number} is not in the contract")

    return decode


def _refuse_unknown(tag: cbor2.CBORTag, _immutable: bool) -> Any:  # noqa: FBT001
    raise ValueError(f"tag {tag.tag} is not in the contract")


# All that cbor2 6 would decode by itself: RFC 8949, and the registry at iana.org/assignments/cbor-tags.
_BUILT_IN = (5, 25, 28, 29, 30, 35, 36, 37, 52, 54, 100, 256, 258, 260, 261, 1004, 43000, 55799)
_TAGS: dict[int, Callable[[Any, bool], Any]] = {
    **{number: _refuse(number) for number in _BUILT_IN},
    0: _text_time,
    1: _epoch_time,
    2: _big_number(1),
    3: _big_number(-1),
    4: _decimal_fraction,
}


def read_item(payload: bytes, *, with_number_keys: bool = False) -> Any:
    """Decode the one item that a payload is.

    Parameters
    ----------
    payload : bytes
        Any bytes at all. Memory follows their number, not the lengths that they declare.
    with_number_keys : bool
        Whether a map may have keys that are not text or bytes.

    Returns
    -------
    object
        Of dict, list, str, bytes, int, float, bool, None and datetime.

    Raises
    ------
    PayloadError
        They are not one whole item of CBOR, or hold what is named at the head of this file.
    """
    stream = io.BytesIO(payload)
    try:
        item = cbor2.load(
            stream,
            semantic_decoders=_TAGS,
            tag_hook=_refuse_unknown,
            max_depth=_MAX_DEPTH,
            allow_duplicate_keys=False,
            strict_hashable_types=not with_number_keys,
        )
    except (cbor2.CBORError, ValueError, RecursionError) as err:
        raise PayloadError(f"payload: not CBOR: {_said(err)}") from err
    if n_left := len(payload) - stream.tell():
        raise PayloadError(f"payload: not CBOR: {n_left} bytes after the end of the item")
    return _without_undefined(item) if _UNDEFINED in payload else item


def _said(err: BaseException) -> str:
    """Put an error and what caused it in one line."""
    return f"{err}: {err.__cause__}" if err.__cause__ is not None else str(err)


def _without_undefined(item: Any) -> Any:
    """Put null for `undefined`; as deep as the decoder went."""
    if item is cbor2.undefined:
        return None
    if isinstance(item, list | tuple):
        return [_without_undefined(part) for part in item]
    if isinstance(item, dict):
        return {key: _without_undefined(value) for key, value in item.items()}
    return item


@cache
def _known(kind: type[Any]) -> frozenset[str]:
    return frozenset(kind.__struct_fields__)


def decode_cbor(payload: bytes, kind: type[Payload], unit: str) -> tuple[Payload, list[str]]:
    """Decode one CBOR payload and check that it is the unit's own.

    Parameters
    ----------
    payload : bytes
        Any bytes at all.
    kind : type
        The struct of the stream.
    unit : str
        Whose topic it came on.

    Returns
    -------
    body : Struct
        As `airwatch.contract.payloads.decode_json` gives it.
    unknown : list of str
        The top-level fields that the contract does not have, sorted, as `unknown_fields` gives them.

    Raises
    ------
    PayloadError
        The bytes are not CBOR, a field is missing or of the wrong type or value, or ``unit`` is another than the
        topic's.
    """
    item = read_item(payload)
    try:
        body = msgspec.convert(item, kind)
    except (msgspec.MsgspecError, ValueError, RecursionError) as err:
        raise PayloadError(f"payload: {err}") from err
    if body.unit != unit:
        raise PayloadError(f"payload: unit is {body.unit[:80]!r}, the topic says {unit!r}")
    return body, sorted(key[:64] for key in item.keys() - _known(kind))
