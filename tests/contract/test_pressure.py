"""Pressure blocks: contract section 2."""

import json
from datetime import datetime
from typing import Any

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.contract.batch import SAMPLES_SCHEMA, decode_batch
from airwatch.contract.columns import COLUMN_NAMES, COLUMNS
from tests.messages import T0_US, assert_refused, at, decode, message, pressure

SWITCHES = ["park_brake", "service_brake", "low_air_warning", "compressor_loaded"]
# The ranges of contract section 2; the switches' are those of section 2's example. Ambient is not in the contract:
# SPN 171 (0.03125 deg C a bit, offset -273, greatest code 0xFAFF), as airwatch/contract/columns.py gives it.
EDGES = {
    **dict.fromkeys(["supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa", "application_kpa"], (0.0, 2000.0)),
    "engine_rpm": (0.0, 8031.875),
    "speed_kph": (0.0, 250.99609375),  # the contract rounds it to 250.996: 0xFAFF / 256
    "ambient_c": (-273.0, 1734.96875),
    **dict.fromkeys(SWITCHES, (0.0, 1.0)),
}


def times_s(frame: pl.DataFrame) -> list[float]:
    """Give sample times as seconds after T0."""
    return [(t - T0_US) / 1e6 for t in frame["t"].to_physical()]


def with_raw(block: dict[str, Any], raw: dict[str, str]) -> bytes:
    """Write a block with JSON fragments in it as they stand, for what `json` would not write."""
    whole = json.dumps(block | {name: f"@{name}@" for name in raw})
    for name, fragment in raw.items():
        whole = whole.replace(f'"@{name}@"', fragment)
    return whole.encode()


def test_the_block_that_the_contract_shows() -> None:
    body = {
        "v": 1, "unit": "K-204", "seq": 8812, "trailer": "R-77",
        "t0": "2031-02-03T11:20:00Z", "dt_ms": 1000,
        "supply_kpa": [832, 824], "primary_kpa": [824, 824], "secondary_kpa": [824, 816],
        "trailer_kpa": [816, 816], "application_kpa": [0, 210],
        "engine_rpm": [650, 655], "speed_kph": [0, 0], "ambient_c": [4, 4],
        "park_brake": [0, 0], "service_brake": [0, 1], "low_air_warning": [0, 0],
        "compressor_loaded": [None, None],
    }  # fmt: skip
    decoded = decode(body)
    common: dict[str, Any] = {"message": 0, "engine_rpm": 650.0, "speed_kph": 0.0}
    common |= {"ambient_c": 4.0, "park_brake": 0, "low_air_warning": 0, "compressor_loaded": None}
    first = common | {"t": datetime(2031, 2, 3, 11, 20), "supply_kpa": 832.0, "primary_kpa": 824.0}  # noqa: DTZ001
    first |= {"secondary_kpa": 824.0, "trailer_kpa": 816.0, "application_kpa": 0.0, "service_brake": 0}
    second = first | {"t": datetime(2031, 2, 3, 11, 20, 1), "supply_kpa": 824.0, "secondary_kpa": 816.0}  # noqa: DTZ001
    second |= {"application_kpa": 210.0, "engine_rpm": 655.0, "service_brake": 1}
    assert decoded.samples.schema == SAMPLES_SCHEMA
    assert decoded.samples.to_dicts() == [{k: row[k] for k in SAMPLES_SCHEMA} for row in (first, second)]
    assert decoded.rejects.is_empty()
    assert decoded.ledger.row(0, named=True) == {
        "message": 0, "fleet": "north", "unit": "K-204", "stream": "pressure", "seq": 8812,
        "received": datetime(2031, 2, 3, 11, 20), "encoding": "application/json", "bytes": len(json.dumps(body)),  # noqa: DTZ001
        "trailer": "R-77", "n_rows": 2, "n_cells": 24, "n_null": 2, "n_out_of_range": 0, "remark": None,
    }  # fmt: skip


# times ---------------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dt_ms", "expected"),
    [
        (1000, [0.0, 1.0, 2.0]),
        (10_000, [0.0, 10.0, 20.0]),
        (1, [0.0, 0.001, 0.002]),
        (99.6, [0.0, 0.1, 0.199]),  # each sample to its own nearest millisecond, so that the spacing does not drift
        (1000.4, [0.0, 1.0, 2.001]),
    ],
)
def test_dt_ms_spaces_samples(dt_ms: float, expected: list[float]) -> None:
    assert times_s(decode(pressure(dt_ms=dt_ms, primary_kpa=[8, 16, 24])).samples) == expected


def test_t_ms_places_samples() -> None:
    decoded = decode(pressure(dt_ms=..., t_ms=[-500, 0, 7.4, 90_000_000], primary_kpa=[1, 2, 3, 4]))
    assert times_s(decoded.samples) == [-0.5, 0.0, 0.007, 90_000.0]


@pytest.mark.parametrize(
    ("t0", "expected"),
    [
        ("2031-02-03T11:20:00.25Z", 0.25),
        ("2031-02-03T13:50:00+02:30", 0.0),
        ("2031-02-03T11:20:00.0006Z", 0.001),
        ("2031-02-03t11:20:00z", 0.0),
    ],
)
def test_t0_is_rfc_3339_and_kept_to_the_millisecond(t0: str, expected: float) -> None:
    assert times_s(decode(pressure(t0=t0, primary_kpa=[8])).samples) == [expected]


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"t_ms": [0, 1]}, "exactly one of dt_ms and t_ms"),
        ({"dt_ms": ...}, "exactly one of dt_ms and t_ms"),
        ({"dt_ms": ..., "t_ms": [0, 0]}, "t_ms does not strictly increase"),
        ({"dt_ms": ..., "t_ms": [5, 4]}, "t_ms does not strictly increase"),
        ({"dt_ms": ..., "t_ms": [0, 0.4]}, "t_ms does not strictly increase by whole milliseconds"),
        ({"dt_ms": ..., "t_ms": [0]}, "columns differ in length: primary_kpa 2, t_ms 1"),
        ({"dt_ms": ..., "t_ms": [0, None]}, r"Expected `float`, got `null` - at `\$\.t_ms\[1\]`"),
        ({"dt_ms": ..., "t_ms": [0, 1e300]}, "t0 and t_ms reach outside the years 1970 to 9999"),
        ({"dt_ms": ..., "t_ms": [-1e300, 0]}, "t0 and t_ms reach outside the years 1970 to 9999"),
        ({"dt_ms": 0}, "Expected `float` > 0.0"),
        ({"dt_ms": -1000}, "Expected `float` > 0.0"),
        ({"dt_ms": None}, "got `null`"),
        ({"dt_ms": "1000"}, "got `str`"),
        ({"dt_ms": 0.4}, "dt_ms is under a millisecond"),
        ({"dt_ms": 0.6}, "dt_ms is under a millisecond"),  # would put two samples on one millisecond further on
        ({"dt_ms": 1e300}, "t0 and dt_ms reach outside the years 1970 to 9999"),
        ({"dt_ms": 1e307}, "t0 and dt_ms reach outside the years 1970 to 9999"),  # infinite in microseconds
        ({"t0": "2031-02-03T11:20:00"}, r"timezone component - at `\$.t0`"),
        ({"t0": "2031-02-03"}, r"Invalid RFC3339 encoded datetime - at `\$.t0`"),
        ({"t0": "2031-02-30T11:20:00Z"}, r"Invalid RFC3339 encoded datetime - at `\$.t0`"),
        ({"t0": 1927884000}, r"\$.t0"),
        ({"t0": ...}, "missing required field `t0`"),
        ({"t0": "1969-12-31T23:59:59Z"}, "time 1969-12-31T23:59:59.00:00 lies outside the years 1970 to 9999"),
        ({"t0": "9999-12-31T23:59:59-23:59"}, "lies outside the years 1970 to 9999"),
        ({"t0": "9999-12-30T23:59:59.5Z"}, "t0 and dt_ms reach outside the years 1970 to 9999"),
    ],
)
def test_times_that_break_the_contract(fields: dict[str, Any], why: str) -> None:
    assert_refused(pressure(**fields), why)


# columns -------------------------------------------------------------------------------------------------------------


def test_absent_columns_and_null_columns_and_nulls_are_not_available_and_never_zero() -> None:
    decoded = decode(pressure(secondary_kpa=[None, 8], engine_rpm=None, park_brake=[None, None]))
    assert decoded.samples["secondary_kpa"].to_list() == [None, 8.0]
    others = [name for name in COLUMN_NAMES if name not in ("primary_kpa", "secondary_kpa")]
    assert decoded.samples.select(others).null_count().row(0) == (2,) * len(others)
    assert decoded.ledger["n_out_of_range"].to_list() == [0]


@pytest.mark.parametrize("absent", COLUMN_NAMES)
def test_any_column_may_be_absent(absent: str) -> None:
    block = pressure(**{column.name: [column.high, column.low] for column in COLUMNS} | {absent: ...})
    decoded = decode(block)
    assert decoded.samples[absent].to_list() == [None, None]
    assert decoded.samples.drop(absent).null_count().sum_horizontal().item() == 0


def test_a_block_of_no_samples_is_accepted() -> None:
    for block in (pressure(primary_kpa=...), pressure(primary_kpa=[]), pressure(dt_ms=..., t_ms=[], primary_kpa=[])):
        decoded = decode(block)
        assert (decoded.samples.height, decoded.ledger["n_rows"].to_list(), decoded.rejects.height) == (0, [0], 0)


def test_a_block_of_times_alone_gives_samples_without_a_value() -> None:
    decoded = decode(pressure(primary_kpa=..., dt_ms=..., t_ms=[0, 1000]))
    assert times_s(decoded.samples) == [0.0, 1.0]
    assert decoded.samples.select(COLUMN_NAMES).null_count().row(0) == (2,) * len(COLUMN_NAMES)


def test_columns_of_different_length_are_refused_and_named() -> None:
    assert_refused(
        pressure(secondary_kpa=[816], engine_rpm=None),
        "payload: columns differ in length: primary_kpa 2, secondary_kpa 1$",
    )


# ranges --------------------------------------------------------------------------------------------------------------


def test_every_column_has_its_edges_here() -> None:
    assert sorted(EDGES) == sorted(COLUMN_NAMES)


@pytest.mark.parametrize(("name", "low", "high"), [(name, *edges) for name, edges in EDGES.items()])
def test_a_value_on_the_edge_stays_and_one_beyond_becomes_null_and_is_counted(
    name: str, low: float, high: float
) -> None:
    step = 1 if name in SWITCHES else 0.001
    decoded = decode(pressure(**{"primary_kpa": ..., name: [low - step, low, high, high + step, None]}))
    assert decoded.samples[name].to_list() == [None, low, high, None, None]
    assert decoded.ledger["n_out_of_range"].to_list() == [2]


@pytest.mark.parametrize("name", SWITCHES)
def test_a_switch_is_0_or_1(name: str) -> None:
    decoded = decode(pressure(**{"primary_kpa": ..., name: [0, 1, 2, 3, 0.5, -1]}))
    assert decoded.samples[name].to_list() == [0, 1, None, None, None, None]
    assert decoded.ledger["n_out_of_range"].to_list() == [4]


@pytest.mark.parametrize(
    "number", ["1e999", "-1e999", "1e308", "1" + "0" * 400, "-1" + "0" * 400, "1" + "0" * 40, "1" + "0" * 5000 + ".5"]
)
def test_a_number_beyond_every_range_becomes_null_and_is_counted_whatever_its_size(number: str) -> None:
    decoded = decode(with_raw(pressure(), {"secondary_kpa": f"[{number}, 816]"}))
    assert decoded.rejects["reason"].to_list() == []
    assert decoded.samples["secondary_kpa"].to_list() == [None, 816.0]
    assert decoded.samples["primary_kpa"].to_list() == [824.0, 816.0]
    assert decoded.ledger["n_out_of_range"].to_list() == [1]


def test_text_that_looks_like_a_huge_number_is_left_alone() -> None:
    body = with_raw(pressure(trailer='R "1e999" 7'), {"secondary_kpa": "[1e999, 816]"})
    assert decode(body).ledger["trailer"].to_list() == ['R "1e999" 7']


@pytest.mark.parametrize("times", ['"dt_ms": 1e999', '"t_ms": [0, 1e999]', '"t_ms": [-1e999, 0]'])
def test_a_time_beyond_every_number_is_refused(times: str) -> None:
    body = json.dumps(pressure(dt_ms=...)).encode().replace(b'"seq"', times.encode() + b', "seq"')
    assert_refused(body, "reach outside the years 1970 to 9999")


def test_out_of_range_is_counted_for_the_message_that_had_it() -> None:
    blocks = [pressure(seq=k, t0=at(10 * k), primary_kpa=[-1] * k + [8]) for k in (2, 0, 1)]
    ledger = decode_batch(map(message, blocks)).ledger
    assert dict(ledger.select("seq", "n_out_of_range").iter_rows()) == {2: 2, 0: 0, 1: 1}


# types and shape -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("literal", ["NaN", "Infinity", "-Infinity", "nan", "+1", "01", "1.", ".5", "0x10", "1_000"])
def test_what_is_no_json_number_is_refused(literal: str) -> None:
    assert_refused(with_raw(pressure(), {"secondary_kpa": f"[{literal}, 816]"}), "JSON is malformed")


@pytest.mark.parametrize(
    ("value", "got"), [(True, "bool"), (False, "bool"), ("816", "str"), ([816], "array"), ({}, "object")]
)
@pytest.mark.parametrize("name", ["secondary_kpa", "park_brake"])
def test_a_value_of_another_type_is_refused_and_its_place_named(name: str, value: object, got: str) -> None:
    block = pressure(**{name: [None, value]})
    assert_refused(block, rf"Expected `float \| null`, got `{got}` - at `\$\.{name}\[1\]`")


@pytest.mark.parametrize(
    ("fields", "why"),
    [
        ({"v": 2}, r"Invalid enum value 2 - at `\$\.v`"),
        ({"v": "1"}, r"at `\$\.v`"),
        ({"v": True}, r"at `\$\.v`"),
        ({"v": ...}, "missing required field `v`"),
        ({"unit": "K-205"}, "unit is 'K-205', the topic says 'K-204'"),
        ({"unit": 204}, r"at `\$\.unit`"),
        ({"unit": ...}, "missing required field `unit`"),
        ({"seq": ...}, "missing required field `seq`"),
        ({"seq": -1}, r"Expected `int` >= 0 - at `\$\.seq`"),
        ({"seq": 2**63}, r"at `\$\.seq`"),
        ({"seq": 10**400}, r"at `\$\.seq`"),
        ({"seq": 1.5}, r"at `\$\.seq`"),
        ({"seq": None}, r"at `\$\.seq`"),
        ({"primary_kpa": 824}, r"at `\$\.primary_kpa`"),
        ({"primary_kpa": {"0": 824}}, r"at `\$\.primary_kpa`"),
        ({"trailer": 77}, r"at `\$\.trailer`"),
    ],
)
def test_a_field_that_breaks_the_contract_is_named(fields: dict[str, Any], why: str) -> None:
    assert_refused(pressure(**fields), why)


@pytest.mark.parametrize("body", [b"[]", b"null", b"1", b'"text"', b"", b" ", b"{", b'{"v":1}x', b"\xef\xbb\xbf{}"])
def test_what_is_no_json_object_is_refused(body: bytes) -> None:
    assert_refused(body, "^payload: ")


def test_seq_may_be_0_and_as_large_as_the_store_can_hold() -> None:
    for seq in (0, 2**63 - 1):
        assert decode(pressure(seq=seq)).ledger["seq"].to_list() == [seq]


def test_unknown_fields_are_left_out_and_named_in_the_ledger() -> None:
    decoded = decode(pressure(firmware="7.1", axle_kg=[9000, 9010], huge=10**400))
    assert decoded.samples.columns == list(SAMPLES_SCHEMA)
    assert decoded.ledger["remark"].to_list() == ["fields not in the contract were left out: axle_kg, firmware, huge"]


@pytest.mark.parametrize("before", [b"", b'"firmware": "7.1", '])
def test_an_unknown_field_whose_name_is_not_utf_8_is_refused(before: bytes) -> None:
    body = with_raw(pressure(), {}).replace(b'"seq"', before + b'"\x80": 1, "seq"')
    assert_refused(body, r"^payload: 'utf-8' codec can't decode byte 0x80")


@pytest.mark.parametrize("depth", [1000, 100_000])
def test_deep_nesting_is_refused_or_left_out(depth: int) -> None:
    nest = "[" * depth + "]" * depth
    for body in (nest, f'{{"primary_kpa": {nest}}}', "[" * depth):
        assert_refused(body.encode(), "^payload: ")
    decoded = decode(with_raw(pressure(), {"extra": nest}))
    assert (decoded.ledger.height, decoded.rejects.height) in ((1, 0), (0, 1))


@pytest.mark.parametrize(
    ("fields", "expected"), [({"trailer": "R-77"}, "R-77"), ({"trailer": None}, ""), ({"trailer": ...}, None)]
)
def test_trailer_is_coupled_or_bobtail_or_unknown(fields: dict[str, Any], expected: str | None) -> None:
    assert decode(pressure(**fields)).ledger["trailer"].to_list() == [expected]


# round trip ----------------------------------------------------------------------------------------------------------


def values_of(name: str) -> st.SearchStrategy[float | None]:
    """Values that the bus can carry."""
    low, high = EDGES[name]
    inside = st.sampled_from([0, 1]) if name in SWITCHES else st.floats(low, high) | st.integers(int(low), int(high))
    return st.none() | inside


@st.composite
def valid_blocks(draw: st.DrawFn) -> tuple[dict[str, Any], list[int], dict[str, list[float | None]]]:
    """Give any valid block, its sample times in milliseconds after T0, and the columns it holds."""
    n = draw(st.integers(0, 6))
    names = draw(st.lists(st.sampled_from(COLUMN_NAMES), unique=True))
    columns = {name: draw(st.lists(values_of(name), min_size=n, max_size=n)) for name in names}
    if draw(st.booleans()):
        dt_ms = draw(st.integers(1, 300_000))
        n = n if columns else 0
        return pressure(**{"primary_kpa": ..., "dt_ms": dt_ms} | columns), [k * dt_ms for k in range(n)], columns
    offsets = sorted(draw(st.lists(st.integers(-(10**9), 10**9), min_size=n, max_size=n, unique=True)))
    return pressure(**{"primary_kpa": ..., "dt_ms": ..., "t_ms": offsets} | columns), offsets, columns


@given(st.lists(valid_blocks(), max_size=4))
def test_any_valid_blocks_come_out_value_by_value(
    blocks: list[tuple[dict[str, Any], list[int], dict[str, list[float | None]]]],
) -> None:
    decoded = decode_batch([message(block) for block, _, _ in blocks])
    assert decoded.rejects.is_empty()
    assert decoded.ledger["n_rows"].to_list() == [len(offsets) for _, offsets, _ in blocks]
    assert decoded.ledger["n_out_of_range"].to_list() == [0] * len(blocks)
    for k, (_, offsets, columns) in enumerate(blocks):
        came = decoded.samples.filter(message=k)
        assert times_s(came) == [offset / 1000 for offset in offsets]
        for name in COLUMN_NAMES:
            assert came[name].to_list() == columns.get(name, [None] * len(offsets))
