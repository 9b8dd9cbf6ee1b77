"""A log cut into any blocks says what the whole log says."""

import gzip
import random
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.can.candump import parse_candump
from airwatch.can.counts import CanCounts
from airwatch.can.frames import FRAME_SCHEMA
from airwatch.can.j1939 import CanDecoded, decode_frames
from airwatch.can.joined import CanState, flush, join_frames
from airwatch.contract.columns import TIME
from airwatch.errors import FrameError

DATA = Path(__file__).parents[1] / "data"
RECORDINGS = ["short-drive", "short-drive-brake-use", "bench-abs-dm1-bam"]
PARTS = ["samples", "fault_reports", "fault_codes", "lamp_events"]
SECOND = 1_000_000
SCHEMA = {**FRAME_SCHEMA, "channel": pl.String}
AIR1, B1, EEC1, CCVS1, EBC1 = 0x18FEAE00, 0x18FEFA00, 0x0CF00400, 0x18FEF100, 0x18F00100
DM1, TP_CM, TP_DT = 0x18FECA00, 0x18ECFF00, 0x18EBFF00
Row = tuple[int, int, bytes, str]


@cache
def recorded(name: str) -> pl.DataFrame:
    return parse_candump(gzip.decompress((DATA / f"{name}.candump.log.gz").read_bytes())).frames


def as_frames(rows: list[Row]) -> pl.DataFrame:
    return pl.DataFrame(rows, schema={**SCHEMA, "t": pl.Int64}, orient="row").cast({"t": TIME})


def in_blocks(frames: pl.DataFrame, cuts: list[int]) -> tuple[list[CanDecoded], int]:
    """Decode block by block, each state through its bytes; also the size of the largest state."""
    state, results, largest = None, [], 0
    for begin, end in pairwise([0, *cuts, frames.height]):
        decoded, state = join_frames(frames[begin:end], state)
        results.append(decoded)
        if state is not None:
            text = state.to_bytes()
            largest = max(largest, len(text))
            assert CanState.from_bytes(text) == state
            state = CanState.from_bytes(text)
    return [*results, flush(state)] if state is not None else results, largest


def put_together(results: list[CanDecoded], part: str) -> pl.DataFrame:
    frame = pl.concat([getattr(result, part) for result in results])
    return frame.sort(frame.columns[:2], maintain_order=True)


def counted(results: list[CanDecoded]) -> CanCounts:
    total = CanCounts()
    for result in results:
        total += result.counts
    return replace(total, n_old_conversion=0)


def check(frames: pl.DataFrame, cuts: list[int]) -> None:
    whole = decode_frames(frames)
    results, _ = in_blocks(frames, cuts)
    for part in PARTS:
        want = getattr(whole, part)
        got = put_together(results, part)
        assert got.equals(want.sort(want.columns[:2], maintain_order=True)), part
    assert counted(results) == counted([whole])


@pytest.mark.parametrize("name", RECORDINGS)
@pytest.mark.parametrize("seed", range(6))
def test_recordings_cut_at_random_say_what_the_whole_says(name: str, seed: int) -> None:
    frames = recorded(name)
    chance = random.Random(seed)  # noqa: S311 - not for secrets
    check(frames, sorted(chance.sample(range(1, frames.height), [1, 2, 5, 10, 20, 60][seed])))


@pytest.mark.parametrize("name", RECORDINGS)
def test_without_a_state_they_do_not(name: str) -> None:
    """So that the test above is known to see what it is for."""
    frames = recorded(name)
    apart = [decode_frames(frames[at : at + 700]) for at in range(0, frames.height, 700)]
    assert not all(put_together(apart, part).equals(getattr(decode_frames(frames), part)) for part in PARTS)


def test_frames_one_at_a_time() -> None:
    frames = recorded("bench-abs-dm1-bam")[:250]
    check(frames, list(range(1, 250)))


@pytest.mark.parametrize("name", RECORDINGS)
def test_a_state_stays_small(name: str) -> None:
    frames = recorded(name)
    _, largest_bytes = in_blocks(frames, list(range(200, frames.height, 200)))
    assert largest_bytes < 30_000


# Synthetic logs: pressure from up to four senders, engine and road speed, one lamp sender, trouble codes in single
# frames and in broadcasts, on two buses; also equal times, silences of seconds, and repeated and missing packets.
def pressure_frame(code: int) -> bytes:
    return bytes([code, code, code, code, 255, 255, 255, 255])


KINDS = st.one_of(
    st.tuples(st.sampled_from([B1 | 49, AIR1 | 49, AIR1 | 0, B1 | 11]), st.integers(0, 255).map(pressure_frame)),
    st.tuples(st.just(EEC1), st.integers(0, 255).map(lambda c: bytes([255, 255, 255, 0, c, 255, 255, 255]))),
    st.tuples(st.just(CCVS1 | 49), st.binary(min_size=8, max_size=8)),
    st.tuples(st.just(EBC1 | 11), st.binary(min_size=8, max_size=8)),
    st.tuples(
        st.sampled_from([DM1, DM1 | 11]), st.sampled_from([bytes([0, 255, 1, 0, n, 1, 255, 255]) for n in range(3)])
    ),
    st.tuples(st.just(DM1 | 3), st.binary(max_size=8)),
    st.tuples(
        st.just(TP_CM | 11),
        st.sampled_from([bytes([32, 18, 0, 3, 255, 0xCA, 0xFE, 0]), bytes([32, 9, 0, 2, 255, 0, 0, 0])]),
    ),
    st.tuples(
        st.just(TP_DT | 11),
        st.tuples(st.integers(1, 3), st.just(b"\4\xff\1\2\3\4\5")).map(lambda p: bytes([p[0]]) + p[1]),
    ),
    st.tuples(st.sampled_from([0x18FE0000, 0x1BFEAE31]), st.binary(max_size=8)),
)
STEPS_US = st.sampled_from(
    [0, 1, 20_000, 100_000, 300_000, 700_000, 750_000, 1_000_000, 1_500_000, 1_500_001, 4_000_000]
)


@st.composite
def logs(draw: st.DrawFn) -> list[Row]:
    t_us, rows = 1_900_000_000 * SECOND + draw(st.integers(0, SECOND)), []
    for can_id, data in draw(st.lists(KINDS, min_size=1, max_size=40)):
        t_us += draw(STEPS_US)
        if can_id & 0xFFFFFF00 == TP_CM and draw(st.booleans()):  # a whole broadcast
            rows.append((t_us, can_id, bytes([32, 18, 0, 3, 255, 0xCA, 0xFE, 0]), "can0"))
            for number in (1, 2, 3):
                t_us += 50_000
                rows.append((t_us, TP_DT | 11, bytes([number]) + b"\4\xff\1\2\3\4\5", "can0"))
        else:
            channel = draw(st.sampled_from(["can0", "can0", "can1"])) if can_id & 0xFFFFFF00 in {DM1, TP_DT} else "can0"
            rows.append((t_us, can_id, data, channel))
    return rows


@settings(max_examples=60, deadline=None)
@given(rows=logs(), data=st.data())
def test_any_log_cut_anywhere_says_what_the_whole_says(rows: list[Row], data: st.DataObject) -> None:
    frames = as_frames(rows)
    cuts = data.draw(st.lists(st.integers(0, frames.height), max_size=5).map(sorted))
    check(frames, cuts)


def b1(at_s: float, code: int = 200, channel: str = "can0") -> Row:
    return (round((1_900_000_000 + at_s) * SECOND), B1 | 49, pressure_frame(code), channel)


def engine(at_s: float) -> Row:
    return (round((1_900_000_000 + at_s) * SECOND), EEC1, bytes([255, 255, 255, 0, 20, 255, 255, 255]), "can0")


def lamp(at_s: float, *, is_on: bool, source: int = 11) -> Row:
    data = bytes([255, 255, 255, 255, 255, 0b11011111 if is_on else 0b11001111, 255, 255])
    return (round((1_900_000_000 + at_s) * SECOND), EBC1 | source, data, "can0")


def seconds(frame: pl.DataFrame) -> list[float]:
    return [t / SECOND - 1_900_000_000 for t in frame["t"].to_physical()]


def test_a_sample_waits_until_it_is_settled_and_no_longer() -> None:
    decoded, state = join_frames(as_frames([b1(i) for i in range(10)]), None)
    assert seconds(decoded.samples) == [0, 1, 2, 3, 4, 5, 6, 7]  # one sender: 1.5 s, and 0.1 s for disorder
    assert state is not None
    decoded, state = join_frames(as_frames([b1(i) for i in range(10, 13)]), state)
    assert seconds(decoded.samples) == [8, 9, 10]
    assert state is not None
    assert seconds(flush(state).samples) == [11, 12]


def test_at_the_end_of_a_log_nothing_is_held_back() -> None:
    blocks = [as_frames([b1(i) for i in range(at, at + 5)]) for at in (0, 5)]
    decoded, state = join_frames(blocks[0], None)
    more, after = join_frames(blocks[1], state, is_end=True)
    assert (seconds(decoded.samples) + seconds(more.samples), after) == (list(range(10)), None)
    rest, after = join_frames(as_frames([]), state, is_end=True)
    assert (seconds(decoded.samples) + seconds(rest.samples), after) == (list(range(5)), None)
    assert join_frames(as_frames([]), None, is_end=True)[1] is None


def test_frames_that_are_a_little_out_of_order_over_the_border_are_sorted() -> None:
    rows = [b1(i, code=100 + i) for i in range(6)] + [engine(i + 0.5) for i in range(6)]
    whole = decode_frames(as_frames(sorted(rows)))
    late = [*sorted(rows)[:6], sorted(rows)[7], sorted(rows)[6], *sorted(rows)[8:]]
    shifted = [(t - 450_000 if i == EEC1 else t, i, d, c) for t, i, d, c in late]  # 50 ms after the pressure before it
    results, _ = in_blocks(as_frames(shifted), [7])
    assert seconds(put_together(results, "samples")) == seconds(whole.samples)


def test_a_late_block_begins_anew_and_nothing_is_lost() -> None:
    log = [as_frames([b1(i) for i in range(at, at + 10)]) for at in range(0, 40, 10)]
    state, results = None, []
    for block in (log[0], log[3], log[1], log[2]):  # the third was heard before the dead zone's backlog
        decoded, state = join_frames(block, state)
        results.append(decoded)
    assert state is not None
    results.append(flush(state))
    assert seconds(put_together(results, "samples")) == list(range(40))
    again, state = join_frames(log[2], state)  # sent twice
    assert seconds(again.samples) == [*range(20, 28), 28, 29]


def test_a_block_that_overlaps_what_is_held_back_says_each_sample_once() -> None:
    decoded, state = join_frames(as_frames([b1(i) for i in range(10)]), None)
    again, _ = join_frames(as_frames([b1(i) for i in range(8, 20)]), state)
    assert seconds(decoded.samples) + seconds(again.samples) == list(range(18))


def test_after_a_long_silence_lamps_are_told_again() -> None:
    def told(silence_s: float) -> list[float]:
        decoded, state = join_frames(as_frames([lamp(0, is_on=True), lamp(1, is_on=True)]), None)
        more, state = join_frames(as_frames([lamp(1 + silence_s, is_on=True), lamp(9 + silence_s, is_on=False)]), state)
        assert state is not None
        events = [decoded.lamp_events, more.lamp_events, flush(state).lamp_events]
        return seconds(pl.concat(events))

    assert told(60) == [0, 69]
    assert told(61) == [0, 62, 70]


def test_a_better_lamp_sender_counts_from_when_it_is_heard() -> None:
    """Address 11 is preferred: signals.toml."""
    blocks = [
        [lamp(0, is_on=True, source=99)],
        [lamp(1, is_on=False)],
        [lamp(2, is_on=True, source=99)],
        [lamp(3, is_on=True)],
    ]
    frames = as_frames([row for block in blocks for row in block])
    results, _ = in_blocks(frames, [1, 2, 3])
    events = put_together(results, "lamp_events")
    assert list(zip(seconds(events), events["is_on"], strict=True)) == [(0, True), (1, False), (3, True)]


def test_a_log_that_does_not_move_on_in_time_is_not_held_back(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("airwatch.can.joined._MAX_ROWS", 100)
    decoded, state = join_frames(as_frames([b1(0)] * 101), None)
    assert (seconds(decoded.samples), state) == ([0], None)


def test_transfers_that_nobody_goes_on_with_are_let_go() -> None:
    t_us = 1_900_000_000 * SECOND
    head = bytes([32, 18, 0, 3, 255, 0xCA, 0xFE, 0])
    opened = [(t_us + n, TP_CM | n % 250, head, f"can{n // 250}") for n in range(1000)]
    _, state = join_frames(as_frames([*opened, b1(0.5)]), None)
    assert state is not None
    assert len(state.transfers) == 1000
    decoded, state = join_frames(as_frames([b1(2)]), state)
    assert state is not None
    assert (state.transfers, decoded.counts.n_broken_transfers) == ((), 1000)


def test_blocks_without_a_used_frame_leave_the_state_as_it_is() -> None:
    nothing = as_frames([(1_900_000_000 * SECOND, 0x18FE0000, b"", "can0")])
    decoded, state = join_frames(nothing, None)
    assert (state, decoded.samples.height, decoded.counts) == (None, 0, CanCounts(n_frames=1, n_unused=1))
    _, state = join_frames(as_frames([b1(0)]), None)
    assert join_frames(nothing, state)[1] is state
    without_channel, _ = join_frames(as_frames([b1(i) for i in range(9)]).drop("channel"), None)
    assert without_channel.samples.columns == decode_frames(nothing).samples.columns == decoded.samples.columns
    assert without_channel.samples.schema == decoded.samples.schema == decode_frames(nothing).samples.schema


def test_what_can_not_be_decoded_is_refused_as_by_decode_frames() -> None:
    with pytest.raises(FrameError):
        join_frames(pl.DataFrame({"t": [1]}), None)
    with pytest.raises(ValueError, match="keep_alive_s must be above 0"):
        join_frames(as_frames([]), None, keep_alive_s=0)


def test_a_state_of_another_version_is_none() -> None:
    assert CanState.from_bytes(b"\x80") is None
    assert CanState.from_bytes(b"") is None
