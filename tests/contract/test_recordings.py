"""Recordings: contract section 3."""

import base64
import gzip
import json
import re
import zlib
from collections.abc import Callable
from pathlib import Path

import pytest
import zstandard
from hypothesis import given
from hypothesis import strategies as st

from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from airwatch.contract.recordings import read_messages, recording_line
from airwatch.errors import RecordingError
from tests.messages import T0_US, drive, message, pressure, write_recording

# The line of contract section 3, with a payload put in.
LINE = (
    b'{"received":"2031-02-03T11:20:00Z","topic":"air/v1/north/K-204/pressure",'
    b'"content_type":"application/json","payload":{"v":1}}'
)


def many(n: int) -> list[RawMessage]:
    """Give messages that do not pack well, so that a cut file still holds some of them."""
    digits = [base64.b64encode(zlib.compress(str(k).encode() * 7)).decode() for k in range(n)]
    return [message(pressure(seq=k, note=digits[k]), received_us=T0_US + 1000 * k) for k in range(n)]


def test_the_line_that_the_contract_shows(tmp_path: Path) -> None:
    (tmp_path / "monday.ndjson").write_bytes(LINE)
    (one,) = read_messages(tmp_path / "monday.ndjson")
    expected = ("air/v1/north/K-204/pressure", b'{"v":1}', T0_US, "application/json", "monday.ndjson line 1")
    assert (one.topic, one.payload, one.received_us, one.content_type, one.line) == expected


PACK: dict[str, Callable[[bytes], bytes]] = {
    "": bytes,
    ".gz": gzip.compress,
    ".zst": zstandard.ZstdCompressor().compress,
}


@pytest.mark.parametrize("suffix", PACK)
def test_plain_and_packed_recordings_read_the_same(tmp_path: Path, suffix: str) -> None:
    messages = many(3000)
    path = tmp_path / f"a.ndjson{suffix}"
    path.write_bytes(PACK[suffix](b"".join(recording_line(m) + b"\n" for m in messages)))
    read = list(read_messages(path))
    assert [(m.topic, m.payload, m.received_us) for m in read] == [
        (m.topic, m.payload, m.received_us) for m in messages
    ]
    assert read[-1].line == f"a.ndjson{suffix} line 3000"


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
def test_a_recording_may_be_packed_in_several_pieces(tmp_path: Path, suffix: str) -> None:
    pieces = [PACK[suffix](recording_line(m) + b"\n") for m in many(3)]
    if suffix == ".zst":  # RFC 8878 section 3.1.2: a skippable frame has any content, and is passed over
        pieces.insert(1, b"\x50\x2a\x4d\x18" + (4).to_bytes(4, "little") + b"skip")
    (tmp_path / f"a.ndjson{suffix}").write_bytes(b"".join(pieces))
    assert len(list(read_messages(tmp_path / f"a.ndjson{suffix}"))) == 3


@pytest.mark.parametrize("suffix", [".gz", ".zst"])
@pytest.mark.parametrize("share", [0.0, 0.3, 0.9])
def test_a_packed_recording_cut_short_gives_what_stood_before_and_is_named(
    tmp_path: Path, suffix: str, share: float
) -> None:
    messages = many(30_000)
    packed = PACK[suffix](b"".join(recording_line(m) + b"\n" for m in messages))
    path = tmp_path / f"cut.ndjson{suffix}"
    path.write_bytes(packed[: 3 + round(share * len(packed))])
    read: list[RawMessage] = []
    with pytest.raises(RecordingError, match=rf"^{path}: can't be read as a recording: .*check .* that it is whole$"):
        read.extend(read_messages(path))
    assert [m.payload for m in read] == [m.payload for m in messages[: len(read)]]
    assert share * 0.5 * len(messages) <= len(read) < len(messages)


@pytest.mark.parametrize(
    ("suffix", "packed"), [(".gz", b"not gzip"), (".zst", b"not zstandard"), (".zst", b"\x28\xb5")]
)
def test_what_is_not_packed_as_its_name_says_is_no_recording(tmp_path: Path, suffix: str, packed: bytes) -> None:
    path = tmp_path / f"a.ndjson{suffix}"
    path.write_bytes(packed)
    with pytest.raises(RecordingError, match=rf"^{path}: can't be read as a recording"):
        list(read_messages(path))


def test_bytes_after_the_last_frame_are_an_error(tmp_path: Path) -> None:
    path = tmp_path / "a.ndjson.zst"
    path.write_bytes(PACK[".zst"](LINE + b"\n") + b"tail")
    messages = read_messages(path)
    assert next(messages).topic == "air/v1/north/K-204/pressure"
    with pytest.raises(RecordingError, match=rf"^{path}: "):
        next(messages)


def test_no_such_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=rf"^{tmp_path}/none.ndjson: can't be read as a recording: .*No such file"):
        list(read_messages(tmp_path / "none.ndjson"))


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"not json", "not a line of a recording: JSON is malformed"),
        (b'{"received":"2031-02-03T11:20:00Z"}', "missing required field `topic`"),
        (b'{"topic":"a","payload":1}', "missing required field `received`"),
        (LINE.replace(b"00Z", b"00"), r"timezone component - at `\$\.received`"),
        (LINE.replace(b"2031-02-03T11:20:00Z", b"9999-12-31T23:59:59-23:59"), "outside the years 1970 to 9999"),
        (b'{"received":"2031-02-03T11:20:00Z","topic":"a"}', "neither payload nor payload_b64"),
        (b'{"received":"2031-02-03T11:20:00Z","topic":"a","payload_b64":"!!"}', "not a line of a recording"),
        (b'{"received":"2031-02-03T11:20:00Z","topic":"a","payload_b64":"\\u00e9"}', "ASCII"),
        (b'{"received":"2031-02-03T11:20:00Z","topic":"\\ud800","payload":1}', "surrogate"),
        (b"[" * 100_000, "not a line of a recording"),
        (b"\xff\x00", "not a line of a recording"),
    ],
)
def test_a_broken_line_is_set_aside_with_its_place_and_the_others_are_read(
    tmp_path: Path, line: bytes, why: str
) -> None:
    path = write_recording(tmp_path / "a.ndjson", many(2))
    first, second = path.read_bytes().splitlines()
    path.write_bytes(b"\n".join([first, line, b"", second]))
    decoded = decode_batch(read_messages(path))
    assert decoded.ledger["seq"].to_list() == [0, 1]
    (refused,) = decoded.rejects.rows(named=True)
    assert (refused["topic"], refused["payload"]) == ("", line)
    assert re.search(rf"^a\.ndjson line 2: .*{why}", refused["reason"]), refused["reason"]


@pytest.mark.parametrize("payload", [b"\x00\xff", b"{broken", b"", b'{"v": 1,\n "unit": "K-204"}', b"NaN", b'"\xff"'])
def test_a_payload_that_is_not_json_on_one_line_is_base64(payload: bytes) -> None:
    sent = RawMessage("air/v1/north/K-204/pressure", payload, T0_US, "application/cbor")
    line = recording_line(sent)
    assert json.loads(line) == {
        "received": "2031-02-03T11:20:00Z",
        "topic": sent.topic,
        "content_type": "application/cbor",
        "payload_b64": base64.b64encode(payload).decode(),
    }


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=20)
JSON = st.recursive(st.none() | st.booleans() | st.integers() | TEXT, lambda inner: st.lists(inner, max_size=3))
INDENTED = st.builds(lambda value, indent: json.dumps(value, indent=indent).encode(), JSON, st.none() | st.just(1))
PAYLOADS = st.binary(max_size=60) | INDENTED

INSTANTS_US = st.integers(0, 4_000_000_000_000).map(lambda ms: ms * 1000)
ANY = st.builds(RawMessage, TEXT, PAYLOADS, INSTANTS_US, TEXT.filter(bool))


@given(st.lists(ANY, max_size=5))
def test_any_message_written_reads_back_as_it_was(
    tmp_path_factory: pytest.TempPathFactory, messages: list[RawMessage]
) -> None:
    path = write_recording(tmp_path_factory.mktemp("written") / "a.ndjson", messages)
    read = list(read_messages(path))
    assert [(m.topic, m.payload, m.received_us, m.content_type) for m in read] == [
        (m.topic, m.payload, m.received_us, m.content_type) for m in messages
    ]


@pytest.mark.parametrize("payload", [b" 0", b"0\t", b'{"v": 1}\r'])
def test_space_around_a_payload_is_kept(tmp_path: Path, payload: bytes) -> None:
    (read,) = read_messages(write_recording(tmp_path / "a.ndjson", [message(payload)]))
    assert read.payload == payload


def test_a_recording_decodes_as_the_messages_do(tmp_path: Path) -> None:
    messages = drive("K-204", 3)
    read = decode_batch(read_messages(write_recording(tmp_path / "a.ndjson", messages)))
    assert read.samples.equals(decode_batch(messages).samples)
    assert read.ledger.drop("encoding").equals(decode_batch(messages).ledger.drop("encoding"))
