"""Lines of the plain form, read as bytes, give what reading them as text gives, whatever the lines are."""

import polars as pl
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal

from airwatch.can import candump
from airwatch.can.candump import parse_candump
from airwatch.can.plain_lines import read_plain_lines

LINE = b"(1738581600.123456) can0 18FEAE0B#FFFFABABFFFFFFFF"
PIECES = [
    b"(1738581600.123456) ",
    b"(0038581600.999999) ",
    b"(173858160.1234567) ",
    b"(173858160\xd9.123456) ",
    b"can0 ",
    b"vcan1 ",
    b"c\x00n ",
    "k\u00e4n ".encode(),
    b"a_channel_of_many_letters ",
    b"18FEAE0B",
    b"18feae0b",
    b"3FFFFFFF",
    b"20000004",
    b"123",
    b"#",
    b"##1",
    b"FFFFABABFFFFFFFF",
    b"00",
    b"0",
    b"0g",
    b"_9",
    b" R",
    b"\r",
    b"\n",
    b"\t",
]
TEXTS = st.lists(st.sampled_from([LINE, LINE + b"\n", *PIECES]) | st.binary(max_size=3), max_size=12).map(b"".join)


@settings(max_examples=600, deadline=None)
@given(TEXTS)
@example(LINE + b"\n" + LINE.replace(b"can0", b"can1") + b"\nbad\n" + LINE)
@example(b"\n\n" + LINE[:-1] + b"\n" + LINE + b"FF\n" + LINE[:-16])
@example(b"")
def test_bytes_and_text_say_the_same(text: bytes) -> None:
    lines = text.decode("utf-8", "replace").split("\n")
    if text.endswith(b"\n") or not text:
        lines.pop()
    numbered = {"line_no": range(1, len(lines) + 1), "line": lines}
    by_text = candump._read_as_text(pl.DataFrame(numbered, schema=candump._LINES))
    parsed = parse_candump(text)
    assert_frame_equal(parsed.frames, by_text.frames)
    assert_frame_equal(parsed.bad_lines, by_text.bad_lines)
    assert parsed.counts == by_text.counts


def test_ordinary_logs_are_read_as_bytes() -> None:
    lines = [LINE, LINE.replace(b"can0", b"vcan12"), LINE[:-8], LINE[:-16], LINE.lower()]
    plain = read_plain_lines(b"\n".join(lines) + b"\nnot plain\n")
    assert plain.at.tolist() == [0, 1, 2, 3, 4]
    assert plain.others.tolist() == [5]
    assert [len(data) for data in plain.frames["data"]] == [8, 8, 4, 0, 8]


@pytest.mark.parametrize("n", [1, 2, 16, 17, 40])
def test_logs_of_many_channels_and_lengths_are_read_alike(n: int) -> None:
    names = [f"c{'x' * (k % 11)}{k}".encode() for k in range(n)]
    said = b"\n".join(LINE.replace(b"can0", name).replace(b"AB", b"%02X" % k) for k, name in enumerate(names * 3))
    parsed = parse_candump(said)
    assert parsed.frames["channel"].to_list() == [name.decode() for name in names * 3]
    assert [data[2] for data in parsed.frames["data"]] == list(range(3 * n))
    assert parsed.counts.n_frames == 3 * n


@pytest.mark.parametrize("place", range(len(LINE)))
@pytest.mark.parametrize("other", [0, ord("/"), ord(":"), ord("@"), ord("G"), ord("`"), ord("g"), 0x7F, 0xB0, 0xFF])
def test_one_wrong_character_is_seen_wherever_it_is(place: int, other: int) -> None:
    """The neighbours of digits and letters, and these with their top bit set."""
    lines = [LINE, LINE[:place] + bytes([other]) + LINE[place + 1 :], LINE]
    text = b"\n".join(lines)
    as_text = [line.decode("utf-8", "replace") for line in lines]
    by_text = candump._read_as_text(pl.DataFrame({"line_no": [1, 2, 3], "line": as_text}, schema=candump._LINES))
    parsed = parse_candump(text)
    assert_frame_equal(parsed.frames, by_text.frames)
    assert_frame_equal(parsed.bad_lines, by_text.bad_lines)
    assert {0, 2} <= set(read_plain_lines(text).at.tolist())
