"""JSON and CBOR payloads, read by the standard library's `json` and by `cbor2` as they come, and plain loops."""

import json
import math
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from typing import Any

import cbor2

from airwatch.contract.columns import COLUMNS
from tests.fuzz.properties import as_double, fitting
from tests.fuzz.reading.landing import Expected

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MAX_DIGITS, _MAX_EXPONENT = 400, 10_000


def load_json(payload: bytes) -> Any:
    """Parse JSON; a number of more digits than a double has becomes infinite.

    Bytes that are no UTF-8 pass, since a field that nothing reads may hold them; in any other they make a difference.
    """
    return json.loads(payload.decode(errors="replace"), parse_int=_integer)


def load_cbor(payload: bytes) -> Any:
    """Parse CBOR as `cbor2` does by itself, but for decimal fractions; `undefined` becomes null."""
    return _without_undefined(cbor2.loads(payload, semantic_decoders={4: _decimal_fraction}))


def read_payload(body: dict[str, Any], stream: str) -> Expected:
    """Say what is to land of a payload of stream ``pressure``, ``governor`` or ``faults`` that was accepted."""
    if stream == "pressure":
        return _pressure(body)
    if stream == "governor":
        events = [(instant_us(e["t"]), e["kind"], fitting(e.get("supply_kpa"), COLUMNS[0])) for e in body["events"]]
        return Expected(body["seq"], governor=events)
    t_us, source, codes = instant_us(body["t"]), body.get("source_address"), body.get("codes")
    lamps = [(instant_us(event["t"]), event["lamp"], event["on"]) for event in body.get("lamps") or []]
    expected = Expected(body["seq"], lamps=lamps)
    if codes is not None:
        expected.reports = [(t_us, source)]
        expected.codes = [(t_us, source, code["spn"], code["fmi"], code.get("count")) for code in codes]
    return expected


def instant_us(value: str | datetime) -> int:
    """Give a time in microseconds since the epoch."""
    instant = datetime.fromisoformat(value.upper()) if isinstance(value, str) else value
    return (instant - _EPOCH) // timedelta(microseconds=1)


def _pressure(body: dict[str, Any]) -> Expected:
    columns = {column.name: values for column in COLUMNS if (values := body.get(column.name)) is not None}
    n = max((len(values) for values in columns.values()), default=len(body.get("t_ms", ())))
    offsets_ms = body["t_ms"] if "t_ms" in body else [k * as_double(body["dt_ms"]) for k in range(n)]
    t0_us = instant_us(body["t0"])
    rows = []
    for k in range(n):
        values = (fitting(columns[c.name][k], c) if c.name in columns else None for c in COLUMNS)
        rows.append((t0_us + as_double(offsets_ms[k]) * 1000, *values))
    trailer = (body["trailer"] or "") if "trailer" in body else None
    return Expected(body["seq"], trailer, samples=rows)


def _decimal_fraction(parts: list[Any], _immutable: bool) -> Fraction | float:  # noqa: FBT001 - cbor2's call
    """Give a decimal fraction exactly, but for one that no double comes near. Its mantissa may be a double here."""
    exponent, mantissa = parts
    if not mantissa or (isinstance(mantissa, float) and not math.isfinite(mantissa)):
        return float(mantissa)
    if abs(exponent) > _MAX_EXPONENT:
        return math.copysign(math.inf if exponent > 0 else 0.0, 1 if mantissa > 0 else -1)
    scale: Fraction = Fraction(10) ** exponent
    return Fraction(mantissa) * scale


def _integer(digits: str) -> float:
    return int(digits) if len(digits) <= _MAX_DIGITS else float(digits)


def _without_undefined(item: Any) -> Any:
    if item is cbor2.undefined:
        return None
    if isinstance(item, list | tuple):
        return [_without_undefined(part) for part in item]
    if isinstance(item, dict):
        return {key: _without_undefined(value) for key, value in item.items()}
    return item
