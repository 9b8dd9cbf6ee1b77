"""The three structured payloads, as the contract writes them, and what is checked within one message.

Decoding is by `msgspec`, which checks types and says where in the message something is wrong. What can be checked for
many messages at once (ranges) is left to `airwatch.contract.batch`.
"""

import math
import re
from datetime import UTC, datetime, timedelta
from functools import cache
from itertools import pairwise
from operator import attrgetter
from typing import Annotated, Any, Literal, TypeVar, cast

import msgspec
from msgspec import UNSET, Meta, Struct, UnsetType

from airwatch.contract.columns import COLUMN_NAMES
from airwatch.errors import PayloadError

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
MILLISECOND_US = 1000.0
LATEST_US = (datetime(9999, 12, 31, tzinfo=UTC) - EPOCH) // _MICROSECOND

Instant = Annotated[datetime, Meta(tz=True)]
Sequence = Annotated[int, Meta(ge=0, le=2**63 - 1)]
Values = list[float | None] | UnsetType | None


class PressurePayload(Struct, gc=False):
    """A block of samples; a column that is absent or null was not sent."""

    v: Literal[1]
    unit: str
    seq: Sequence
    t0: Instant
    trailer: str | UnsetType | None = UNSET
    dt_ms: Annotated[float, Meta(gt=0)] | UnsetType = UNSET
    t_ms: list[float] | UnsetType = UNSET
    supply_kpa: Values = UNSET
    primary_kpa: Values = UNSET
    secondary_kpa: Values = UNSET
    trailer_kpa: Values = UNSET
    application_kpa: Values = UNSET
    engine_rpm: Values = UNSET
    speed_kph: Values = UNSET
    ambient_c: Values = UNSET
    park_brake: Values = UNSET
    service_brake: Values = UNSET
    low_air_warning: Values = UNSET
    compressor_loaded: Values = UNSET


class GovernorEvent(Struct, gc=False):
    """One cut-in or cut-out seen at the vehicle."""

    t: Instant
    kind: Literal["cut_in", "cut_out"]
    supply_kpa: float | None = None


class GovernorPayload(Struct, gc=False):
    """Governor events."""

    v: Literal[1]
    unit: str
    seq: Sequence
    events: list[GovernorEvent]


class TroubleCode(Struct, gc=False):
    """One active trouble code (SAE J1939-73 DM1): suspect parameter, failure mode, occurrence count."""

    spn: Annotated[int, Meta(ge=0, le=2**19 - 1)]
    fmi: Annotated[int, Meta(ge=0, le=31)]
    count: Annotated[int, Meta(ge=0, le=127)] | None = None


class LampEvent(Struct, gc=False):
    """A lamp, or the key, going on or off."""

    lamp: Literal["tractor_abs", "trailer_abs", "key"]
    t: Instant
    on: bool


class FaultsPayload(Struct, gc=False):
    """The whole active set of one controller at ``t``, and lamp events. Absent ``codes`` means not reported."""

    v: Literal[1]
    unit: str
    seq: Sequence
    t: Instant
    source_address: Annotated[int, Meta(ge=0, le=255)] | None = None
    codes: list[TroubleCode] | UnsetType | None = UNSET
    lamps: list[LampEvent] | UnsetType | None = UNSET


Payload = TypeVar("Payload", PressurePayload, GovernorPayload, FaultsPayload)


@cache
def _decoder(kind: type[Any]) -> msgspec.json.Decoder[Any]:
    return msgspec.json.Decoder(kind)


@cache
def strict_decoder(kind: type[Any]) -> msgspec.json.Decoder[Any]:
    """Give a decoder that refuses fields which the contract does not have."""
    return msgspec.json.Decoder(
        msgspec.defstruct(kind.__name__, [], bases=(kind,), gc=False, forbid_unknown_fields=True)
    )


@cache
def _known(kind: type[Any]) -> frozenset[str]:
    return frozenset(kind.__struct_fields__)


_KEYS = msgspec.json.Decoder(dict[str, msgspec.Raw])
_TOKEN = re.compile(rb'"(?:[^"\\]|\\.)*"|-?\d[\d.eE+-]*', re.DOTALL)  # a string, or a number
_BEYOND = b"1e308"  # beyond every range, and still a double


def _bounded(token: re.Match[bytes]) -> bytes:
    """Write a number that no double can hold as one that is beyond every range all the same."""
    text = token[0]
    if text.startswith(b'"') or math.isfinite(float(text)):
        return text
    return b"-" + _BEYOND if text.startswith(b"-") else _BEYOND


def decode_json(payload: bytes, kind: type[Payload], unit: str) -> tuple[Payload, list[str]]:
    """Decode one JSON payload and check that it is the unit's own.

    Returns
    -------
    body : Struct
        The payload.
    unknown : list of str
        Its top-level fields that the contract does not have, sorted.

    Raises
    ------
    PayloadError
        The bytes are not JSON, a field is missing or of the wrong type or value, or ``unit`` is another than the
        topic's.
    """
    unknown: list[str] = []
    try:
        try:
            body = strict_decoder(kind).decode(payload)
        except msgspec.ValidationError:  # seldom: what it is about is found out at the price of decoding again
            body = _decode_leniently(payload, kind)
            unknown = unknown_fields(payload, kind)
    except (msgspec.MsgspecError, ValueError, RecursionError) as err:
        raise PayloadError(f"payload: {err}") from err
    if body.unit != unit:
        raise PayloadError(f"payload: unit is {body.unit[:80]!r}, the topic says {unit!r}")
    return cast("Payload", body), unknown


def _decode_leniently(payload: bytes, kind: type[Payload]) -> Any:
    """Decode with fields that the contract does not have, and numbers that no double can hold."""
    try:
        return _decoder(kind).decode(payload)
    except msgspec.ValidationError as err:
        if "out of range" not in str(err):
            raise
        return _decoder(kind).decode(_TOKEN.sub(_bounded, payload))


def unknown_fields(payload: bytes, kind: type[Payload]) -> list[str]:
    """Name the top-level fields of a JSON payload that the contract does not have.

    Raises
    ------
    UnicodeDecodeError
        The name of such a field is not UTF-8.
    """
    return sorted(key[:64] for key in _KEYS.decode(payload).keys() - _known(kind))


def microseconds(instant: datetime) -> int:
    """Microseconds since 1970-01-01T00:00:00Z, rounded to the contract's millisecond.

    Raises
    ------
    PayloadError
        The instant lies before 1970, or in UTC after 9999-12-31T00:00:00Z.
    """
    us = round((instant - EPOCH) / _MICROSECOND / 1000) * 1000
    if not 0 <= us <= LATEST_US:
        raise PayloadError(f"time {instant.isoformat()} lies outside the years 1970 to 9999")
    return us


Columns = dict[str, tuple[int, Any]]
"""The columns that a block has: how many values, and these, a list of float or None or a buffer of doubles."""
_COLUMNS = attrgetter(*COLUMN_NAMES)


def columns_of(body: PressurePayload) -> Columns:
    """Give the columns that a block has."""
    given = zip(COLUMN_NAMES, _COLUMNS(body), strict=True)
    return {name: (len(values), values) for name, values in given if isinstance(values, list)}


def block_shape(body: PressurePayload, columns: Columns) -> tuple[int, int, list[int] | None, float]:
    """Check a block's shape and give its size and times.

    Returns
    -------
    n : int
        Number of samples; 0 for a block that names ``dt_ms`` and no column.
    t0_us : int
        Its first time, microseconds since the epoch.
    times : list of int or None
        Each sample's time, microseconds since the epoch, where ``t_ms`` gives them one by one.
    dt_us : float
        Spacing in microseconds where ``dt_ms`` gives it, else 0.

    Raises
    ------
    PayloadError
        Columns differ in length, both or neither of ``dt_ms`` and ``t_ms`` are there, ``t_ms`` does not rise, or a
        time lies outside the calendar.
    """
    sizes = {name: size for name, (size, _) in columns.items()}
    if isinstance(body.t_ms, list):
        sizes["t_ms"] = len(body.t_ms)
    lengths = set(sizes.values())
    if len(lengths) > 1:
        each = ", ".join(f"{name} {sizes[name]}" for name in (*COLUMN_NAMES, "t_ms") if name in sizes)
        raise PayloadError(f"payload: columns differ in length: {each}")
    n = next(iter(lengths), 0)
    if (body.dt_ms is UNSET) == (body.t_ms is UNSET):
        raise PayloadError("payload: exactly one of dt_ms and t_ms must be there")
    t0_us = microseconds(body.t0)
    if isinstance(body.t_ms, list):
        if not all(map(math.isfinite, body.t_ms)):
            raise PayloadError("payload: t_ms holds a number that is not finite")
        times = [t0_us + round(offset) * 1000 for offset in body.t_ms]
        if any(b <= a for a, b in pairwise(times)):
            raise PayloadError("payload: t_ms does not strictly increase by whole milliseconds")
        if times and not (times[0] >= 0 and times[-1] <= LATEST_US):
            raise PayloadError("payload: t0 and t_ms reach outside the years 1970 to 9999")
        return n, t0_us, times, 0.0
    dt_us = cast("float", body.dt_ms) * 1000.0
    if n and not (math.isfinite(dt_us) and t0_us >= 0 and t0_us + (n - 1) * dt_us <= LATEST_US):
        raise PayloadError("payload: t0 and dt_ms reach outside the years 1970 to 9999")
    if n > 1 and dt_us < MILLISECOND_US:
        raise PayloadError("payload: dt_ms is under a millisecond")
    return n, t0_us, None, dt_us
