from datetime import datetime, timedelta

import polars as pl

from airwatch.can.frames import FRAME_SCHEMA
from airwatch.can.j1939 import decode_frames

T = datetime(2031, 2, 3)  # noqa: DTZ001 - times inside the program are UTC without a zone
OFF, ON, RESERVED, NO_ACTION = range(4)


def ebc1(*codes: tuple[int, int], source: int = 11) -> pl.DataFrame:
    """Tractor (SPN 1438, byte 6 bits 5-6) and trailer lamp (SPN 1792, byte 8 bits 7-8), a frame a second."""
    data = [bytes([255] * 5 + [0xCF | a << 4, 255, 0x3F | b << 6]) for a, b in codes]
    times = [T + timedelta(seconds=i) for i in range(len(codes))]
    columns = {"t": times, "can_id": [0x18F00100 | source] * len(codes), "data": data}
    return pl.DataFrame(columns, schema=FRAME_SCHEMA)


def events(frames: pl.DataFrame) -> list[tuple[int, str, bool]]:
    frame = decode_frames(frames).lamp_events
    assert frame.schema == {"t": pl.Datetime("us"), "lamp": pl.String, "is_on": pl.Boolean}
    return [(round((t - T).total_seconds()), lamp, is_on) for t, lamp, is_on in frame.rows()]


def test_first_state_and_changes() -> None:
    frames = ebc1((ON, ON), (ON, ON), (ON, OFF), (OFF, OFF), (OFF, OFF), (ON, OFF))
    assert events(frames) == [
        (0, "tractor_abs", True),
        (0, "trailer_abs", True),
        (2, "trailer_abs", False),
        (3, "tractor_abs", False),
        (5, "tractor_abs", True),
    ]


def test_no_action_and_reserved_are_no_change() -> None:
    frames = ebc1((NO_ACTION, 3), (ON, 3), (NO_ACTION, 3), (RESERVED, 3), (ON, 3), (OFF, 3))
    assert events(frames) == [(1, "tractor_abs", True), (5, "tractor_abs", False)]


def test_the_brake_controller_is_believed_and_not_another() -> None:
    both = pl.concat([ebc1((OFF, 3), (OFF, 3)), ebc1((ON, ON), (ON, ON), source=0)])
    assert events(both) == [(0, "tractor_abs", False), (0, "trailer_abs", True)]
