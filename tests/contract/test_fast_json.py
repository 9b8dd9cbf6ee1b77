"""The quick way of reading a block says what the plain way says, of any message at all."""

import json
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.contract.columns import COLUMN_NAMES
from airwatch.contract.fast_json import decode_pressure_json
from airwatch.contract.payloads import PressurePayload, columns_of, decode_json
from airwatch.errors import PayloadError
from tests.messages import UNIT, pressure

NUMBERS = st.integers(-(2**70), 2**70) | st.floats(allow_nan=False, allow_infinity=False) | st.integers(0, 2000)
PLAIN = st.lists(st.integers(0, 2000) | st.floats(0, 2000), max_size=5)
ODD = st.lists(
    NUMBERS | st.none() | st.booleans() | st.text(max_size=2) | st.lists(st.integers(0, 9), max_size=2), max_size=4
)
COLUMN = PLAIN | PLAIN | PLAIN | ODD | st.none() | st.integers() | st.text(max_size=3)


def outcome(decode: Any, payload: bytes) -> Any:
    """Give what a decoder says: the fields, or the reason why not."""
    try:
        body, columns, unknown = decode(payload)
    except PayloadError as err:
        return str(err)
    told = {name: values if isinstance(values, list) else doubles(values) for name, (_, values) in columns.items()}
    assert [len(values) for values in told.values()] == [size for size, _ in columns.values()]
    return told, body.seq, body.t0, body.dt_ms, body.t_ms, body.trailer, body.unit, unknown


def doubles(buffer: Any) -> list[float]:
    """Read a buffer of doubles."""
    return memoryview(buffer).cast("d").tolist()


def plainly(payload: bytes) -> Any:
    """Decode the plain way."""
    body, unknown = decode_json(payload, PressurePayload, UNIT)
    return body, columns_of(body), unknown


def same(payload: bytes) -> Any:
    quick = outcome(lambda text: decode_pressure_json(text, UNIT), payload)
    assert quick == outcome(plainly, payload)
    return quick


@settings(deadline=None, max_examples=400)
@given(
    columns=st.dictionaries(st.sampled_from([*COLUMN_NAMES, "axle_kg"]), COLUMN, max_size=5),
    fields=st.fixed_dictionaries(
        {}, optional={"trailer": st.text(alphabet='[]{}",x', max_size=4) | st.none(), "seq": st.integers(-1, 9)}
    ),
    cut=st.integers(0, 400),
    junk=st.binary(max_size=2),
)
def test_any_message_is_read_alike(columns: dict[str, Any], fields: dict[str, Any], cut: int, junk: bytes) -> None:
    payload = json.dumps(pressure(**({"primary_kpa": ...} | columns | fields))).encode()
    same(payload)
    same(payload[:cut] + junk + payload[cut:])


@pytest.mark.parametrize(
    "raw",
    [
        "[[800, 808], [816]]", "[1e999]", "[800, 1e999]", "[123456789012345678901234567890]", "[-0.0]", "[8.5e2, 1E2]",
        "[]",
        "null", "[null]", "[NaN]", "[800,]", "[01]", "[1.]", "[.5]", "[+1]", "800", '"[800]"', "{}", "[ 800 ,\n808 ]",
    ],
)  # fmt: skip
def test_odd_columns_are_read_alike(raw: str) -> None:
    same(json.dumps(pressure(primary_kpa="@")).replace('"@"', raw).encode())


def test_of_a_field_that_stands_twice_the_same_one_counts() -> None:
    text = json.dumps(pressure(primary_kpa=[800, 808]))
    doubled = text[:-1] + ', "primary_kpa": [1, 2]}'
    columns = same(doubled.encode())[0]
    assert columns["primary_kpa"] == [1, 2]


def test_plain_columns_take_the_quick_way() -> None:
    text = json.dumps(pressure(primary_kpa=[800, 808.5], secondary_kpa=[None, 800]))
    _, columns, _ = decode_pressure_json(text.encode(), UNIT)
    assert doubles(columns["primary_kpa"][1]) == [800.0, 808.5]
    assert columns["secondary_kpa"] == (2, [None, 800.0])
