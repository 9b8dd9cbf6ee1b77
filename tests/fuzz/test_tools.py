"""The fuzzer's own tools: writing, shrinking, packing, and the files that cases are kept in."""

import json
import random
from pathlib import Path
from typing import Any

import cbor2
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.contract.message import RawMessage
from tests.fuzz.addressed import CBOR, JSON, TEXT, addressed
from tests.fuzz.case import case_of, read_case, write_case
from tests.fuzz.envelope import encoding_of, pack, unpack
from tests.fuzz.generators.restructure import restructured
from tests.fuzz.generators.wire import Fields, Tagged, Token, as_fields, write_cbor, write_json
from tests.fuzz.report import Report, generalised
from tests.fuzz.seeds import seeds
from tests.fuzz.shrink import shrink

TREES = st.recursive(
    st.none() | st.booleans() | st.integers(-(2**63), 2**64 - 1) | st.floats(allow_nan=False) | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=30) | st.dictionaries(st.text(max_size=5), inner, max_size=30),
    max_leaves=40,
)


@given(tree=TREES, is_ascii=st.booleans())
def test_json_that_is_written_right_is_read_back(tree: Any, is_ascii: bool) -> None:  # noqa: FBT001 - drawn
    assert json.loads(write_json(as_fields(tree), is_ascii=is_ascii)) == tree


@given(tree=TREES, is_indefinite=st.booleans(), width=st.sampled_from([0, 1, 2, 4, 8]))
def test_cbor_of_any_length_of_head_is_read_back(tree: Any, is_indefinite: bool, width: int) -> None:  # noqa: FBT001
    assert cbor2.loads(write_cbor(as_fields(tree), is_indefinite=is_indefinite, width=width)) == tree


def test_what_is_wrong_can_be_written() -> None:
    wrong = Fields((("a", Token(b"1e999", b"\xf9\x7c\x00")), ("a", Tagged(4, [1, 2])), (5, b"x")))
    assert write_json(wrong) == b'{"a":1e999, "a":[1, 2], "5":"eA=="}'
    assert write_cbor(wrong).hex() == "a36161f97c006161c4820102054178"


@given(st.lists(st.integers(0, 9), max_size=40), st.sets(st.integers(0, 9), max_size=3))
def test_what_is_made_small_still_fails_and_has_no_part_to_spare(whole: list[int], needed: set[int]) -> None:
    def fails(part: list[int]) -> bool:
        return needed <= set(part)

    if fails(whole):
        assert sorted(shrink(whole, fails, budget_s=60.0)) == sorted(needed)


def test_without_time_nothing_is_made_small() -> None:
    assert shrink(b"abcdef", lambda part: b"c" in part, budget_s=-1.0) == b"abcdef"


@pytest.mark.parametrize("message", seeds(), ids=lambda message: f"{message.topic} {message.content_type}")
def test_a_seed_can_be_packed_and_restructured(message: RawMessage) -> None:
    data = pack(message)
    address = addressed(message)
    assert address is not None
    assert unpack(data) == message
    assert encoding_of(data) == address.encoding
    changed = {restructured(message.payload, address.encoding, random.Random(k)) for k in range(20)}
    assert len(changed - {message.payload, None}) > 5


@given(st.binary(max_size=40))
def test_any_bytes_are_a_message(data: bytes) -> None:
    assert isinstance(unpack(data), RawMessage)


def test_what_has_no_structure_is_left_to_others() -> None:
    assert restructured(b"{", JSON, random.Random(1)) is None
    assert restructured(b"\xff", CBOR, random.Random(1)) is None
    assert restructured(b"", TEXT, random.Random(1)) is not None


@settings(max_examples=30)
@given(st.binary(max_size=20) | st.text("abc", max_size=4).map(str.encode), st.none() | st.text(max_size=4))
def test_a_case_is_read_as_it_was_written(
    tmp_path_factory: pytest.TempPathFactory, payload: bytes, named: str | None
) -> None:
    message = RawMessage("air/v1/north/K-204/can", payload, 5, named)
    case = case_of("any bytes", [[message], []], expect="landed")
    path = write_case(tmp_path_factory.getbasetemp() / "cases", case)
    assert read_case(path) == case
    assert read_case(path).raw() == [[message]]
    assert isinstance(path, Path)


@pytest.mark.parametrize(
    ("topic", "named", "label"),
    [
        ("air/v1/north/K-204/pressure", None, "pressure JSON"),
        ("air/v1/north/K-204/can", " Text/Plain ; x", "can candump"),
        ("air/v1/north/K-204/can", "application/cbor", None),
        ("air/v1/north/K-204/can\n", None, None),
        ("air/v1/n/" + "x" * 65 + "/can", None, None),
    ],
)
def test_an_address_is_read_a_second_time(topic: str, named: str | None, label: str | None) -> None:
    address = addressed(RawMessage(topic, b"", 0, named))
    assert (address.label if address else None) == label


def test_reports_add_up() -> None:
    one, other = Report(), Report()
    one.count("can candump", "set aside", "line 3: 'x' is none")
    other.count("can candump", "set aside", "line 14: 'y' is none")
    other.count("can candump", "landed", None)
    one.add(other)
    assert one.n_payloads == 3
    assert one.verdicts == {"can candump": {"set aside": 2, "landed": 1}}
    assert one.reasons == {generalised("line 3: 'x' is none"): 2}
