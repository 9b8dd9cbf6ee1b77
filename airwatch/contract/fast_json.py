"""Pressure blocks in JSON, read without a Python number for each value.

A block is hundreds of numbers, and making an object of each is most of the cost of reading it. Here `msgspec` checks
the message and hands each column over as it stands, and `simdjson` turns a column of plain numbers into an array.
Whatever is out of the ordinary (a null among the numbers, a wrong type, an unknown field, a broken message) goes to
`decode_json`, which decides and gives the reason; so both ways say the same.
"""

from operator import attrgetter
from typing import Any

import msgspec
import simdjson
from msgspec import UNSET, UnsetType

from airwatch.contract.columns import COLUMN_NAMES
from airwatch.contract.payloads import Columns, PressurePayload, columns_of, decode_json
from airwatch.errors import PayloadError

_Column = msgspec.Raw | UnsetType
_RawPressure: Any = msgspec.defstruct(
    "PressurePayload",
    [(name, _Column, UNSET) for name in COLUMN_NAMES],
    bases=(PressurePayload,),
    gc=False,
    forbid_unknown_fields=True,
)
_RAW = msgspec.json.Decoder(_RawPressure)
_VALUES = msgspec.json.Decoder(list[float | None])
_FIXED = ("v", "unit", "seq", "t0")
_OTHERS = attrgetter("trailer", "dt_ms", "t_ms")
_PARSER: Any = simdjson.Parser()
_COLUMNS = attrgetter(*COLUMN_NAMES)
_DOUBLE = 8
_NOT_PLAIN = (TypeError, ValueError, RuntimeError, AttributeError)  # what simdjson says of anything but numbers


def decode_pressure_json(payload: bytes, unit: str) -> tuple[PressurePayload, Columns, list[str]]:
    """Decode one JSON payload of stream ``pressure``.

    Returns
    -------
    body : PressurePayload
        All but its columns.
    columns : Columns
        Its columns; those of plain numbers are buffers of doubles.
    unknown : list of str
        Its top-level fields that the contract does not have, sorted.

    Raises
    ------
    PayloadError
        As `decode_json`.
    """
    try:
        body = _RAW.decode(payload)
        columns = _buffers(payload, _COLUMNS(body), _OTHERS(body))
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError):
        columns = None
    # An array in an array would be read as one long array, and of a field that stands twice the first and not the last.
    if columns is None or payload.count(b"[") != len(columns) + (body.t_ms is not UNSET):
        body, unknown = decode_json(payload, PressurePayload, unit)
        return body, columns_of(body), unknown
    if body.unit != unit:
        raise PayloadError(f"payload: unit is {body.unit[:80]!r}, the topic says {unit!r}")
    return body, columns, []


def _buffers(payload: bytes, raw_columns: tuple[Any, ...], others: tuple[Any, ...]) -> Columns | None:
    """Read the columns that are there; None if the message is nothing for this."""
    try:
        block = _PARSER.parse(payload)
    except _NOT_PLAIN:
        return None
    if len(block) != len(_FIXED) + sum(raw is not UNSET for raw in raw_columns + others):
        return None  # a field stands twice: simdjson would take the first and not check the others
    columns: Columns = {}
    for name, raw in zip(COLUMN_NAMES, raw_columns, strict=True):
        if raw is UNSET:
            continue
        try:
            buffer = block[name].as_buffer(of_type="d")
        except _NOT_PLAIN:  # a null, or nothing in it, or something that is no number
            if (values := bytes(raw)) != b"null":
                decoded = _VALUES.decode(values)
                columns[name] = len(decoded), decoded
        else:
            columns[name] = buffer.size // _DOUBLE, buffer
    return columns
