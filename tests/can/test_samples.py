from datetime import datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.can.frames import FRAME_SCHEMA
from airwatch.can.j1939 import decode_frames

T = datetime(2031, 2, 3)  # noqa: DTZ001 - times inside the program are UTC without a zone
AIR1, B1, EEC1, CCVS1 = 65198, 65274, 61444, 65265
Row = tuple[float, int, int, str]  # seconds after T, PGN, source address, data


def can(*rows: Row) -> pl.DataFrame:
    columns = {
        "t": [T + timedelta(seconds=s) for s, *_ in rows],
        "can_id": [6 << 26 | pgn << 8 | source for _, pgn, source, _ in rows],
        "data": [bytes.fromhex(data.ljust(16, "F")) for *_, data in rows],
    }
    return pl.DataFrame(columns, schema=FRAME_SCHEMA)


def samples(frames: pl.DataFrame, *columns: str) -> list[tuple[float, ...]]:
    frame = decode_frames(frames).samples
    return frame.select((pl.col("t") - T).dt.total_microseconds() / 1e6, *columns).rows()


def air1(code: int) -> str:
    return f"FFFF{code:02X}{code:02X}"


def b1(code: int) -> str:
    return f"FF{code:02X}{code:02X}"


def eec1(rpm: int) -> str:
    return "FFFFFF" + (rpm * 8).to_bytes(2, "little").hex()


def test_one_sample_for_each_pressure_frame_and_the_rest_from_before_it() -> None:
    frames = can(
        (0.9, EEC1, 0, eec1(600)), (1.0, AIR1, 49, air1(100)), (1.1, EEC1, 0, eec1(700)), (2.0, AIR1, 49, air1(101))
    )
    assert samples(frames, "primary_kpa", "engine_rpm") == [(1.0, 800.0, 600.0), (2.0, 808.0, 700.0)]


@pytest.mark.parametrize(("age", "rpm"), [(0.0, 600.0), (2.0, 600.0), (2.000001, None), (-0.000001, None)])
def test_a_value_counts_for_two_seconds_and_never_before_it_came(age: float, rpm: float | None) -> None:
    frames = can((10.0, AIR1, 49, air1(100)), (10.0 - age, EEC1, 0, eec1(600)))
    assert (10.0, rpm) in samples(frames, "engine_rpm")


def test_an_invalid_code_does_not_hide_a_fresh_valid_one() -> None:
    frames = can((9.0, EEC1, 0, eec1(600)), (9.5, EEC1, 0, "FFFFFFFFFF"), (10.0, AIR1, 49, air1(100)))
    assert samples(frames, "engine_rpm") == [(10.0, 600.0)]


def test_b1_is_preferred_and_gives_the_time() -> None:
    frames = can(
        (1.0, AIR1, 49, "FFFF6465"), (1.005, B1, 49, "FFC9C9"), (2.0, AIR1, 49, "66FF6465"), (2.005, B1, 49, "FFCACA")
    )
    columns = ("supply_kpa", "primary_kpa", "secondary_kpa")
    assert samples(frames, *columns) == [(1.005, None, 804.0, 804.0), (2.005, 816.0, 808.0, 808.0)]


def test_b1_at_the_end_of_its_range_gives_way_to_air1() -> None:
    frames = can((1.0, AIR1, 49, air1(0x82)), (1.005, B1, 49, b1(0xFA)), (5.0, B1, 49, b1(0xFA)))
    assert samples(frames, "primary_kpa") == [(1.005, 1040.0), (5.0, 1000.0)]


def test_air1_fills_in_where_b1_is_silent() -> None:
    frames = can(
        (0.0, B1, 49, b1(200)), *((s, AIR1, 49, air1(100)) for s in (0.01, 1.01, 2.01, 3.01)), (4.0, B1, 49, b1(199))
    )
    assert samples(frames, "primary_kpa") == [(0.0, 800.0), (2.01, 800.0), (4.0, 796.0)]


def test_a_preferred_sender_that_sends_nothing_valid_is_passed_over() -> None:
    # Byte 1 bits 3-4 parking switch, byte 4 bits 5-6 brake switch; address 49 is preferred to 0.
    frames = can((1.0, CCVS1, 49, "FF0000FF"), (1.0, CCVS1, 0, "F70000DF"), (1.5, AIR1, 49, air1(100)))
    assert samples(frames, "park_brake", "service_brake") == [(1.5, 1, 1)]


def test_of_two_valid_senders_the_preferred_one_is_taken_and_strangers_come_last() -> None:
    for speed, sources in ((20.0, (0, 49)), (20.0, (49, 77)), (20.0, (77, 78))):
        best, other = sources
        frames = can((1.1, CCVS1, other, "FF0028"), (1.0, CCVS1, best, "FF0014"), (1.5, AIR1, 49, air1(100)))
        assert samples(frames, "speed_kph") == [(1.5, speed)]


def test_a_second_channel_with_the_same_frames_makes_no_second_sample() -> None:
    frames = can((1.0, AIR1, 49, air1(100)), (1.0002, AIR1, 49, air1(100)), (2.0, AIR1, 49, air1(101)))
    twice = frames.with_columns(channel=pl.Series(["can0", "can1", "can0"]))
    assert samples(twice, "primary_kpa") == [(1.0, 800.0), (2.0, 808.0)]


def test_engine_alone_gives_a_sample_each_whole_second() -> None:
    frames = can(*((0.3 + 0.05 * i, EEC1, 0, eec1(600 + i)) for i in range(50)))  # 0.3 to 2.75 s
    assert samples(frames, "engine_rpm") == [(1.0, 614.0), (2.0, 634.0), (3.0, 649.0)]


def test_engine_samples_keep_away_from_pressure_samples() -> None:
    frames = can((5.2, AIR1, 49, air1(100)), *((0.5 + s, EEC1, 0, eec1(600)) for s in range(10)))
    assert [t for t, _ in samples(frames, "engine_rpm")] == [1, 2, 3, 5.2, 7, 8, 9, 10]


def test_frames_of_one_instant_make_one_sample_with_the_last_value() -> None:
    frames = can((1.0, AIR1, 49, air1(100)), (1.0, AIR1, 49, air1(101)))
    assert samples(frames, "primary_kpa") == [(1.0, 808.0)]


def by_hand(rows: list[Row]) -> list[tuple[float, float | None, float | None]]:
    """Primary pressure and engine speed frame by frame, one sender each: slow and plain on purpose."""
    valid: dict[int, list[tuple[float, float]]] = {AIR1: [], B1: [], EEC1: []}
    for s, pgn, _, data in sorted(rows, key=lambda row: row[0]):
        code = int.from_bytes(bytes.fromhex(data)[slice(*{AIR1: (2, 3), B1: (1, 2), EEC1: (3, 5)}[pgn])], "little")
        if code <= (0xFAFF if pgn == EEC1 else 0xFA):
            valid[pgn].append((s, code * {AIR1: 8, B1: 4, EEC1: 0.125}[pgn]))
    times = {s for s, _ in valid[B1]}
    for more in ({s for s, _ in valid[AIR1]}, {float(-(-s // 1)) for s, _ in valid[EEC1]}):
        times |= {s for s in more if all(abs(s - t) > 1.5 for t in times)}

    def last(pgn: int, at: float, below: float = 1e9) -> float | None:
        found = [value for s, value in valid[pgn] if at - 2 <= s <= at][-1:]
        return found[0] if found and found[0] < below else None

    def first(*values: float | None) -> float | None:
        return next((value for value in values if value is not None), None)

    return [
        (t, first(last(B1, t, 1000), last(AIR1, t, 2000), last(B1, t), last(AIR1, t)), last(EEC1, t))
        for t in sorted(times)
    ]


eighths = st.integers(0, 80).map(lambda n: n / 8)  # exact in binary, and close enough together to meet the edges
codes = st.sampled_from([0, 1, 0x64, 0xF9, 0xFA, 0xFB, 0xFE, 0xFF])
some_frames = st.lists(
    st.one_of(
        st.builds(lambda s, code: (s, AIR1, 49, air1(code)), eighths, codes),
        st.builds(lambda s, code: (s, B1, 49, b1(code)), eighths, codes),
        st.builds(lambda s, code: (s, EEC1, 0, f"FFFFFF00{code:02X}"), eighths, codes),
    ),
    max_size=30,
)


@given(rows=some_frames)
def test_any_frames_agree_with_the_plain_loop(rows: list[Row]) -> None:
    assert samples(can(*rows), "primary_kpa", "engine_rpm") == by_hand(rows)
