from datetime import datetime, timedelta

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.can.frames import FRAME_SCHEMA, select_frames
from airwatch.can.transport import TP_CM, TP_DT, Reassembly

T = datetime(2031, 2, 3)  # noqa: DTZ001 - times inside the program are UTC without a zone
DM1, OTHER = 65226, 65259
Frame = tuple[int, bytes]


def broadcast(source: int, data: bytes, *, pgn: int = DM1, destination: int = 255) -> list[Frame]:
    """Announce and send a message: SAE J1939-21 as in python-can-j1939, `j1939_21.py`."""
    n = -(-len(data) // 7)
    head = bytes([32, *len(data).to_bytes(2, "little"), n, 255, *pgn.to_bytes(3, "little")])
    packets = [bytes([i + 1]) + data[7 * i : 7 * i + 7].ljust(7, b"\xff") for i in range(n)]
    cm, dt = (0x18000000 | group << 8 | destination << 8 | source for group in (TP_CM, TP_DT))
    return [(cm, head), *((dt, packet) for packet in packets)]


def receive(frames: list[Frame], step_s: float = 0.05) -> tuple[list[tuple[int, bytes]], Reassembly]:
    times = [T + timedelta(seconds=i * step_s) for i in range(len(frames))]
    columns = {"t": times, "can_id": [i for i, _ in frames], "data": [data for _, data in frames]}
    taken, _ = select_frames(pl.DataFrame(columns, schema=FRAME_SCHEMA), [TP_CM, TP_DT])
    reassembly = Reassembly(DM1)
    return [(m.source_address, m.data) for m in reassembly.run(taken)], reassembly


TEN, LONG = bytes(range(10)), bytes(range(30))


def tally(reassembly: Reassembly) -> tuple[int, int, int]:
    return reassembly.n_complete, reassembly.n_broken, reassembly.n_stray


def test_a_message_is_complete_with_its_last_packet_and_without_filler() -> None:
    messages, reassembly = receive(broadcast(11, TEN))
    assert messages == [(11, TEN)]
    assert tally(reassembly) == (1, 0, 0)


# The packets of a broadcast of the bench recording in tests/data (address 11, 2020-05-12 23:38:14 UTC), 18 bytes.
def test_a_recorded_message() -> None:
    text = ["20120003FFCAFE00", "0104FF1503027E16", "0203027E1703027E", "031803027EFFFFFF"]
    ids = [0x18ECFF0B, 0x18EBFF0B, 0x18EBFF0B, 0x18EBFF0B]
    messages, _ = receive(list(zip(ids, map(bytes.fromhex, text), strict=True)))
    assert messages == [(11, bytes.fromhex("04FF1503027E1603027E1703027E1803027E"))]


def test_other_groups_are_passed_over_and_end_a_transfer_of_the_same_sender() -> None:
    first, second = broadcast(11, LONG), broadcast(11, TEN, pgn=OTHER)
    messages, reassembly = receive([*first[:3], *second, *first[3:]])
    assert messages == []
    assert tally(reassembly) == (0, 1, 3)


def test_a_new_announcement_starts_anew() -> None:
    messages, reassembly = receive([*broadcast(11, LONG)[:4], *broadcast(11, TEN)])
    assert messages == [(11, TEN)]
    assert tally(reassembly) == (1, 1, 0)


@pytest.mark.parametrize("lost", [1, 2, 3, 4, 5])
def test_a_lost_packet_loses_the_message(lost: int) -> None:
    frames = broadcast(11, LONG)
    messages, reassembly = receive([*frames[:lost], *frames[lost + 1 :], *broadcast(11, TEN)])
    assert messages == [(11, TEN)]
    assert tally(reassembly) == (1, 1, 5 - lost)


def test_a_lost_announcement_leaves_strays() -> None:
    messages, reassembly = receive(broadcast(11, LONG)[1:])
    assert messages == []
    assert tally(reassembly) == (0, 0, 5)


def test_a_packet_that_comes_twice_counts_once_but_not_with_other_content() -> None:
    frames = broadcast(11, LONG)
    assert receive([*frames[:3], frames[2], *frames[3:]])[0] == [(11, LONG)]
    other = (frames[2][0], frames[2][1][:-1] + b"\x63")
    assert receive([*frames[:3], other, *frames[3:]])[0] == []


def test_packets_swapped_lose_the_message() -> None:
    frames = broadcast(11, LONG)
    assert receive([*frames[:2], frames[3], frames[2], *frames[4:]])[0] == []


# T1: at most 0.75 s to the next packet (python-can-j1939, `j1939_21.py`).
@pytest.mark.parametrize(("step_s", "n"), [(0.75, 1), (0.751, 0)])
def test_a_packet_may_be_so_late_and_no_later(step_s: float, n: int) -> None:
    messages, reassembly = receive(broadcast(11, LONG), step_s)
    assert len(messages) == n
    assert reassembly.n_broken == 1 - n


@pytest.mark.parametrize(
    "head",
    [
        "20080002FFCAFE00",
        "20FA06FFFFCAFE00",
        "20120002FFCAFE00",
        "20120004FFCAFE00",
    ],  # too short, too long, 18 bytes in 2 or 4
)
def test_an_announcement_that_contradicts_itself_is_not_followed(head: str) -> None:
    frames = [(0x18ECFF0B, bytes.fromhex(head)), *broadcast(11, bytes(18))[1:]]
    messages, reassembly = receive(frames)
    assert messages == []
    assert tally(reassembly) == (0, 1, 3)


def test_what_is_addressed_to_one_node_is_not_a_broadcast() -> None:
    messages, reassembly = receive([*broadcast(11, TEN, destination=49), (0x18ECFF0B, bytes.fromhex("FF010203"))])
    assert messages == []
    assert tally(reassembly) == (0, 0, 0)


def test_an_unfinished_message_is_counted() -> None:
    assert tally(receive(broadcast(11, LONG)[:-1])[1]) == (0, 1, 0)


def test_a_short_last_packet_is_enough_if_it_holds_the_rest() -> None:
    frames = broadcast(11, TEN)
    whole, cut = frames[2][1][:4], frames[2][1][:3]
    assert receive([*frames[:2], (frames[2][0], whole)])[0] == [(11, TEN)]
    assert receive([*frames[:2], (frames[2][0], cut)])[0] == []


payload = st.binary(min_size=9, max_size=60)


@given(data=st.data(), sent=st.dictionaries(st.integers(0, 253), st.lists(payload, min_size=1, max_size=3), max_size=4))
def test_any_interleaving_of_senders_gives_each_message_once(data: st.DataObject, sent: dict[int, list[bytes]]) -> None:
    queues = {
        source: [f for message in messages for f in broadcast(source, message)] for source, messages in sent.items()
    }
    order = data.draw(st.permutations([source for source, queue in queues.items() for _ in queue]))
    frames = [queues[source].pop(0) for source in order]
    messages, reassembly = receive(frames, step_s=0.001)
    assert {source: [m for s, m in messages if s == source] for source in sent} == sent
    assert tally(reassembly) == (sum(map(len, sent.values())), 0, 0)


@given(data=st.data(), sent=st.lists(payload, min_size=1, max_size=4))
def test_whatever_is_lost_each_announcement_ends_whole_or_broken(data: st.DataObject, sent: list[bytes]) -> None:
    frames = [frame for message in sent for frame in broadcast(11, message)]
    kept = data.draw(st.lists(st.booleans(), min_size=len(frames), max_size=len(frames)))
    left = [frame for frame, keep in zip(frames, kept, strict=True) if keep]
    messages, reassembly = receive(left)
    whole = [m for _, m in messages]
    if all(kept):
        assert whole == sent
    n_announced = sum(can_id == 0x18ECFF0B for can_id, _ in left)
    assert reassembly.n_complete + reassembly.n_broken == n_announced
    assert all(len(message) in {len(s) for s in sent} for message in whole)
