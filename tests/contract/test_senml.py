import json
from typing import Any

import pytest
from cbor2 import CBORTag, dumps
from hypothesis import example, given, settings
from hypothesis import strategies as st

from airwatch.contract.columns import COLUMN_NAMES
from airwatch.contract.senml import (
    Block,
    Resolved,
    decode_senml,
    pressure_block,
    read_senml_cbor,
    read_senml_json,
    resolve,
)
from airwatch.errors import PayloadError

JSON, CBOR = "application/senml+json", "application/senml+cbor"
NOW_US = 1_928_057_600_000_000
T0 = 1.9280568e9  # 2031-02-05T11:20:00Z


def block(pack: Any, unit: str = "K-204") -> Block:
    return decode_senml(json.dumps(pack).encode(), JSON, unit, NOW_US)


def resolved(pack: list[dict[str, Any]]) -> list[tuple[str, float, str | None, Any]]:
    records = resolve(read_senml_json(json.dumps(pack).encode()), NOW_US)
    return [(r.name, r.t_us / 1e6, r.unit, r.value) for r in records]


OW = "urn:dev:ow:10e2073a01080063"

# RFC 8428, section 5.1.3 (the pack) and 5.1.4 (the same, resolved).
MEASUREMENTS = """[
 {"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09, "bu":"%RH","v":20},
 {"u":"lon","v":24.30621}, {"u":"lat","v":60.07965},
 {"t":60,"v":20.3}, {"u":"lon","t":60,"v":24.30622}, {"u":"lat","t":60,"v":60.07965},
 {"t":120,"v":20.7}, {"u":"lon","t":120,"v":24.30623}, {"u":"lat","t":120,"v":60.07966},
 {"u":"%EL","t":150,"v":98},
 {"t":180,"v":21.2}, {"u":"lon","t":180,"v":24.30628}, {"u":"lat","t":180,"v":60.07967}]"""
RESOLVED = """[
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067464e+09,"v":20},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067464e+09,"v":24.30621},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067464e+09,"v":60.07965},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067524e+09,"v":20.3},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067524e+09,"v":24.30622},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067524e+09,"v":60.07965},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067584e+09,"v":20.7},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067584e+09,"v":24.30623},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067584e+09,"v":60.07966},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%EL","t":1.320067614e+09,"v":98},
 {"n":"urn:dev:ow:10e2073a01080063","u":"%RH","t":1.320067644e+09,"v":21.2},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lon","t":1.320067644e+09,"v":24.30628},
 {"n":"urn:dev:ow:10e2073a01080063","u":"lat","t":1.320067644e+09,"v":60.07967}]"""


def test_the_example_of_section_5_1_3_resolves_to_that_of_5_1_4() -> None:
    assert resolve(read_senml_json(MEASUREMENTS.encode()), NOW_US) == resolve(read_senml_json(RESOLVED.encode()), 0)
    assert resolved(json.loads(MEASUREMENTS)) == [(r["n"], r["t"], r["u"], r["v"]) for r in json.loads(RESOLVED)]


def test_a_resolved_pack_stays_as_it_is_in_any_order() -> None:
    pack = json.loads(RESOLVED)
    assert resolved(pack[::-1])[::-1][0][:2] == (OW, 1.320067644e09)
    assert sorted(resolved(pack[::-1]), key=str) == sorted(resolved(pack), key=str)


def test_examples_of_sections_5_1_1_and_5_1_2_are_of_now() -> None:
    assert resolved([{"n": OW, "u": "Cel", "v": 23.1}]) == [(OW, NOW_US / 1e6, "Cel", 23.1)]
    pack = [{"bn": OW + ":", "n": "voltage", "u": "V", "v": 120.1}, {"n": "current", "u": "A", "v": 1.2}]
    assert [(name, value) for name, _, _, value in resolved(pack)] == [(OW + ":voltage", 120.1), (OW + ":current", 1.2)]


# RFC 8428, section 5.1.2, second example, and section 6: the dump of its CBOR form.
CURRENTS = """[
 {"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09, "bu":"A","bver":5, "n":"voltage","u":"V","v":120.1},
 {"n":"current","t":-5,"v":1.2}, {"n":"current","t":-4,"v":1.3}, {"n":"current","t":-3,"v":1.4},
 {"n":"current","t":-2,"v":1.5}, {"n":"current","t":-1,"v":1.6}, {"n":"current","v":1.7}]"""
CURRENTS_HEX = """
87 a7 21 78 1b 75 72 6e 3a 64 65 76 3a 6f 77 3a 31 30 65 32 30 37 33 61 30 31 30 38 30 30 36 3a
22 fb 41 d3 03 a1 5b 00 10 62 23 61 41 20 05 00 67 76 6f 6c 74 61 67 65 01 61 56 02 fb 40 5e 06
66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 24 02 fb 3f f3 33 33 33 33 33 33 a3 00 67 63 75
72 72 65 6e 74 06 23 02 fb 3f f4 cc cc cc cc cc cd a3 00 67 63 75 72 72 65 6e 74 06 22 02 fb 3f
f6 66 66 66 66 66 66 a3 00 67 63 75 72 72 65 6e 74 06 21 02 f9 3e 00 a3 00 67 63 75 72 72 65 6e
74 06 20 02 fb 3f f9 99 99 99 99 99 9a a3 00 67 63 75 72 72 65 6e 74 06 00 02 fb 3f fb 33 33 33
33 33 33"""


def test_the_cbor_example_of_section_6_is_the_json_one_of_5_1_2() -> None:
    records = resolve(read_senml_cbor(bytes.fromhex(CURRENTS_HEX)), NOW_US)
    assert records == resolve(read_senml_json(CURRENTS.encode()), NOW_US)
    assert [r.value for r in records] == [1.2, 1.3, 1.4, 1.5, 1.6, 120.1, 1.7]
    assert [round(r.t_us) for r in records[:2]] == [
        1276020071001000,
        1276020072001000,
    ]  # 18:01:16.001 UTC, 5 and 4 s before
    assert {r.unit for r in records} == {"A", "V"}


def test_the_examples_of_sections_5_1_5_to_5_1_7() -> None:
    kinds = [
        {"bn": OW + ":", "n": "temp", "u": "Cel", "v": 23.1},
        {"n": "label", "vs": "Machine Room"},
        {"n": "open", "vb": False},
        {"n": "nfv-reader", "vd": "aGkgCg"},
    ]
    assert [value for *_, value in resolved(kinds)] == [23.1, "Machine Room", False, b"hi \n"]
    devices = [
        {"bn": "2001:db8::2/", "bt": 1.320078429e09, "n": "temperature", "u": "Cel", "v": 25.2},
        {"n": "humidity", "u": "%RH", "v": 30},
        {"bn": "2001:db8::1/", "n": "temperature", "u": "Cel", "v": 12.3},
        {"n": "humidity", "u": "%RH", "v": 67},
    ]
    assert resolved(devices)[3] == ("2001:db8::1/humidity", 1.320078429e09, "%RH", 67.0)
    setting = [{"bn": OW + ":"}, {"n": "temp", "u": "Cel", "v": 23.1}, {"n": "heat", "u": "/", "v": 1}]
    assert [name for name, *_ in resolved(setting)] == [OW + ":temp", OW + ":heat"]


def test_base_values_and_sums_add_up() -> None:
    """RFC 8428, 4.5.4; the numbers are made up."""
    pack = [
        {"bn": "x", "bv": 800, "bs": 5, "v": 24},
        {"bv": 100, "t": 1, "v": -4},
        {"t": 2, "s": 1},
        {"t": 3, "vs": "a"},
    ]
    records = resolve(read_senml_json(json.dumps(pack).encode()), NOW_US)
    assert [(r.value, r.value_sum) for r in records] == [(824.0, 5.0), (96.0, 5.0), (None, 6.0), ("a", 5.0)]
    (bare,) = resolve(read_senml_json(b'[{"n":"x","bv":800}]'), NOW_US)
    assert bare.value == 800.0  # a missing value counts as zero


@pytest.mark.parametrize(
    ("t", "t_us"), [(2**28, 2**28 * 10**6), (2**28 - 1, NOW_US + (2**28 - 1) * 10**6), (-5, NOW_US - 5_000_000)]
)
def test_times_below_two_to_the_28_are_relative(t: float, t_us: int) -> None:
    (record,) = resolve(read_senml_json(json.dumps([{"n": "x", "t": t, "v": 1}]).encode()), NOW_US)
    assert (record.t_us, record.is_relative) == (t_us, t_us != t * 10**6)


def test_a_pack_becomes_a_block() -> None:
    pack = [
        {"bn": "K-204/", "bt": T0, "bu": "kPa", "n": "primary_kpa", "v": 824},
        {"n": "secondary_kpa", "v": 816},
        {"n": "supply_kpa", "u": "Pa", "v": 832_000},
        {"n": "trailer_kpa", "u": "hPa", "v": 8160},
        {"n": "engine_rpm", "u": "1/min", "v": 650},
        {"n": "speed_kph", "u": "m/s", "v": 10},
        {"n": "ambient_c", "u": "K", "v": 277.15},
        {"n": "park_brake", "u": "/", "v": 1},
        {"n": "service_brake", "vb": False},
        {"n": "trailer", "vs": "R-77"},
        {"n": "primary_kpa", "t": 1, "v": 816},
        {"n": "engine_rpm", "t": 1, "u": "1/s", "v": 10},
    ]
    got = block(pack)
    start_us = round(T0 * 1e6)
    assert got.times_us == [start_us, start_us + 1_000_000]
    assert got.columns == {
        "supply_kpa": [832.0, None],
        "primary_kpa": [824.0, 816.0],
        "secondary_kpa": [816.0, None],
        "trailer_kpa": [816.0, None],
        "engine_rpm": [650.0, 600.0],
        "speed_kph": [36.0, None],
        "ambient_c": [4.0, None],
        "park_brake": [1.0, None],
        "service_brake": [0.0, None],
    }
    assert (got.trailer, got.seq, got.remark) == ("R-77", None, None)


@pytest.mark.parametrize(
    "bn", ["", "K-204/", "K-204:", "K-204", "north/K-204/", "urn:x:K-204:air/", OW + ":", OW + "_"]
)
def test_names_that_are_the_units(bn: str) -> None:
    assert block([{"bn": bn, "n": "primary_kpa", "t": T0, "v": 800}]).columns == {"primary_kpa": [800.0]}


@pytest.mark.parametrize("bn", ["K-205/", "K-205:", "north/K-2040/", "urn:x:K-205:", "brakes/"])
def test_a_column_of_another_unit_is_refused(bn: str) -> None:
    with pytest.raises(PayloadError, match="is not of the unit 'K-204' that the topic names"):
        block([{"bn": bn, "n": "primary_kpa", "t": T0, "v": 800}])


def test_what_can_not_be_used_is_said() -> None:
    pack = [
        {"bn": "K-204/", "n": "primary_kpa", "v": 800},
        {"n": "primary_kpa", "s": 7, "t": 1},
        *({"n": f"volts_{i}", "u": "V", "v": 12} for i in range(10)),
        {"n": "max_primary_kpa", "v": 1},
    ]
    got = block(pack)
    assert (got.times_us, got.columns) == ([NOW_US], {"primary_kpa": [800.0]})
    assert got.remark == (
        "names not in the contract were left out: K-204/max_primary_kpa, K-204/volts_0, K-204/volts_1, K-204/volts_2, "
        "K-204/volts_3, K-204/volts_4, K-204/volts_5, K-204/volts_6 and 3 more; 1 sums without a value were left out; "
        "times count from the arrival of the message"
    )
    assert block([]) == Block([], {})
    assert block([{"n": "volts", "v": 12}]).times_us == []


def test_times_are_to_the_millisecond_and_in_order() -> None:
    pack = [{"n": "primary_kpa", "t": T0 + t, "v": i} for i, t in enumerate([1, 0.0004, 0.25])]
    pack += [{"n": "secondary_kpa", "t": T0, "v": 7}, {"n": "primary_kpa", "t": T0 + 1, "v": 0}]
    got = block(pack)
    assert [t - round(T0 * 1e6) for t in got.times_us] == [0, 250_000, 1_000_000]
    assert got.columns == {"primary_kpa": [1.0, 2.0, 0.0], "secondary_kpa": [7.0, None, None]}


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ({}, "Expected `array`, got `object`"),
        ([5], "Expected `object`, got `int`"),
        ([{"n": "x", "v": "1"}], "Expected `float`, got `str`"),
        ([{"n": "x", "v": None}], "Expected `float`, got `null`"),
        ([{"n": "x", "vb": 1}], "Expected `bool`, got `int`"),
        ([{"n": "x", "v": 1, "hash_": 1}], "field 'hash_' must be understood"),
        ([{"bver": 11, "n": "x", "v": 1}], "bver is 11; SenML versions 1 to 10"),
        ([{"bver": 9.5, "n": "x", "v": 1}], "bver is 9.5"),
        ([{"bver": 5, "n": "x", "v": 1}, {"bver": 10, "n": "x", "v": 1}], "bver is 5 and 10 in one pack"),
        ([{"v": 1}], "name '' is not 1 to 255 of"),
        ([{"n": "_x", "v": 1}], "name '_x' is not 1 to 255 of"),
        ([{"n": "a b", "v": 1}], "name 'a b' is not 1 to 255 of"),
        ([{"n": "x"}], "record of 'x' has no value"),
        ([{"n": "x", "v": 1, "vb": True}], "more than one of v, vs, vb, vd"),
        ([{"n": "x", "vd": "a!"}], "vd is not base64url"),
        ([{"n": "x", "vd": 5}], "vd is not base64url"),
        ([{"n": "x", "t": 1e300, "v": 1}], "outside the years 1970 to 9999"),
        ([{"n": "x", "t": -1e300, "v": 1}], "outside the years 1970 to 9999"),
        ([{"n": "primary_kpa", "u": "psi", "v": 120}], "primary_kpa in 'psi', which is none of kPa, hPa, Pa"),
        ([{"n": "park_brake", "u": "kPa", "v": 1}], "park_brake in 'kPa', which is none of /, %"),
        ([{"n": "primary_kpa", "vs": "high"}], "primary_kpa must be a number; got text or data"),
        ([{"n": "primary_kpa", "vb": True}], "primary_kpa must be a number; got a boolean"),
        ([{"n": "trailer", "v": 77}], "trailer must be a string value"),
        ([{"n": "trailer", "vs": "A"}, {"n": "trailer", "vs": "B"}], "two trailers in one pack: 'A', 'B'"),
        (
            [{"n": "primary_kpa", "v": 1}, {"n": "primary_kpa", "v": 2}],
            "primary_kpa has two values at one time, 1 and 2",
        ),
    ],
)
def test_what_breaks_the_contract_says_why(pack: Any, reason: str) -> None:
    with pytest.raises(PayloadError, match=reason):
        block(pack)


@pytest.mark.parametrize(
    ("payload", "reason"),
    [
        (b"[", "truncated"),
        (b'[{"n":"x","v":1e999}]', "out of range"),
        (b"[" * 100_000, "."),
        (b'[{"n":"\xff","v":1}]', "."),
    ],
)
def test_bytes_that_are_no_json_pack(payload: bytes, reason: str) -> None:
    with pytest.raises(PayloadError, match=reason):
        decode_senml(payload, JSON, "K-204", NOW_US)


@pytest.mark.parametrize(
    ("pack", "reason"),
    [
        ({}, "a SenML pack is an array of maps"),
        ([[1]], "a SenML pack is an array of maps"),
        ([{0: "x", 2: float("nan"), "t": float("nan")}], "outside the years"),
        ([{0: "x", "n": "x", 2: 1}], "a label both as number and as text"),
        ([{0: "x", 2: 1, "hash_": 1}], "field 'hash_' must be understood"),
        ([{0: "x", 2: True}], "Expected `float`, got `bool`"),
        ([{0: "x", 2: CBORTag(28, 1)}], "tag 28"),
    ],
)
def test_what_breaks_the_contract_in_cbor_says_why(pack: Any, reason: str) -> None:
    with pytest.raises(PayloadError, match=reason):
        decode_senml(dumps(pack), CBOR, "K-204", NOW_US)


def test_numbers_that_only_cbor_has() -> None:
    pack = [
        {0: "primary_kpa", 6: T0, 2: CBORTag(4, [-1, 8245])},
        {0: "supply_kpa", 6: T0, 2: float("inf"), 99: 1},
    ]
    got = decode_senml(dumps(pack), CBOR, "K-204", NOW_US)
    assert got.columns == {"supply_kpa": [float("inf")], "primary_kpa": [824.5]}


values = (
    st.none() | st.booleans() | st.integers(-(2**65), 2**65) | st.floats() | st.text(max_size=4) | st.binary(max_size=2)
)
labels = st.sampled_from([*range(-7, 10), "n", "v", "bn", "x"])
records = st.dictionaries(labels, values, max_size=5).map(lambda record: {0: "primary_kpa", 6: T0, 2: 800} | record)


@settings(deadline=None)
@given(st.binary(max_size=40) | st.lists(records, max_size=3).map(dumps))
@example(b"\x81\xa1\x20\xf9\x7c\x00")  # bver is infinite
@example(b"\x81\xa1\x20\xf9\x7e\x00")  # bver is NaN
def test_any_bytes_give_a_block_or_a_reason(payload: bytes) -> None:
    for encoding in (JSON, CBOR):
        try:
            assert isinstance(decode_senml(payload, encoding, "K-204", NOW_US), Block)
        except PayloadError:
            continue


@settings(deadline=None)
@given(
    st.dictionaries(st.integers(0, 5000), st.dictionaries(st.sampled_from(COLUMN_NAMES), st.floats(0, 1)), max_size=5),
    st.randoms(use_true_random=False),
)
def test_records_in_any_order_are_put_together_by_time(rows: dict[int, dict[str, float]], random: Any) -> None:
    start_us = round(T0 * 1e6)
    cells = [
        Resolved(name, start_us + ms * 1000.0, None, value) for ms, row in rows.items() for name, value in row.items()
    ]
    random.shuffle(cells)
    got = pressure_block(cells, "K-204")
    assert got.times_us == sorted(start_us + ms * 1000 for ms, row in rows.items() if row)
    back = {
        (t - start_us) // 1000: {name: column[i] for name, column in got.columns.items() if column[i] is not None}
        for i, t in enumerate(got.times_us)
    }
    assert back == {ms: row for ms, row in rows.items() if row}
