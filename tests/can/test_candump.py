from dataclasses import asdict
from datetime import datetime, timedelta

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.can.candump import decode_candump, parse_candump

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - times inside the program are UTC without a zone
LINE = b"(1738581600.123456) can0 18FEAE0B#FFFFABABFFFFFFFF"


def test_a_line_becomes_a_frame_to_the_microsecond() -> None:
    parsed = parse_candump(LINE + b"\n")
    assert parsed.frames.schema == {
        "t": pl.Datetime("us"),
        "can_id": pl.UInt32,
        "data": pl.Binary,
        "channel": pl.String,
    }
    assert parsed.frames.rows() == [
        (datetime(2025, 2, 3, 11, 20, 0, 123456), 0x18FEAE0B, bytes.fromhex("FFFFABABFFFFFFFF"), "can0")  # noqa: DTZ001
    ]
    assert parsed.bad_lines.is_empty()
    assert (parsed.counts.n_lines, parsed.counts.n_frames) == (1, 1)


@pytest.mark.parametrize(
    ("fraction", "micros"), [("999999", 999999), ("000001", 1), ("5", 500000), ("123", 123000), ("123456789", 123456)]
)
def test_a_fraction_is_never_rounded(fraction: str, micros: int) -> None:
    (t,) = parse_candump(f"(4102444799.{fraction}) can0 18FEAE0B#00".encode()).frames["t"]
    assert t == EPOCH + timedelta(seconds=4102444799, microseconds=micros)


def test_line_ends_and_blank_lines_do_not_matter() -> None:
    parsed = parse_candump(LINE + b"\r\n\r\n  \n" + LINE.lower() + b"   \n" + LINE)
    assert parsed.frames.height == 3
    assert (parsed.counts.n_blank, parsed.counts.n_lines, parsed.counts.n_bad) == (2, 5, 0)


# Kinds of line that candump writes (can-utils, lib.c, sprint_canframe): 11-bit ids, remote requests, CAN FD, error
# frames, the raw length code behind _, and the direction behind the frame.
@pytest.mark.parametrize(
    ("frame", "kind"),
    [
        ("123#DEADBEEF", "n_standard"),
        ("7FF#", "n_standard"),
        ("1F8A3FB7#R3", "n_remote"),
        ("123#R", "n_remote"),
        ("18FEAE0B##1FFFFABABFFFFFFFFFFFF", "n_fd"),
        ("123##0", "n_fd"),
        ("20000004#0004000000000000", "n_error"),
        ("18FEAE0B#", "n_frames"),
        ("18FEAE0B#FFFFABABFFFFFFFF_A", "n_frames"),
        ("18FEAE0B#FFFFABABFFFFFFFF R", "n_frames"),
        ("18feae0b#ffffababffffffff T", "n_frames"),
        ("18FEAE0B#FFF", "n_bad"),
    ],
)
def test_each_kind_of_line_is_counted(frame: str, kind: str) -> None:
    counts = asdict(parse_candump(f"(1.000000) can0 {frame}".encode()).counts)
    assert {name for name, n in counts.items() if n} == {"n_lines", kind}


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("hello", "not of the form (seconds.micros) channel id#data"),
        ("(1.0 can0 18FEAE0B#00", "not of the form (seconds.micros) channel id#data"),
        ("(1.000000) can0 18FEAE0B", "not of the form (seconds.micros) channel id#data"),
        ("(-1.000000) can0 18FEAE0B#00", "not of the form (seconds.micros) channel id#data"),
        ("(99999999999.0) can0 18FEAE0B#00", "not of the form (seconds.micros) channel id#data"),
        ("(1.000000) can0 8FEAE0B#00", "the id is neither 3 digits of 11 bits nor 8 digits of 29 bits"),
        ("(1.000000) can0 FFFFFFFF#00", "the id is neither 3 digits of 11 bits nor 8 digits of 29 bits"),
        ("(1.000000) can0 800#00", "the id is neither 3 digits of 11 bits nor 8 digits of 29 bits"),
        ("(1.000000) can0 123456789ABC#00", "the id is neither 3 digits of 11 bits nor 8 digits of 29 bits"),
        ("(1.000000) can0 18FEAE0B#FFF", "the data has half a byte"),
        ("(1.000000) can0 18FEAE0B#00112233445566778899", "the data is longer than 8 bytes"),
        ("(1.000000) can0 18FEAE0B#GG", "the data is not hexadecimal"),
        ("(1.000000) can0 18FEAE0B##", "the data is not hexadecimal"),
    ],
)
def test_a_bad_line_is_kept_with_its_place_and_reason(line: str, reason: str) -> None:
    parsed = parse_candump(LINE + b"\n" + line.encode() + b"\r\n" + LINE)
    assert parsed.bad_lines.rows() == [(2, line, reason)]
    assert parsed.frames.height == 2


def test_nothing_gives_nothing() -> None:
    decoded = decode_candump(b"")
    assert decoded.counts.lines.n_lines == 0
    assert decoded.samples.is_empty()
    assert decoded.fault_reports.is_empty()
    assert decoded.lamp_events.is_empty()
    assert decoded.counts.remark() is None


def test_what_was_left_out_is_said_in_a_line() -> None:
    decoded = decode_candump(LINE + b"\n(1.0) can0 123#00\nrubbish\n(1.0) can0 18FEAE0B#FEFE\n")
    assert decoded.counts.remark() == (
        "1 lines are no candump frames; 1 frames have 11-bit ids; "
        "1 frames are shorter than 8 bytes; 1 values say 'error'"
    )
    assert decoded.bad_lines["line_no"].to_list() == [3]


@settings(deadline=None)
@given(st.binary(max_size=300) | st.lists(st.sampled_from([LINE, b"(", b"#", b"\r", b"\x00", b"\xff"])).map(b"\n".join))
def test_any_bytes_are_accounted_for_line_by_line(text: bytes) -> None:
    counts = asdict(decode_candump(text).counts.lines)
    assert counts.pop("n_lines") == sum(counts.values()) == text.count(b"\n") + (text[-1:] not in (b"", b"\n"))


frames = st.tuples(st.integers(0, 9_999_999_999_999_999), st.integers(0, 0x1FFFFFFF), st.binary(max_size=8))


@given(rows=st.lists(frames))
def test_frames_written_as_text_come_back_the_same(rows: list[tuple[int, int, bytes]]) -> None:
    text = "".join(f"({t // 10**6}.{t % 10**6:06d}) can1 {i:08X}#{data.hex().upper()}\n" for t, i, data in rows)
    parsed = parse_candump(text.encode())
    back = parsed.frames.with_columns(pl.col("t").to_physical()).drop("channel").rows()
    assert back == rows
