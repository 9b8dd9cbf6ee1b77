import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.can.dm1 import ActiveCodes, Code, keep_changes, parse_dm1
from airwatch.can.j1939 import decode_frames
from airwatch.can.transport import Received

LAMPS = b"\x04\xff"
NOTHING = "00000000"


def codes(*dtcs: str, tail: str = "") -> list[tuple[int, int, int]]:
    parsed = parse_dm1(LAMPS + bytes.fromhex("".join(dtcs) + tail))
    assert parsed is not None
    return [(code.spn, code.fmi, code.count) for code in parsed.codes]


# EE100400, 61021381 and 21061F23 are the examples of Equipment-and-Tool-Institute/j1939-84,
# DiagnosticTroubleCodeTest.java. 7302057F is what a real truck's brake controller sent (SPN 627 FMI 5, no count).
# 45234503 is SPN 0x12345, FMI 5, count 3 by hand from juergenH87/python-can-j1939, test_dtc_conversion_methods.py
# (method 4: SPN bits 0-7, 8-15, 16-18 | FMI, count): 0x12345 has top bits 001, so the third byte is 0x25.
@pytest.mark.parametrize(
    ("dtc", "spn", "fmi", "count"),
    [
        ("EE100400", 4334, 4, 0),
        ("61021381", 609, 19, 1),
        ("21061F23", 1569, 31, 35),
        ("7302057F", 627, 5, -1),
        ("45232503", 0x12345, 5, 3),
        ("FEFFFF7E", 524286, 31, 126),
    ],
)
def test_worked_examples_of_the_layout(dtc: str, spn: int, fmi: int, count: int) -> None:
    assert codes(dtc, tail="FFFF") == [(spn, fmi, count)]


@pytest.mark.parametrize("dtc", [NOTHING, "FFFFFFFF", "00001F00", "FFFFE000"])  # SPN 0 and 524287
def test_no_fault(dtc: str) -> None:
    assert codes(dtc, tail="FFFF") == []


def test_the_set_is_sorted_and_has_each_code_once() -> None:
    assert codes("15030201", "2B030D7F", "15030205", NOTHING) == [(789, 2, 1), (811, 13, -1)]


def test_old_conversion_methods_are_counted() -> None:
    assert parse_dm1(LAMPS + bytes.fromhex("61021381" + "61021401")) == ActiveCodes(
        (Code(609, 19, 1), Code(609, 20, 1)), 1
    )


@pytest.mark.parametrize("data", ["", "04", "04FF", "04FF150302", "04FF1503027E1603", "04FF1503027EFFFF01"])
def test_an_impossible_length_is_malformed(data: str) -> None:
    assert parse_dm1(bytes.fromhex(data)) is None


code = st.tuples(st.integers(1, 0x7FFFE), st.integers(0, 31), st.integers(0, 127))


@given(st.lists(code, min_size=1, max_size=20, unique_by=lambda c: c[:2]))
def test_any_codes_come_back(sent: list[tuple[int, int, int]]) -> None:
    data = b"".join(bytes([s & 255, s >> 8 & 255, s >> 16 << 5 | f, n]) for s, f, n in sent)
    parsed = parse_dm1(LAMPS + data)
    expected = sorted(Code(s, f, -1 if n == 127 else n) for s, f, n in sent)
    assert parsed == ActiveCodes(tuple(expected), 0)


def report(t_s: float, dtc: str, source: int = 11, channel: int = 0) -> Received:
    return Received(round(t_s * 1e6), source, channel, LAMPS + bytes.fromhex(dtc) + b"\xff\xff")


def kept(*messages: Received, keep_alive_s: float = 60.0) -> list[tuple[float, int]]:
    reports = keep_changes(messages, keep_alive_us=round(keep_alive_s * 1e6)).reports
    return [
        (t.timestamp(), source) for t, source in reports.with_columns(t=reports["t"].dt.replace_time_zone("UTC")).rows()
    ]


def test_repeated_reports_stay_as_one_and_a_sign_of_life_each_minute() -> None:
    assert kept(*(report(s, "15030201") for s in range(150))) == [(0, 11), (60, 11), (120, 11)]
    assert kept(*(report(s, "15030201") for s in range(9)), keep_alive_s=4) == [(0, 11), (4, 11), (8, 11)]


def test_every_change_stays_and_restarts_the_minute() -> None:
    sent = [report(s, "15030201" if s < 30 else NOTHING) for s in range(100)]
    assert kept(*sent) == [(0, 11), (30, 11), (90, 11)]


def test_a_risen_occurrence_count_is_a_change_and_lamps_are_not() -> None:
    flashing = Received(1_500_000, 11, 0, b"\x40\x00" + bytes.fromhex("15030202FFFF"))
    assert kept(report(0, "15030201"), report(1, "15030202"), flashing) == [(0, 11), (1, 11)]


def test_sources_are_apart_and_a_second_channel_is_the_same_again() -> None:
    sent = [report(0, "15030201", 11), report(0.1, "15030201", 3), report(0.2, NOTHING, 11, channel=1)]
    assert kept(*sent) == [(0, 11), (0.1, 3)]
    assert keep_changes(sent, keep_alive_us=1).n_other_channel == 1


def test_reports_and_codes_as_frames() -> None:
    sent = [report(0, "1503027F"), report(1, NOTHING), Received(2_000_000, 11, 0, b"\x04\xff\x01")]
    found = keep_changes(sent, keep_alive_us=60_000_000)
    assert found.reports["source_address"].to_list() == [11, 11]
    assert found.codes.drop("t").rows() == [(11, 789, 2, None)]
    assert (found.n_dm1, found.n_malformed) == (3, 1)


def test_two_reports_of_one_instant_leave_the_later_one() -> None:
    found = keep_changes([report(0, "15030201"), report(0, "16030201")], keep_alive_us=1)
    assert found.codes["spn"].to_list() == [790]


def test_keep_alive_has_to_be_positive() -> None:
    empty = keep_changes([], keep_alive_us=1).reports.select("t").with_columns(can_id=1, data=b"")
    with pytest.raises(ValueError, match="keep_alive_s must be above 0; got 0"):
        decode_frames(empty, keep_alive_s=0)
