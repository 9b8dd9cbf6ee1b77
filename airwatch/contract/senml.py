"""SenML packs (RFC 8428) in JSON and CBOR, and how one becomes a block of samples.

RFC 8428 leaves open what the names are; a pack on a ``pressure`` topic is read so:

* A record is the value of one contract column at one time. The last part of its name, after ``/`` or ``:``, is the
  column (or ``trailer``, a string value: the coupled trailer, "" when bobtail). What stands before that names the unit:
  one of its parts is the topic's unit, or it is a device's own name (``urn:dev:...``, where ``_`` may also stand before
  the column), or there is nothing. A column of another unit breaks the contract. Other names are left out, and the
  remark says which.
* Units are those of RFC 8428 and RFC 8798 that convert exactly (``_UNITS``), and kPa, which both lack. No unit means
  the column's own. Another unit breaks the contract: a pressure in psi must not pass for kPa.
* A switch is a boolean, or a number whose unit is ``/`` (RFC 8428, table 6, note 2) or none. A string or data value for
  a column breaks the contract. A sum without a value says nothing about a moment and is left out.
* Records of one time, to the millisecond, are one sample; a column without a record there is null. Samples come out in
  order of time. A column with two different values at one time breaks the contract.
* A time below 2**28 s counts from the arrival of the pack, and the remark says so: a pack that is late or comes twice
  then gives other times, so a gateway that knows the time sends it.
"""

import base64
import binascii
import math
import operator
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import msgspec
from msgspec import UNSET, Struct, UnsetType

from airwatch.contract.cbor import read_item
from airwatch.contract.columns import COLUMN_NAMES, COLUMNS
from airwatch.errors import PayloadError

VERSION = 10
_RELATIVE_BELOW_S = 2**28  # RFC 8428, 4.5.3
_NAME = re.compile(r"[A-Za-z0-9][-:./_A-Za-z0-9]{0,254}")  # RFC 8428, 4.5.1, which sets no length
_LATEST_US = 253_402_214_400_000_000  # 9999-12-31T00:00:00Z, the latest time of the contract
_SECOND_US = 1e6
_MILLISECOND_US = 1000
_MAX_NAMED = 8
_TRAILER = "trailer"

# RFC 8428, table 4.
_LABELS = {-6: "bs", -5: "bv", -4: "bu", -3: "bt", -2: "bn", -1: "bver", 0: "n", 1: "u", 2: "v", 3: "vs", 4: "vb"}
_LABELS |= {5: "s", 6: "t", 7: "ut", 8: "vd"}


def _same(value: float) -> float:
    return value


# By the end of a column's name. RFC 8428, 12.1: Pa, m/s, Cel, K, 1/s, 1/min, Hz, /, %. RFC 8798: hPa, km/h.
_UNITS: dict[str, dict[str, Callable[[float], float]]] = {
    "kpa": {"kPa": _same, "hPa": lambda v: v / 10, "Pa": lambda v: v / 1000},
    "rpm": {"1/min": _same, "1/s": lambda v: v * 60, "Hz": lambda v: v * 60},
    "kph": {"km/h": _same, "m/s": lambda v: v * 3.6},
    "c": {"Cel": _same, "K": lambda v: v - 273.15},
}
_SWITCH_UNITS: dict[str, Callable[[float], float]] = {"/": _same, "%": _same}  # "%" is an old name of "/", not percent
_SWITCHES = frozenset(column.name for column in COLUMNS if column.is_switch)


class Record(Struct, gc=False):
    """One record of a pack as it came; names are the labels of RFC 8428, table 1."""

    bn: str | UnsetType = UNSET
    bt: float | UnsetType = UNSET
    bu: str | UnsetType = UNSET
    bv: float | UnsetType = UNSET
    bs: float | UnsetType = UNSET
    bver: float | UnsetType = UNSET
    n: str | UnsetType = UNSET
    u: str | UnsetType = UNSET
    v: float | UnsetType = UNSET
    vs: str | UnsetType = UNSET
    vb: bool | UnsetType = UNSET
    vd: Any = UNSET
    s: float | UnsetType = UNSET
    t: float | UnsetType = UNSET
    ut: float | UnsetType = UNSET


class Resolved(Struct, frozen=True, gc=False):
    """One resolved record (RFC 8428, 4.6); ``value`` is of the type that its field had, None where only a sum came.

    ``t_us`` is in microseconds since the epoch, ``value_sum`` in the unit times seconds, ``update_s`` in seconds.
    ``is_relative`` says that the time was given relative to now.
    """

    name: str
    t_us: float
    unit: str | None
    value: float | str | bool | bytes | None
    value_sum: float | None = None
    update_s: float | None = None
    is_relative: bool = False


@dataclass(frozen=True, slots=True)
class Block:
    """A block of samples: ``times_us`` rise strictly, each of ``columns`` is as long as they are; pressures in kPa.

    ``seq`` is always None, SenML has no such thing. ``trailer`` is "" when bobtail, None when unknown.
    """

    times_us: list[int]
    columns: dict[str, list[float | None]]
    trailer: str | None = None
    seq: int | None = None
    remark: str | None = None


def read_senml_json(payload: bytes) -> list[Record]:
    """Decode a pack of type ``application/senml+json``.

    Raises
    ------
    PayloadError
        Not an array of records, a field is of the wrong type, or a field that must be understood is not known.
    """
    try:
        pack = msgspec.json.decode(payload)
    except (msgspec.MsgspecError, ValueError, RecursionError) as err:
        raise PayloadError(f"payload: {err}") from err
    return _records(pack)


def read_senml_cbor(payload: bytes) -> list[Record]:
    """Decode a pack of type ``application/senml+cbor``; labels are those of RFC 8428, table 4, or text.

    Raises
    ------
    PayloadError
        As for `read_senml_json`, or not CBOR.
    """
    item = read_item(payload, with_number_keys=True)
    if not isinstance(item, list) or not all(isinstance(record, dict) for record in item):
        raise PayloadError("payload: a SenML pack is an array of maps")
    label = _LABELS.get
    named = [{label(key, key): value for key, value in record.items()} for record in item]
    if any(map(operator.ne, map(len, named), map(len, item))):
        raise PayloadError("payload: a record has a label both as number and as text")
    if not all(isinstance(key, str) for key in set().union(*named)):
        named = [{key: value for key, value in record.items() if isinstance(key, str)} for record in named]
    return _records(named)


def _records(pack: Any) -> list[Record]:
    try:
        records = msgspec.convert(pack, list[Record])
    except (msgspec.MsgspecError, ValueError) as err:
        raise PayloadError(f"payload: {err}") from err
    for label in set().union(*pack):
        if label.endswith("_"):
            raise PayloadError(
                f"payload: field {label[:64]!r} must be understood (RFC 8428, 4.4); it is not known here"
            )
    return records


def resolve(records: Iterable[Record], received_us: int) -> list[Resolved]:
    """Resolve a pack: base fields applied, times absolute, in order of time (RFC 8428, 4.6).

    Parameters
    ----------
    records : iterable of Record
        In the order of the pack.
    received_us : int
        What "now" is, microseconds since the epoch.

    Returns
    -------
    list of Resolved
        A record that has base fields only gives none.

    Raises
    ------
    PayloadError
        A version above 10 or two versions, a name that RFC 8428 does not allow, a time that is no number of this
        calendar, no value or more than one, or data that is not base64url.
    """
    base_name, base_unit, base_time, base_value, base_sum = "", None, 0.0, 0.0, None
    has_base_value, version, resolved = False, None, []
    for record in records:
        base_name = record.bn if isinstance(record.bn, str) else base_name
        base_unit = record.bu if isinstance(record.bu, str) else base_unit
        base_time = record.bt if isinstance(record.bt, float) else base_time
        if isinstance(record.bv, float):
            base_value, has_base_value = record.bv, True
        base_sum = record.bs if isinstance(record.bs, float) else base_sum
        if isinstance(record.bver, float):
            version = _version(record.bver, version)
        if record.n is UNSET and _has_base_fields_only(record):
            continue
        name = base_name + record.n if isinstance(record.n, str) else base_name
        _check_name(name)
        t_us, is_relative = _time(base_time + (record.t if isinstance(record.t, float) else 0.0), received_us)
        value = _value(record, base_value)
        value_sum = record.s + (base_sum or 0.0) if isinstance(record.s, float) else base_sum
        if value is None and value_sum is None:
            if not has_base_value:
                raise PayloadError(f"payload: record of {name[:64]!r} has no value")
            value = base_value
        unit = record.u if isinstance(record.u, str) else base_unit
        update_s = record.ut if isinstance(record.ut, float) else None
        resolved.append(Resolved(name, t_us, unit, value, value_sum, update_s, is_relative))
    resolved.sort(key=operator.attrgetter("t_us"))
    return resolved


def _version(given: float, before: float | None) -> float:
    if not (1 <= given <= VERSION and given == math.floor(given)):  # only what is finite has a floor
        raise PayloadError(f"payload: bver is {given:g}; SenML versions 1 to {VERSION} are known here")
    if before not in {None, given}:
        raise PayloadError(f"payload: bver is {before:g} and {given:g} in one pack")
    return given


def _has_base_fields_only(record: Record) -> bool:
    regular = (record.u, record.v, record.vs, record.vb, record.vd, record.s, record.t, record.ut)
    return all(part is UNSET for part in regular) and record.bv is UNSET and record.bs is UNSET


@lru_cache(maxsize=4096)
def _check_name(name: str) -> None:
    if not _NAME.fullmatch(name):
        raise PayloadError(f"payload: name {name[:64]!r} is not 1 to 255 of A-Z a-z 0-9 - : . / _ (RFC 8428, 4.5.1)")


def _time(t_s: float, received_us: int) -> tuple[float, bool]:
    is_relative = t_s < _RELATIVE_BELOW_S
    t_us = t_s * _SECOND_US + (received_us if is_relative else 0)
    if not 0 <= t_us <= _LATEST_US:  # NaN fails, too
        raise PayloadError(f"payload: time {t_s:g} s lies outside the years 1970 to 9999")
    return t_us, is_relative


def _value(record: Record, base_value: float) -> float | str | bool | bytes | None:
    if isinstance(record.v, float) and record.vs is record.vb is record.vd is UNSET:
        return record.v + base_value
    values = [value for value in (record.v, record.vs, record.vb, record.vd) if value is not UNSET]
    if len(values) > 1:
        raise PayloadError("payload: a record has more than one of v, vs, vb, vd")
    if record.vd is UNSET:
        return values[0] if values else None
    if isinstance(record.vd, bytes):
        return record.vd
    try:
        return base64.b64decode(record.vd + "=" * (-len(record.vd) % 4), altchars=b"-_", validate=True)
    except (TypeError, ValueError, binascii.Error) as err:
        raise PayloadError(f"payload: vd is not base64url: {err}") from err


def pressure_block(records: Iterable[Resolved], unit: str) -> Block:
    """Make a block of samples out of resolved records, as the head of this file says.

    Parameters
    ----------
    records : iterable of Resolved
        In order of time.
    unit : str
        Whose topic the pack came on.

    Returns
    -------
    Block
        Only columns that the pack has. What the bus can't carry is still in it.

    Raises
    ------
    PayloadError
        A column is another unit's, has a unit of measure or a type that it can't have, or two values at one time; two
        trailers are named.
    """
    rows: dict[int, dict[str, float]] = {}
    unknown: set[str] = set()
    trailers: set[str] = set()
    n_sums, is_relative = 0, False
    for record in records:
        column = _column_of(record.name, unit)
        if column is None:
            unknown.add(record.name)
        elif column == _TRAILER:
            trailers.add(_trailer(record))
        elif record.value is None:
            n_sums += 1
        else:
            is_relative |= record.is_relative
            t_us = round(record.t_us / _MILLISECOND_US) * _MILLISECOND_US
            value, row = _number(column, record), rows.setdefault(t_us, {})
            if row.setdefault(column, value) != value and not math.isnan(value):
                raise PayloadError(f"payload: {column} has two values at one time, {row[column]:g} and {value:g}")
    if len(trailers) > 1:
        raise PayloadError(f"payload: two trailers in one pack: {', '.join(map(repr, sorted(trailers)))[:160]}")
    times = sorted(rows)
    present = set().union(*rows.values())
    columns = {name: [rows[t].get(name) for t in times] for name in COLUMN_NAMES if name in present}
    remark = _remark(unknown, n_sums, is_relative=is_relative)
    return Block(times, columns, trailer=next(iter(trailers), None), remark=remark)


@lru_cache(maxsize=4096)
def _column_of(name: str, unit: str) -> str | None:
    """Find the column that a name stands for; None for a name that is not the contract's."""
    owner, _, leaf = name.rpartition("/") if name.rfind("/") > name.rfind(":") else name.rpartition(":")
    if name.startswith("urn:dev:"):
        leaf = next((c for c in (*COLUMN_NAMES, _TRAILER) if leaf == c or leaf.endswith(f"_{c}")), leaf)
    elif not owner and name.startswith(unit):
        leaf = name.removeprefix(unit)  # a base name without the sign between
    if leaf not in COLUMN_NAMES and leaf != _TRAILER:
        return None
    if owner and not owner.startswith("urn:dev:") and unit not in re.split("[/:]", owner):
        raise PayloadError(f"payload: {name[:160]!r} is not of the unit {unit!r} that the topic names")
    return leaf


def _number(column: str, record: Resolved) -> float:
    is_switch = column in _SWITCHES
    if isinstance(record.value, bool):
        if not is_switch:
            raise PayloadError(f"payload: {column} must be a number; got a boolean")
        return float(record.value)
    if not isinstance(record.value, float):
        raise PayloadError(f"payload: {column} must be a number; got text or data")
    if record.unit is None:
        return record.value
    units = _SWITCH_UNITS if is_switch else _UNITS[column.rpartition("_")[2]]
    if record.unit not in units:
        raise PayloadError(f"payload: {column} in {record.unit[:32]!r}, which is none of {', '.join(units)}")
    return units[record.unit](record.value)


def _trailer(record: Resolved) -> str:
    if not isinstance(record.value, str):
        raise PayloadError("payload: trailer must be a string value (vs)")
    return record.value


def _remark(unknown: set[str], n_sums: int, *, is_relative: bool) -> str | None:
    said = []
    if unknown:
        named = ", ".join(name[:64] for name in sorted(unknown)[:_MAX_NAMED])
        more = f" and {len(unknown) - _MAX_NAMED} more" if len(unknown) > _MAX_NAMED else ""
        said.append(f"names not in the contract were left out: {named}{more}")
    if n_sums:
        said.append(f"{n_sums} sums without a value were left out")
    if is_relative:
        said.append("times count from the arrival of the message")
    return "; ".join(said) or None


def decode_senml(payload: bytes, encoding: str, unit: str, received_us: int) -> Block:
    """Decode a SenML pack that came on a ``pressure`` topic.

    Parameters
    ----------
    payload : bytes
        Any bytes at all.
    encoding : str
        ``application/senml+json`` or ``application/senml+cbor``.
    unit : str
        Whose topic it came on.
    received_us : int
        When it arrived, microseconds since the epoch.

    Returns
    -------
    Block

    Raises
    ------
    PayloadError
        As `read_senml_json`, `resolve` and `pressure_block`.
    """
    read = read_senml_cbor if encoding == "application/senml+cbor" else read_senml_json
    return pressure_block(resolve(read(payload), received_us), unit)
