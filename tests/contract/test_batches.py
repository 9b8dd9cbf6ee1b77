"""Many messages at once: content types, garbage, and that every message has one row of the ledger or of the rejects."""

import json
from itertools import product
from typing import Any

import polars as pl
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from airwatch.contract import batch
from airwatch.contract.batch import LEDGER_SCHEMA, REJECT_SCHEMA, decode_batch
from airwatch.contract.message import RawMessage
from airwatch.contract.topics import STREAMS
from tests.messages import FLEET, T0_US, UNIT, assert_refused, at, decode, drive, faults, governor, message, pressure

FRAME = b"(1927884000.250000) can0 18FEAE0B#FFFFABABFFFFFFFF\n"
GOOD = {
    "pressure": json.dumps(pressure()).encode(),
    "governor": json.dumps(governor({"t": at(0), "kind": "cut_in"})).encode(),
    "faults": json.dumps(faults(codes=[])).encode(),
    "can": FRAME,
}
NAMED: dict[str, str] = {stream: "text/plain" if stream == "can" else "application/json" for stream in STREAMS}


@pytest.mark.parametrize("stream", STREAMS)
def test_the_content_type_may_be_absent(stream: str) -> None:
    for content_type in (None, ""):
        ledger = decode(GOOD[stream], stream, content_type=content_type).ledger
        assert ledger["encoding"].to_list() == [NAMED[stream]]


@pytest.mark.parametrize("stream", STREAMS)
def test_the_content_type_may_have_parameters_and_capitals(stream: str) -> None:
    named = f" {NAMED[stream].title()} ; charset=utf-8"
    assert decode(GOOD[stream], stream, content_type=named).ledger["encoding"].to_list() == [NAMED[stream]]


@pytest.mark.parametrize(
    ("stream", "content_type"),
    [
        ("pressure", "text/plain"),
        ("governor", "application/senml+json"),
        ("faults", "application/xml"),
        ("can", "application/json"),
        ("pressure", "application/json2"),
        ("pressure", ";"),
        ("pressure", "x" * 5000),
    ],
)
def test_another_content_type_is_refused_and_the_known_ones_named(stream: str, content_type: str) -> None:
    why = rf"^content type '.{{0,80}}' is not one of .*{NAMED[stream]}.* for stream {stream}$"
    assert_refused(GOOD[stream], why, stream, content_type=content_type)


@pytest.mark.parametrize("stream", [stream for stream in STREAMS if stream != "can"])
@pytest.mark.parametrize(
    "body", [b"\x00", b"\xff\xfe\xfd", bytes(range(256)), b"\x1f\x8b\x08\x00", json.dumps(pressure()).encode("utf-16")]
)
def test_binary_garbage_is_refused(stream: str, body: bytes) -> None:
    assert_refused(body, "^payload: ", stream)


def test_text_that_is_no_candump_at_all_is_refused() -> None:
    assert_refused(b"\x00\xff\n\nhello\n", r"^line 1: not of the form .* and 1 more lines; no line is a frame$", "can")


def test_candump_with_broken_lines_is_kept_and_its_other_lines_are_landed() -> None:
    body = FRAME + b"(1927884001.25) can0 18FEAE0B#FF\nbroken\n"
    decoded = decode(body, "can")
    assert decoded.rejects["reason"].to_list() == [
        "line 3: not of the form (seconds.micros) channel id#data; the other lines were landed"
    ]
    assert decoded.rejects["payload"].to_list() == [body]
    assert decoded.ledger["remark"].to_list() == ["1 lines are no candump frames; 1 frames are shorter than 8 bytes"]
    assert decoded.samples.select("t", "primary_kpa").height == 1


def test_an_empty_candump_message_is_accepted() -> None:
    decoded = decode(b"", "can")
    assert (decoded.ledger["n_rows"].to_list(), decoded.rejects.height) == ([0], 0)


def test_samples_of_json_and_of_can_lie_in_one_frame() -> None:
    decoded = decode_batch([message(pressure()), message(FRAME, "can"), message(pressure(seq=1))])
    assert decoded.samples["message"].to_list() == [0, 0, 2, 2, 1]
    assert decoded.ledger.row(1, named=True)["trailer"] is None


def test_a_refused_message_does_not_touch_its_neighbours() -> None:
    blocks = [pressure(seq=0), pressure(seq=1, v=7), pressure(seq=2, t0=at(60))]
    decoded = decode_batch([message(block, received_us=T0_US + k) for k, block in enumerate(blocks)])
    assert decoded.ledger["seq"].to_list() == [0, 2]
    assert decoded.samples["message"].to_list() == [0, 0, 1, 1]
    assert decoded.rejects["received"].to_physical().to_list() == [T0_US + 1]


def test_no_message_at_all() -> None:
    decoded = decode_batch([])
    assert decoded.ledger.schema == pl.Schema([("message", pl.UInt32()), *LEDGER_SCHEMA.items()])
    assert decoded.rejects.schema == pl.Schema(REJECT_SCHEMA)
    assert decoded.samples.is_empty()


def test_the_place_in_a_recording_stands_in_the_reason() -> None:
    broken = RawMessage("", b"x", 0, line="monday.ndjson line 7: not a line of a recording")
    reasons = decode_batch([broken]).rejects["reason"].to_list()
    assert reasons == ["monday.ndjson line 7: not a line of a recording: topic is not below air/v1/"]


def test_another_root() -> None:
    sent = RawMessage(f"depot/{FLEET}/{UNIT}/pressure", GOOD["pressure"], T0_US)
    assert decode_batch([sent], root="depot").samples.height == 2
    assert decode_batch([sent]).rejects["reason"].to_list() == ["topic is not below air/v1/"]


# any bytes -----------------------------------------------------------------------------------------------------------

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)  # MQTT and JSON carry no lone surrogates
TOPICS = st.builds("air/v1/{}/{}/{}".format, st.just(FLEET), st.just(UNIT), st.sampled_from(STREAMS)) | TEXT
TYPES = st.none() | st.sampled_from(["application/json", "text/plain", "application/cbor"]) | TEXT
WORDS = st.sampled_from([at(0), UNIT, 1, "cut_in", "key"])
SCALARS = st.none() | st.booleans() | st.integers() | st.floats() | TEXT | WORDS
JSON = st.recursive(SCALARS, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4))
FIELDS = [*pressure(), "t_ms", "trailer", "t", "events", "codes", "lamps", "source_address", "x"]
BODIES = st.dictionaries(st.sampled_from(FIELDS), JSON).map(lambda extra: json.dumps(pressure() | extra).encode())


@st.composite
def damaged(draw: st.DrawFn) -> bytes:
    """Give a good payload of some stream with a few bytes put in place of others."""
    body = bytearray(draw(st.sampled_from([*GOOD.values()])))
    for place, byte in draw(st.lists(st.tuples(st.integers(0, len(body) - 1), st.binary(max_size=3)), max_size=4)):
        body[place : place + 1] = byte
    return bytes(body)


ANY = st.builds(RawMessage, TOPICS, st.binary(max_size=200) | BODIES | damaged(), st.just(T0_US), TYPES)


@given(st.lists(ANY, max_size=6))
@example([RawMessage(f"air/v1/{FLEET}/{UNIT}/{s}", GOOD[t], T0_US) for s, t in product(STREAMS, STREAMS)])
@example([RawMessage(f"air/v1/{FLEET}/{UNIT}/pressure", GOOD["pressure"].replace(b'"seq"', b'"\x80":1,"seq"'), T0_US)])
def test_any_bytes_on_any_topic_give_one_row_of_the_ledger_or_of_the_rejects(messages: list[RawMessage]) -> None:
    decoded = decode_batch(messages)
    in_part = decoded.rejects.filter(pl.col("reason").str.ends_with("; the other lines were landed")).height
    assert decoded.ledger.height + decoded.rejects.height - in_part == len(messages)
    kept = set(decoded.rejects.select("topic", "payload", "content_type").iter_rows())
    assert kept <= {(m.topic, m.payload, m.content_type) for m in messages}
    for one in messages:  # alone as among others
        alone = decode_batch([one])
        refused = alone.rejects.height
        assert (alone.ledger.height, refused) in ((1, 0), (0, 1), (1, 1))
        assert refused == 0 or (one.topic, one.payload, one.content_type) in kept


@pytest.mark.parametrize("where", ["decode_pressure_json", "_within_range"])
def test_a_message_that_fails_in_a_way_nobody_foresaw_is_set_aside_and_the_others_land(
    where: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    good, bad = drive("K-1", 4), message(pressure(unit="K-9", seq=77, primary_kpa=[77.7, 1]))
    ordinary = getattr(batch, where)

    def fails(*arguments: Any) -> Any:
        """Stand for a fault in our own code, in one message or in what it gives."""
        read = arguments[0]
        if (b"77.7" in read) if isinstance(read, bytes) else ("primary_kpa" in read and 77.7 in read["primary_kpa"]):
            raise ZeroDivisionError("nobody thought of this")
        return ordinary(*arguments)

    monkeypatch.setattr(batch, where, fails)
    if where == "decode_pressure_json":
        monkeypatch.setitem(batch._PRESSURE_DECODERS, "application/json", fails)
    decoded = decode_batch(iter([*good[:2], bad, *good[2:]]))
    assert decoded.samples.height == decode_batch(good).samples.height
    (reject,) = decoded.rejects.rows(named=True)
    assert reject["reason"] == "can't be decoded, please report it: ZeroDivisionError: nobody thought of this"
    assert reject["payload"] == bad.payload
