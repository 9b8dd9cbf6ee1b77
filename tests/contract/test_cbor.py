import json
import tracemalloc
from datetime import UTC, datetime
from typing import Any

import cbor2
import msgspec
import pytest
from cbor2 import CBORTag, dumps, undefined
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.contract.cbor import decode_cbor, read_item
from airwatch.contract.payloads import FaultsPayload, GovernorPayload, PressurePayload, decode_json
from airwatch.errors import PayloadError

T = "2031-02-03T11:20:00Z"
BLOCK: dict[str, Any] = {
    "v": 1,
    "unit": "K-204",
    "seq": 8812,
    "t0": T,
    "dt_ms": 1000,
    "primary_kpa": [824, None, 816.5],
}
EVENTS = {"v": 1, "unit": "K-204", "seq": 3, "events": [{"t": T, "kind": "cut_out", "supply_kpa": 896}]}
FAULTS = {
    "v": 1,
    "unit": "K-204",
    "seq": 9,
    "t": T,
    "source_address": 11,
    "codes": [{"spn": 789, "fmi": 5, "count": 3}],
    "lamps": [{"lamp": "tractor_abs", "t": T, "on": True}],
}


def fields(decoded: tuple[msgspec.Struct, list[str]]) -> tuple[Any, ...]:
    """Give what was decoded without the struct's own class."""
    return (*msgspec.structs.astuple(decoded[0]), decoded[1])


def pressure(**changed: Any) -> PressurePayload:
    return decode_cbor(dumps(BLOCK | changed), PressurePayload, "K-204")[0]


@pytest.mark.parametrize(
    ("kind", "body"), [(PressurePayload, BLOCK), (GovernorPayload, EVENTS), (FaultsPayload, FAULTS)]
)
def test_the_same_shape_gives_the_same_struct_as_json(kind: Any, body: dict[str, Any]) -> None:
    as_json = fields(decode_json(json.dumps(body).encode(), kind, "K-204"))
    assert fields(decode_cbor(dumps(body), kind, "K-204")) == as_json
    assert fields(decode_cbor(dumps(body, indefinite_containers=True), kind, "K-204")) == as_json


# RFC 8949, appendix A: diagnostic notation and bytes.
@pytest.mark.parametrize(
    ("hexadecimal", "value"),
    [
        ("1bffffffffffffffff", 18446744073709551615),
        ("c249010000000000000000", 18446744073709551616),
        ("3bffffffffffffffff", -18446744073709551616),
        ("c349010000000000000000", -18446744073709551616.0),  # the double next to ...617
        ("f93c00", 1.0),
        ("f97bff", 65504.0),
        ("fa47c35000", 100000.0),
        ("fb3ff199999999999a", 1.1),
        ("f4", False),
        ("f6", None),
        ("f7", None),
        ("c074323031332d30332d32315432303a30343a30305a", datetime(2013, 3, 21, 20, 4, tzinfo=UTC)),
        ("c11a514b67b0", datetime(2013, 3, 21, 20, 4, tzinfo=UTC)),
        ("c1fb41d452d9ec200000", datetime(2013, 3, 21, 20, 4, 0, 500000, tzinfo=UTC)),
        ("6449455446", "IETF"),
        ("83010203", [1, 2, 3]),
        ("a26161016162820203", {"a": 1, "b": [2, 3]}),
        ("9f018202039f0405ffff", [1, [2, 3], [4, 5]]),
        ("bf6346756ef563416d7421ff", {"Fun": True, "Amt": -2}),
        ("7f657374726561646d696e67ff", "streaming"),
    ],
)
def test_examples_of_the_standard(hexadecimal: str, value: Any) -> None:
    assert read_item(bytes.fromhex(hexadecimal)) == value


def test_a_decimal_fraction_is_a_number() -> None:
    assert read_item(bytes.fromhex("c48221196ab3")) == 273.15  # RFC 8949, 3.4.4
    assert read_item(dumps(CBORTag(4, [10**9, 1]))) == 1e308
    assert read_item(dumps(CBORTag(4, [10**9, -1]))) == -1e308
    assert read_item(dumps(CBORTag(4, [-(10**9), 1]))) == 0.0


def test_times_may_be_tagged() -> None:
    at = datetime(2031, 2, 3, 11, 20, tzinfo=UTC)
    assert pressure(t0=CBORTag(0, "2031-02-03T12:20:00+01:00")).t0 == at
    assert pressure(t0=CBORTag(1, int(at.timestamp()))).t0 == at
    assert pressure(t0=CBORTag(1, at.timestamp() + 0.25)).t0.microsecond == 250_000


def test_undefined_is_null_and_a_field_that_is_not_in_the_contract_is_named() -> None:
    body, unknown = decode_cbor(
        dumps(BLOCK | {"primary_kpa": [undefined, 816], "supply_kpa": undefined, "volts": [undefined], "x" * 99: 1}),
        PressurePayload,
        "K-204",
    )
    assert (body.primary_kpa, body.supply_kpa) == ([None, 816.0], None)
    assert unknown == ["volts", "x" * 64]


@pytest.mark.parametrize("value", [float("nan"), float("inf"), -float("inf"), 10**400, -(10**400), 2**64])
def test_a_number_beyond_every_range_stays_a_number(value: float) -> None:
    """It becomes null and is counted where ranges are checked, as in JSON."""
    (kpa,) = pressure(primary_kpa=[value]).primary_kpa  # type: ignore[misc,union-attr]
    assert kpa is not None
    assert not 0 <= kpa <= 2000


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"seq": 2**64}, r"Expected `int`, got `float` - at `\$.seq`"),
        ({"seq": -1}, "Expected `int` >= 0"),
        ({"v": 2}, "Invalid enum value 2"),
        ({"v": True}, "Expected `int`, got `bool`"),
        ({"unit": "K-205"}, "unit is 'K-205', the topic says 'K-204'"),
        ({"unit": b"K-204"}, "Expected `str`, got `bytes`"),
        ({"unit": CBORTag(0, T)}, "Expected `str`, got `datetime`"),
        ({"t0": 1738581600}, "Expected `datetime`, got `int`"),
        ({"t0": "2031-02-03T11:20:00"}, "Expected `datetime` with a timezone component"),
        ({"t0": CBORTag(0, "soon")}, "Invalid RFC3339"),
        ({"t0": CBORTag(0, 5)}, "a time in text .tag 0. must be text"),
        ({"t0": CBORTag(1, "5")}, "a time since the epoch .tag 1. must be a number"),
        ({"t0": CBORTag(1, float("nan"))}, "NaN"),
        ({"t0": CBORTag(1, 1e300)}, "not CBOR"),
        ({"dt_ms": float("nan")}, "Expected `float` > 0"),
        ({"primary_kpa": [True]}, "Expected `float . null`, got `bool`"),
        ({"primary_kpa": ["1"]}, "Expected `float . null`, got `str`"),
        ({"primary_kpa": b"\x01"}, "Expected `array . null`, got `bytes`"),
        ({"primary_kpa": CBORTag(64, b"\x01")}, "tag 64 is not in the contract"),  # RFC 8746, typed arrays
        ({"primary_kpa": CBORTag(258, [1])}, "tag 258 is not in the contract"),
        ({"primary_kpa": CBORTag(2, 1)}, "must be bytes"),
        ({"primary_kpa": CBORTag(4, [1])}, "array of exponent and mantissa"),
        ({"primary_kpa": CBORTag(4, ["1", 1])}, "whole numbers"),
        ({"x": CBORTag(35, "(a+)+$")}, "tag 35 is not in the contract"),
        ({b"x": 1}, "Expected `str` - at `key`"),
        ({1: 1}, "map key must be a text string"),
    ],
)
def test_what_breaks_the_contract_says_why(changed: dict[Any, Any], reason: str) -> None:
    with pytest.raises(PayloadError, match=reason):
        decode_cbor(dumps(BLOCK | changed), PressurePayload, "K-204")


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"", "premature end"),
        (dumps(BLOCK)[:-1], "premature end"),
        (dumps(BLOCK) + b"\x00", "1 bytes after the end of the item"),
        (b"\xff", "break code"),
        (dumps([BLOCK]), "Expected `object`, got `array`"),
        (dumps(CBORTag(55799, BLOCK)), "tag 55799"),
        (bytes.fromhex("a2617601617601"), "Duplicate map key"),
        (bytes.fromhex("d81c81d81d00"), "tag 29"),  # an array that holds itself
        (b"\x81" * 5000 + b"\x01", "nesting depth .16. exceeded"),
        (b"\xc1" * 5000 + b"\x01", "nesting depth .16. exceeded"),
        (b"\x9f" * 5000, "nesting depth .16. exceeded"),
        (bytes.fromhex("61ff"), "decode"),
    ],
)
def test_bytes_that_are_no_payload(payload: bytes, reason: str) -> None:
    with pytest.raises(PayloadError, match=reason):
        decode_cbor(payload, PressurePayload, "K-204")


@pytest.mark.parametrize(
    "head", ["9b00000000ffffffff", "5b00000000ffffffff", "7b00000000ffffffff", "bb00000000ffffffff"]
)
def test_a_length_that_is_only_declared_takes_no_memory(head: str) -> None:
    tracemalloc.start()
    with pytest.raises(PayloadError, match="premature end"):
        read_item(bytes.fromhex(head))
    _, peak_bytes = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    assert peak_bytes < 1_000_000


items = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**70), 2**70)
    | st.floats()
    | st.text(max_size=3)
    | st.binary(max_size=3),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(st.text(max_size=3), inner, max_size=3)
        | st.builds(CBORTag, st.sampled_from([0, 1, 2, 3, 4, 5, 28, 29, 30, 35, 37, 64, 256, 258, 1004]), inner)
    ),
    max_leaves=6,
)


@settings(deadline=None)
@given(changed=st.dictionaries(st.sampled_from([*PressurePayload.__struct_fields__, "x"]), items, max_size=3))
def test_any_items_give_a_struct_or_a_reason(changed: dict[str, Any]) -> None:
    try:
        body, _ = decode_cbor(dumps(BLOCK | changed), PressurePayload, "K-204")
    except PayloadError:
        return
    assert isinstance(body, PressurePayload)


@settings(deadline=None)
@given(
    st.binary(max_size=60) | st.builds(lambda a, at: dumps(BLOCK)[:at] + a, st.binary(max_size=4), st.integers(0, 90))
)
def test_any_bytes_give_a_struct_or_a_reason(payload: bytes) -> None:
    for kind in (PressurePayload, GovernorPayload, FaultsPayload):
        try:
            decode_cbor(payload, kind, "K-204")
        except PayloadError:
            continue


numbers = st.none() | st.floats(0, 2000, allow_nan=False) | st.integers(0, 2000)


@settings(deadline=None)
@given(st.lists(numbers, max_size=5))
def test_what_msgspec_reads_of_json_is_what_is_read_of_cbor(values: list[float | None]) -> None:
    block = BLOCK | {"primary_kpa": values}
    as_json = fields(decode_json(msgspec.json.encode(block), PressurePayload, "K-204"))
    assert fields(decode_cbor(dumps(block), PressurePayload, "K-204")) == as_json


def test_every_tag_that_the_library_decodes_by_itself_is_taken_from_it() -> None:
    """A tag that a newer cbor2 learns would not be refused by `tag_hook`."""
    for number in [*range(6, 300), 1004, 43000, 55799]:
        for value in (b"\x01", "x", 1, [1, 2], {}):
            with pytest.raises(PayloadError, match=f"tag {number} is not in the contract"):
                read_item(dumps(CBORTag(number, value)))
    assert cbor2.loads(dumps(CBORTag(37, bytes(16)))) is not None  # which it would otherwise do
