"""Lines of a recording read many at a time give what reading them one by one gives, of any lines at all."""

from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.columns import COLUMN_NAMES
from airwatch.contract.lines import Blocks, ChunkMessages
from airwatch.contract.recordings import LineChunk, messages_of, recording_line
from airwatch.contract.topics import ROOT
from tests.messages import at, drive, faults, governor, message, pressure

NUMBERS = (
    st.integers(-(2**70), 2**70)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.sampled_from([-1.25e307, -1.5e307])
)
PLAIN = st.lists(st.integers(0, 2000) | st.floats(0, 2000), min_size=2, max_size=2)
NULLS = st.lists(st.integers(0, 1) | st.none(), min_size=2, max_size=2)
OFFSETS = st.lists(st.integers(-2000, 2000) | st.floats(-1e17, 1e17) | st.none(), min_size=2, max_size=2)
ODD = st.lists(
    NUMBERS | st.none() | st.booleans() | st.text(max_size=2) | st.lists(st.integers(0, 9), max_size=2), max_size=3
)
COLUMN = PLAIN | PLAIN | PLAIN | NULLS | NULLS | ODD | st.none() | st.integers() | st.text(max_size=3)
FIELDS = st.fixed_dictionaries(
    {"unit": st.sampled_from(["K-1", "K-2"])},
    optional={
        "trailer": st.text(alphabet='[]{}",x', max_size=4) | st.none(),
        "seq": st.integers(-1, 9),
        "dt_ms": st.sampled_from([1000, 0.5, 1, 0, 1e300, None, ...]),
        "t0": st.sampled_from([at(60), "1970-01-01T00:00:00Z", "9999-12-31T00:00:00Z", "2031-02-03T11:20:00", 5]),
    },
)
TIMES = st.just({}) | st.just({}) | OFFSETS.map(lambda offsets: {"t_ms": offsets, "dt_ms": ...})
BLOCK = st.builds(
    lambda columns, fields, times: pressure(**({"primary_kpa": ...} | columns | fields | times)),
    st.dictionaries(st.sampled_from([*COLUMN_NAMES[:3], *COLUMN_NAMES[-2:], "axle_kg"]), COLUMN, max_size=4),
    FIELDS,
    TIMES,
)
LINE = BLOCK.map(lambda block: recording_line(message(block, content_type="application/json"))) | st.sampled_from(
    [b"", b"  ", b"{", recording_line(message(governor(), "governor")), recording_line(message(faults(), "faults"))]
)


@pytest.fixture(autouse=True)
def nothing_unforeseen(caplog: pytest.LogCaptureFixture) -> Iterator[None]:
    """Fail where what was read together could not be used, and only the second attempt gave the same."""
    yield
    assert [record.getMessage() for record in caplog.get_records("call")] == []


def alike(lines: list[bytes]) -> DecodedBatch:
    """Decode lines both ways, check that they are decoded alike, and give what they are."""
    text = b"\n".join(lines)
    chunk = LineChunk("d.ndjson", 5, len(text), text)
    plainly, quickly = decode_batch(messages_of(chunk)), decode_batch(ChunkMessages(chunk, ROOT))
    for name in DecodedBatch.__dataclass_fields__:
        quick: Any = getattr(quickly, name)
        if name == "samples":  # those of a message lie together, and messages in any order
            quick = quick.sort("message", maintain_order=True)
        assert_frame_equal(quick, getattr(plainly, name))
    return quickly


def n_together(lines: list[bytes]) -> int:
    """Count the lines that are read with others."""
    text = b"\n".join(lines)
    messages = ChunkMessages(LineChunk("d.ndjson", 1, len(text), text), ROOT)
    return sum(len(some.lines) for some in messages if isinstance(some, Blocks))


@settings(deadline=None, max_examples=500)
@given(lines=st.lists(LINE, max_size=7), cut=st.integers(0, 2000), junk=st.binary(max_size=2))
def test_any_lines_are_read_alike(lines: list[bytes], cut: int, junk: bytes) -> None:
    alike(lines)
    whole = b"\n".join(lines)
    alike((whole[:cut] + junk + whole[cut:]).split(b"\n"))


def line(raw: str = "", **fields: Any) -> bytes:
    """Write a block as a line, with ``raw`` in place of any ``"@"``."""
    return recording_line(message(pressure(**fields), content_type="application/json")).replace(b'"@"', raw.encode())


@pytest.mark.parametrize(
    "raw",
    [
        "[[800, 808], [816]]", "[1e999]", "[800, 1e999]", "[123456789012345678901234567890]", "[-0.0]", "[8.5e2, 1E2]",
        "[]", "[ ]", "[800 808]", "[-null]", "[null5]", "[5null]", '["null"]', "[nul]",
        "[1, -1.25e307]", "[-1.5e307]", "[null, -1.5e307]",
        "null", "[null]", "[NaN]", "[800,]", "[01]", "[1.]", "[.5]", "[+1]", "800", '"[800]"', "{}", "[ 800 , 808 ]",
        '[800, 808], "primary_kpa": [1, 2]', 'null, "primary_kpa": [1, 2]', '[1, 2], "primary_kpa": null',
        '[800, 808], "secondary_kpa": [1]', '[800, 808], "seq": 4', '[800, 808], "seq": "["',
        '[800, 808]}, "topic": {"unit": [1, 2]', '[800, 808]}, "payload": {"v": 1',
    ],
)  # fmt: skip
def test_odd_columns_are_read_alike_and_leave_their_neighbours(raw: str) -> None:
    decoded = alike([line(seq=1), line(raw, seq=2, primary_kpa="@"), line(seq=3, t0=at(60))])
    assert {1, 3} <= set(decoded.ledger["seq"])


def test_blocks_of_all_layouts_are_read_together() -> None:
    lines = [
        line(seq=1, secondary_kpa=[800, None]),
        line(seq=2, primary_kpa=..., park_brake=[0, 1], t0=at(10)),
        line(seq=3, dt_ms=..., t_ms=[0, 1500], t0=at(20)),
        line(seq=4, secondary_kpa=[808, 816], t0=at(30)),
        line(seq=5, primary_kpa=[1, 2, 3], t0=at(40)),
        line(seq=6, trailer="R-77", t0=at(50)),
    ]
    decoded = alike(lines)
    assert n_together(lines) == len(lines)
    assert decoded.samples["primary_kpa"].to_list() == [824, 816, None, None, 824, 816, 824, 816, 1, 2, 3, 824, 816]
    assert decoded.samples["secondary_kpa"].to_list() == [800, None, *[None] * 4, 808, 816, *[None] * 5]


def test_a_block_whose_columns_differ_in_length_leaves_its_neighbours() -> None:
    lines = [line(seq=k, t0=at(10 * k), secondary_kpa=[800, 808]) for k in range(4)]
    lines[2] = line(seq=2, t0=at(20), secondary_kpa=[800, 808, 816])
    decoded = alike(lines)
    assert decoded.ledger["seq"].to_list() == [0, 1, 3]
    assert "columns differ in length" in decoded.rejects["reason"][0]


def test_nulls_are_counted_by_message() -> None:
    nulls = [[800, 808], [None, 808], [None, None], [800, None]]
    lines = [line(seq=k, t0=at(10 * k), secondary_kpa=values) for k, values in enumerate(nulls)]
    lines.append(line(seq=4, t0=at(40), ambient_c=[None, 4], dt_ms=..., t_ms=[0, 700]))
    assert alike(lines).ledger["n_null"].to_list() == [0, 1, 2, 1, 1]


def test_what_vehicles_send_is_read_together() -> None:
    lines = [recording_line(m) for unit in ("K-1", "K-2") for m in drive(unit, 200)]
    assert n_together(lines) == len(lines)
    alike(lines)


def test_one_odd_line_among_many_leaves_the_others_together() -> None:
    lines = [line(seq=k, t0=at(10 * k)) for k in range(300)]
    lines[77] = line("[800, true]", seq=77, primary_kpa="@")
    assert n_together(lines) == len(lines) - 1
    assert alike(lines).rejects["reason"].to_list()[0].startswith("d.ndjson line 82: payload: ")


LINE = line()
ODD_LINES = [
    LINE.replace(b"11:20:00Z", b"11:20:00.123456Z", 1),
    LINE.replace(b"Z", b"+01:00", 1),
    LINE.replace(b"Z", b"", 1),
    LINE.replace(b"02-03", b"02-30", 1),
    LINE.replace(b"20:00", b"20:60", 1),
    LINE.replace(b"2031", b"1931", 1),
    LINE.replace(b"]}}", b']},"more":2}'),
    LINE.replace(b"]}}", b']},"topic":"air/v1/south/K-1/pressure"}'),
    LINE.replace(b"]}}", b"]}"),
    LINE.replace(b"]}}", b"]} }"),
    LINE + b" ",
    b" " + LINE,
    LINE.replace(b"]}}", b"]}}}"),
    LINE.replace(b"K-204", b"K\\u002d204"),
    LINE.replace(b"K-204", b"K-205", 1),
    LINE.replace(b"north", b"no th"),
    LINE.replace(b"/pressure", b"/faults"),
    LINE.replace(b"application/json", b"text/plain"),
    LINE.replace(b"application/json", b"application/json; charset=utf-8"),
    LINE.replace(b"K-204", "K-\u00e9".encode()),
    LINE.replace(b'"payload"', b'"payload_b64"'),
]


@pytest.mark.parametrize("odd", ODD_LINES)
def test_odd_lines_are_read_alike(odd: bytes) -> None:
    assert odd != LINE
    decoded = alike([line(seq=1), odd, line(seq=3, t0=at(60))])
    assert {1, 3} <= set(decoded.ledger["seq"])


@pytest.mark.parametrize(
    "times",
    [
        {"dt_ms": 1000, "t_ms": [0, 1000]},
        {"dt_ms": ...},
        {"dt_ms": 0.5},
        {"dt_ms": 1e300},
        {"dt_ms": ..., "t_ms": [0, 0.4]},
        {"dt_ms": ..., "t_ms": [1000, 0]},
        {"dt_ms": ..., "t_ms": [0, None]},
        {"dt_ms": ..., "t_ms": [-1e13, 0]},
        {"dt_ms": ..., "t_ms": [0, 1e300]},
        {"dt_ms": ..., "t_ms": [0, 1, 2]},
    ],
)
def test_times_that_are_not_allowed_leave_their_neighbours(times: dict[str, Any]) -> None:
    decoded = alike([line(seq=1), line(seq=2, t0=at(60), **times), line(seq=3, t0=at(120), dt_ms=..., t_ms=[0, 700])])
    assert decoded.ledger["seq"].to_list() == [1, 3]
