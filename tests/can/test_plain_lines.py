"""Lines of the plain form, read as bytes, give what reading them as text gives, whatever the lines are."""

import polars as pl
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
