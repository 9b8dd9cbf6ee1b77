"""The share of defective brakes, against published counts and a plain second count."""

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.hand.judge import judge_entries
from airwatch.hand.share import DefectiveShare, defective_share, stroke_counts
from airwatch.hand.tables import shipped_tables
from tests.hand.made import INCH, entry, frame, units

WHEELS = [("K-1", f"{axle}{side}") for axle in (1, 2, 3) for side in "LR"] + [
    ("R-1", f"{axle}{side}") for axle in (1, 2) for side in "LR"
]
LIMITS = {"K-1": {"1": 1.75, "2": 2.0, "3": 2.0}, "R-1": {"1": 2.5, "2": 2.5}}  # in; 49 CFR 393.47(e), see test_tables


def limit_of(unit: str, position: str) -> float:
    return LIMITS[unit][position[0]]


def shared(*rows: dict[str, object]) -> DefectiveShare:
    registry = units()
    share = defective_share(judge_entries(frame(*rows), registry), registry.to_dicts())
    assert share is not None
    return share


def strokes(beyond_in: dict[tuple[str, str], float], otherwise: float = -0.5) -> list[dict[str, object]]:
    return [
        entry("stroke", limit_of(*wheel) + beyond_in.get(wheel, otherwise), "in", unit=wheel[0], position=wheel[1])
        for wheel in WHEELS
    ]


# State police officer quoted in the trade press: a brake 1/4 in or more beyond its limit is defective, one 1/8 in
# beyond is half; on ten brakes it takes two, however one gets there. Quebec C-24.2 r.32 s.166(9): 6.4 mm, and 20 %.
@pytest.mark.parametrize(
    ("beyond_in", "count"), [(-0.25, 0), (0.0, 0), (0.0625, 0.5), (0.125, 0.5), (0.1875, 0.5), (0.25, 1), (0.5, 1)]
)
@pytest.mark.parametrize("limit_in", [1.25, 1.375, 1.75, 2.0, 2.5])
def test_what_one_stroke_counts(limit_in: float, beyond_in: float, count: float) -> None:
    got = stroke_counts((limit_in + beyond_in) * INCH, limit_in * INCH, shipped_tables().share)
    assert got == Fraction(count)


@pytest.mark.parametrize(
    ("whole", "half", "count", "is_out"),
    [(2, 0, 2, True), (1, 2, 2, True), (0, 4, 2, True), (1, 1, 1.5, False), (0, 3, 1.5, False), (1, 0, 1, False)],
)
def test_two_of_ten_brakes_are_out_however_one_gets_there(whole: int, half: int, count: float, *, is_out: bool) -> None:
    beyond = dict.fromkeys(WHEELS[:whole], 0.375) | dict.fromkeys(WHEELS[whole : whole + half], 0.125)
    share = shared(*strokes(beyond))
    assert (share.n_brakes, share.n_measured, share.count) == (10, 10, Fraction(count))
    assert (share.verdict == "fail") == is_out
    assert share.share == pytest.approx(count / 10)


def test_brakes_all_well_within_pass() -> None:
    share = shared(*strokes({}))
    assert (share.verdict, share.least, share.most) == ("pass", 0, 0)


def test_what_nobody_measured_may_be_defective() -> None:
    share = shared(*strokes({})[:9])
    assert (share.verdict, share.n_measured, share.most) == ("pass", 9, 1)  # one of ten is not yet out
    assert shared(*strokes({})[:8]).verdict == "unknown"
    assert shared().verdict == "unknown"


def test_a_stroke_at_its_limit_leaves_room_for_doubt() -> None:
    share = shared(*strokes(dict.fromkeys(WHEELS[:4], 0.0)))
    assert (share.count, share.least, share.most, share.verdict) == (0, 0, 2, "unknown")


def test_one_brake_counts_once_and_the_newest_entry_holds() -> None:
    worn = entry("lining_drum", 0.1, "in", position="2L")
    leaking = entry("brake", finding="audible_leak", position="2L")
    half = strokes({("K-1", "2L"): 0.125})
    assert shared(*half, worn, leaking).count == 1
    mended = {**entry("brake", finding="ok", position="2L"), "id": "z"}
    assert shared(*half, leaking, mended).count == Fraction(1, 2)


def test_hoses_and_lamps_have_rules_of_their_own() -> None:
    assert shared(*strokes({}), entry("hose", finding="bulge", position="2L")).count == 0


def test_a_defect_on_the_steering_axle_is_named_and_a_trailers_first_axle_is_none() -> None:
    share = shared(*strokes({("K-1", "1R"): 0.25, ("R-1", "1L"): 0.25}))
    assert share.steer == ("K-1 1R",)


def test_without_a_number_of_brakes_there_is_no_share() -> None:
    registry = units(chambers=None, axles=None)
    assert defective_share(judge_entries(frame(), registry), registry.to_dicts()) is None


def by_hand(beyond_sixteenths: list[int | None]) -> tuple[float, float, float]:
    """Count brake by brake in sixteenths of an inch, which a tape has, as read, at least and at most."""

    def one(sixteenths: float) -> float:
        return 0.0 if sixteenths <= 0 else 1.0 if sixteenths >= 4 else 0.5

    read = sum(0.0 if n is None else one(n) for n in beyond_sixteenths)
    least = sum(0.0 if n is None else one(n - 1) for n in beyond_sixteenths)
    most = sum(1.0 if n is None else one(n + 1) for n in beyond_sixteenths)
    return read, least, most


@settings(deadline=None)
@given(st.lists(st.none() | st.integers(-8, 8), min_size=10, max_size=10))
def test_any_ten_brakes_are_counted_as_by_hand(beyond_sixteenths: list[int | None]) -> None:
    rows = [
        entry("stroke", limit_of(*wheel) + n / 16, "in", unit=wheel[0], position=wheel[1])
        for wheel, n in zip(WHEELS, beyond_sixteenths, strict=True)
        if n is not None
    ]
    share, (read, least, most) = shared(*rows), by_hand(beyond_sixteenths)
    assert (float(share.count), float(share.least), float(share.most)) == (read, least, most)
    assert share.verdict == ("fail" if least >= 2 else "pass" if most < 2 else "unknown")


@settings(deadline=None)
@given(st.permutations(range(10)), st.integers(0, 9))
def test_a_longer_stroke_never_makes_fewer_defects(order: list[int], longer: int) -> None:
    before = {WHEELS[i]: rank / 16 - 0.3 for rank, i in enumerate(order)}
    after = before | {WHEELS[longer]: before[WHEELS[longer]] + 0.2}
    assert shared(*strokes(after)).count >= shared(*strokes(before)).count
