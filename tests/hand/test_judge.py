"""Hand measurements against the cited tables, with worked examples from public sources."""

import pytest

from airwatch.errors import FrameError
from airwatch.hand.judge import judge_entries
from tests.hand.made import PSI, entry, frame, units


def verdict(row: dict[str, object], **known: object) -> tuple[str, str | None]:
    judged = judge_entries(frame(row), units(**known)).row(0, named=True)
    return judged["verdict"], judged["rule"]


# Trade press, article on measuring strokes: a type 30 chamber, 1 1/2 in measured, limit 2 in: passes.
def test_the_stroke_of_a_published_example_passes() -> None:
    assert verdict(entry("stroke", 1.5, "in", position="2L")) == ("pass", "us-393-47-e-clamp-30-standard")


@pytest.mark.parametrize(
    ("inches", "expected"),
    [(1.9375, "pass"), (2.0, "unknown"), (2.0625, "unknown"), (2.125, "fail"), (2.25, "fail")],
)
def test_a_stroke_fails_when_a_sixteenth_less_would_too(inches: float, expected: str) -> None:
    assert verdict(entry("stroke", inches, "in", position="2L"))[0] == expected


def test_the_same_stroke_in_other_units_gets_the_same_verdict() -> None:
    assert verdict(entry("stroke", 57.15, "mm", position="2L")) == verdict(entry("stroke", 2.25, "in", position="2L"))


def test_a_long_stroke_chamber_may_go_farther() -> None:
    assert verdict(entry("stroke", 2.25, "in", position="1L", unit="R-1")) == ("pass", "us-393-47-e-clamp-30-long")


@pytest.mark.parametrize("known", [{"chambers": None}, {"chambers": "2L:17"}])
def test_a_stroke_of_an_unknown_chamber_is_unknown(known: dict[str, object]) -> None:
    assert verdict(entry("stroke", 1.0, "in", position="2L"), **known) == ("unknown", None)


# 49 CFR 393.47(d) and 396 Appendix A 1.a(6): steer 1/4 in (in use, a continuous strip 3/16),
# other drum 1/4, disc 1/8 in.
@pytest.mark.parametrize(
    ("item", "inches", "position", "expected"),
    [
        ("lining_drum", 0.5, "1L", ("pass", "us-396a-steer-drum")),
        ("lining_drum", 0.1875 + 0.0001, "1L", ("fail", "us-396a-steer-drum")),
        ("lining_drum", 0.25, "1L", ("unknown", "us-396a-steer-drum")),
        ("lining_drum", 0.2, "2L", ("fail", "us-393-47-other-drum")),
        ("lining_drum", 0.3, "2L", ("pass", "us-393-47-other-drum")),
        ("lining_disc", 0.2, "1L", ("pass", "us-393-47-steer-disc")),
        ("lining_disc", 0.09, "2L", ("fail", "us-393-47-other-disc")),
    ],
)
def test_lining_minima(item: str, inches: float, position: str, expected: tuple[str, str]) -> None:
    assert verdict(entry(item, inches, "in", position=position)) == expected


def test_a_steer_lining_too_thin_by_one_rule_perhaps_says_which_one_it_keeps() -> None:
    judged = judge_entries(frame(entry("lining_drum", 0.22, "in", position="1L")), units())
    assert judged["verdict"].item() == "unknown"  # 1/32 in more would be enough for the periodic inspection
    assert "enough by another rule: in use, shoe with a continuous strip" in judged["remark"].item()
    assert judged["limit_low"].item() == pytest.approx(6.35)


def test_the_first_axle_of_a_trailer_does_not_steer() -> None:
    assert verdict(entry("lining_drum", 0.5, "in", position="1L", unit="R-1"))[1] == "us-393-47-other-drum"


# CDL model manual, section 5 (Georgia edition): 2 and 3 psi/min released, 3 and 4 applied.
@pytest.mark.parametrize(
    ("item", "psi_min", "coupling", "expected"),
    [
        ("leak_released", 0.9, "single", "pass"),
        ("leak_released", 2.0, "single", "unknown"),
        ("leak_released", 3.1, "single", "fail"),
        ("leak_released", 1.9, "combination", "pass"),
        ("leak_applied", 1.9, "single", "pass"),
        ("leak_applied", 2.9, "combination", "pass"),
        ("leak_applied", 5.1, "combination", "fail"),
    ],
)
def test_air_loss_of_one_vehicle_and_of_a_combination(item: str, psi_min: float, coupling: str, expected: str) -> None:
    assert verdict(entry(item, psi_min, "psi/min", position=coupling))[0] == expected


def test_a_leak_test_by_hand_is_the_rules_own_and_not_referred_to_another_pressure() -> None:
    judged = judge_entries(frame(entry("leak_released", 3.1, "psi/min", position="single")), units())
    assert judged["limit_high"].item() == pytest.approx(2 * PSI, rel=1e-6)
    assert judged["canonical"].item() == pytest.approx(3.1 * PSI, rel=1e-6)


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        (entry("build_up", 20.0, "s"), "pass"),
        (entry("build_up", 60.0, "s"), "fail"),  # CDL manual: 45 s
        (entry("low_air_warning", 68.0, "psi"), "pass"),
        (entry("low_air_warning", 45.0, "psi"), "fail"),  # 49 CFR 393.51(c): 55 psi, from memory
        (entry("governor_cut_out", 130.0, "psi"), "pass"),
        (entry("governor_cut_out", 150.0, "psi"), "fail"),  # CDL manual: 120 to 140 psi
        (entry("pop_out", 30.0, "psi", position="trailer supply"), "pass"),
        (entry("pop_out", 15.0, "psi", position="trailer supply"), "fail"),  # CDL manual: 20 to 45 psi
        (entry("governor_cut_in", 90.0, "psi"), "watch"),  # 49 CFR 571.121 S5.1.1.1: new trucks 100 psi
    ],
)
def test_timed_tests_and_gauge_readings_are_judged_by_the_streams_table(row: dict[str, object], expected: str) -> None:
    assert verdict(row)[0] == expected


# Ontario air brake handbook: at most 2 min from 85 to 100 psi at 600 to 900 1/min.
def test_a_build_up_at_idle_is_held_against_rules_for_idle_alone() -> None:
    idle = {**entry("build_up", 100.0, "s"), "finding": "idle"}
    assert verdict(idle, rule_set="ca_on") == ("pass", "ca-on-build-up-85-100")
    assert verdict(entry("build_up", 100.0, "s"), rule_set="ca_on")[0] == "fail"  # 120 s at 900 is 54 s at 2000 1/min
    assert verdict(idle) == ("unknown", None)


@pytest.mark.parametrize(
    ("item", "finding", "position", "expected"),
    [
        ("hose", "bulge", "glad hand, left", "fail"),
        ("hose", "chafed", "2L", "watch"),
        ("drum_rotor", "heat_checks", "2L", "watch"),
        ("brake", "audible_leak", "3R", "fail"),
        ("abs_lamp", "stays_on", "trailer", "fail"),
        ("low_air_lamp", "ok", None, "pass"),
    ],
)
def test_findings_have_the_tables_verdict(item: str, finding: str, position: str | None, expected: str) -> None:
    assert verdict(entry(item, finding=finding, position=position)) == (expected, f"{item}-{finding}")


def test_the_order_of_entries_is_kept_and_a_missing_column_is_named() -> None:
    rows = frame(
        entry("hose", finding="ok"), entry("stroke", 1.0, "in", position="1L"), entry("build_up", 20.0, "s"),
        entry("lining_disc", 0.5, "in", position="1L"),
    )  # fmt: skip
    assert judge_entries(rows, units())["id"].to_list() == rows["id"].to_list()
    assert judge_entries(rows.clear(), units()).is_empty()
    with pytest.raises(FrameError, match="judge_entries needs"):
        judge_entries(rows.drop("by"), units())
