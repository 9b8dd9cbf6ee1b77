"""The limit table: each figure against its source, and what is refused."""

import re

import pytest

from airwatch.errors import LimitTableError
from airwatch.limits.table import ANY, limits_frame, parse_defaults, parse_limits, shipped_defaults, shipped_limits

ROW = """
[[limit]]
id = "made-up"
rule_set = "us"
check = "build_up_time"
kinds = ["tractor"]
coupling = "any"
high = 45.0
unit = "s"
breach = "fail"
condition = "none"
jurisdiction = "nowhere"
source = "a test"
section = "1"
status = "read"
"""
RULES = {limit.id: limit for limit in shipped_limits()}


# Each figure as its source has it, in the units of readings (1 psi = 6.894757 kPa, NIST SP 811).
@pytest.mark.parametrize(
    ("rule", "low", "high"),
    [
        ("us-cdl-build-up-85-100", None, 45.0),  # CDL model manual section 5: within 45 s
        ("us-fmvss121-build-up-85-100", None, 25.0),  # 49 CFR 571.121 S5.1.1: 25 s x actual / required
        ("us-cdl-build-up-50-90", None, 180.0),  # CDL gauge check: within 3 min
        ("us-cdl-governor-cut-out", 827.37, 965.27),  # CDL gauge check: 120 to 140 psi
        ("us-fmvss121-cut-in", 689.48, None),  # Federal Register 96-3258: 100 psi
        ("us-leak-static-single", None, 13.79),  # CDL model manual section 5, brakes released: 2 psi/min
        ("us-leak-static-combination", None, 20.68),  # the same: 3 psi/min
        ("us-cdl-leak-applied-single", None, 20.68),  # the same, applied: 3 psi/min
        ("us-cdl-leak-applied-combination", None, 27.58),  # the same: 4 psi/min
        ("us-393-51-low-air", 379.21, None),  # 49 CFR 393.51(c), from memory: 55 psi
        ("us-fmvss121-low-air", 413.69, None),  # 49 CFR 571.121 S5.1.5: 60 psi
        ("us-393-43-protection-valve", 137.90, 310.26),  # 49 CFR 393.43(b), from memory: 20 to 45 psi
        ("un-r13-t1", None, 180.0),  # UN R13 Annex 7 2.4, from memory: 3 min
        ("un-r13-t2-tractor", None, 540.0),  # the same: 9 min
        ("ca-on-build-up-85-100", None, 120.0),  # Ontario handbook: 2 min
        ("ca-on-governor-cut-out", None, 1000.0),  # Ontario handbook: 1000 kPa
        ("ca-on-leak-applied-single", None, 21.0),  # Ontario handbook: 21 kPa in one minute
        ("ca-qc-governor-cut-in", 550.0, None),  # Quebec r.32 s.38: before 550 kPa
        ("ca-qc-tractor-keeps-major", 138.0, None),  # Quebec r.32 s.166(6): 138 kPa
        ("ca-bc-governor-cut-out", 723.95, 930.79),  # British Columbia manual: 105 to 135 psi
        ("nz-build-up-five-applications", None, 90.0),  # New Zealand VIRM: 90 s
        ("au-wa-build-up", None, 300.0),  # Western Australia reg. 334: 5 min
        ("eaeu-leak-released", None, 1.6667),  # EAEU 2.1.25: 0.05 MPa in 30 min
        ("eaeu-leak-applied", None, 3.3333),  # EAEU 2.1.25: 0.05 MPa in 15 min
        ("any-duty-watch", None, 25.0),  # common practice: about 25 %
        ("any-leak-applied-combination", None, 27.58),  # common practice: 4 psi in one minute
    ],
)
def test_figures_are_their_sources(rule: str, low: float | None, high: float | None) -> None:
    row = limits_frame(shipped_limits()).filter(rule=rule).row(0, named=True)
    assert row["edge_low"] == (None if low is None else pytest.approx(low, abs=0.01))
    assert row["edge_high"] == (None if high is None else pytest.approx(high, abs=0.01))


# Where a source prints a figure in two units, the row's own figure is the other one within the rounding of the source.
@pytest.mark.parametrize(
    ("rule", "edge", "printed_psi", "rounding_psi"),
    [
        ("ca-qc-governor-cut-out", "low", 117, 0.5),  # Quebec r.32 s.38: 805 kPa (117 psi)
        ("ca-qc-governor-cut-out", "high", 137, 0.5),  # the same: 945 kPa (137 psi)
        ("ca-qc-low-air", "low", 55, 0.5),  # the same: 380 kPa (55 psi)
        ("ca-qc-leak-applied-single", "high", 5.8, 0.05),  # s.166(5): 40 kPa (5.8 psi)
        ("ca-qc-leak-applied-combination", "high", 7.0, 0.05),  # 48 kPa (7.0 psi)
        ("ca-qc-leak-applied-multi", "high", 9.0, 0.05),  # 62 kPa (9.0 psi)
        ("ca-on-governor-cut-out", "high", 145, 0.5),  # Ontario: 1000 kPa (145 psi)
        ("ca-on-governor-cut-in", "low", 80, 0.5),  # 552 kPa (80 psi)
        ("ca-on-leak-applied-single", "high", 3, 0.5),  # 21 kPa (3 psi)
        ("ca-on-leak-applied-combination", "high", 4, 0.5),  # 28 kPa (4 psi)
        ("ca-on-leak-applied-multi", "high", 6, 0.5),  # 41 kPa (6 psi)
        ("ca-on-low-air", "low", 55, 0.5),  # 380 kPa (55 psi)
        ("au-low-air", "low", 60, 1.0),  # Australian inspection text: 420 kPa (60 psi), which are 60.9
        ("au-low-air-older", "low", 50, 1.0),  # 350 kPa (50 psi), which are 50.8
    ],
)
def test_kpa_and_psi_of_a_source_agree(rule: str, edge: str, printed_psi: float, rounding_psi: float) -> None:
    limit = RULES[rule]
    kpa = limit.canonical(getattr(limit, edge))
    assert kpa is not None
    assert kpa / 6.894757 == pytest.approx(printed_psi, abs=rounding_psi)


# A test that is named by its span names it as the source prints it: Ontario 587 -> 690 kPa (85 -> 100 psi), British
# Columbia 345 -> 620 kPa (50 -> 90 psi), Quebec 350 -> 620 kPa.
@pytest.mark.parametrize(
    ("rule", "kpa", "psi"),
    [("ca-on-build-up-85-100", (587, 690), (85, 100)), ("ca-bc-build-up-50-90", (345, 620), (50, 90))],
)
def test_spans_agree_in_both_units(rule: str, kpa: tuple[int, int], psi: tuple[int, int]) -> None:
    condition = RULES[rule].condition
    assert f"{kpa[0]} to {kpa[1]} kPa" in condition
    assert f"{psi[0]} to {psi[1]} psi" in condition
    assert [p * 6.894757 for p in psi] == [pytest.approx(k, abs=1.1) for k in kpa]


def test_tests_of_a_span_are_named_as_the_readings_name_them() -> None:
    named = {
        limit.rule_set: limit.test
        for limit in shipped_limits()
        if limit.rule_set in ("ca_qc", "ca_bc", "au_wa") and limit.test
    }
    assert named == {"ca_qc": "350-620 kPa", "ca_bc": "345-620 kPa", "au_wa": "0-80% of cut-out"}
    assert all(limit.test for limit in shipped_limits() if limit.check == "build_up_span" and limit.breach != "cited")


def test_common_practice_and_standards_for_new_vehicles_never_say_fail() -> None:
    mild = [
        limit for limit in shipped_limits() if limit.status == "common practice" or "571.121" in (limit.source or "")
    ]
    assert len(mild) > 10
    assert {limit.breach for limit in mild} <= {"watch", "cited"}


def test_un_r13_has_no_leak_rate_and_only_the_figures_that_are_public() -> None:
    rows = [limit for limit in shipped_limits() if limit.rule_set == "un_r13"]
    assert not [limit for limit in rows if limit.check.startswith("leak_")]
    assert {limit.check for limit in rows if limit.breach != "cited"} == {"build_up_span"}


def test_what_is_disputed_has_a_row_for_each_figure() -> None:
    lows = {RULES[id_].low for id_ in ("us-393-51-low-air", "us-fmvss121-low-air", "us-cdl-low-air-older")}
    assert lows == {55.0, 60.0}
    topics = {limit.topic for limit in shipped_limits() if limit.check in ("low_air_warning", "protection_valve")}
    assert len(topics) == 2


def test_limits_for_any_unit_hold_for_every_rule_set() -> None:
    frame = limits_frame(shipped_limits())
    sets = {limit.rule_set for limit in shipped_limits()}
    assert sets == set(shipped_defaults().rule_set) | {ANY}
    assert set(frame.filter(rule="any-duty-watch")["rule_set"]) == sets


def test_a_row_that_is_only_cited_judges_nothing() -> None:
    cited = {limit.id for limit in shipped_limits() if limit.breach == "cited"}
    assert cited
    assert not cited & set(limits_frame(shipped_limits())["rule"])


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (("high = 45.0", ""), "limit 'made-up', low, high: neither is there"),
        (("high = 45.0", "high = 45.0\nlow = 50.0"), "limit 'made-up', low: 50 is not below high 45"),
        (('unit = "s"', 'unit = "h"'), "limit 'made-up', unit: 'h' is none of"),
        (('source = "a test"\n', ""), "limit 'made-up', source: one is needed"),
        (('status = "read"', 'status = "guess"'), "limit 'made-up': Invalid enum value 'guess' - at `$.status`"),
        (('section = "1"', 'section = "1"\nhihg = 3.0'), "limit 'made-up': Object contains unknown field `hihg`"),
        (("high = 45.0", "hihg = 45.0"), "limit 'made-up': Object contains unknown field `hihg`"),
        (("high = 45.0", 'high = "45"'), "limit 'made-up': Expected `float | null`, got `str` - at `$.high`"),
        (('unit = "s"', 'unit = "s"\ntest_pressure = 100.0'), "limit 'made-up', test_pressure: it belongs to a leak"),
        (('unit = "s"', 'unit = "%"\nat_rpm = 900.0'), "limit 'made-up', at_rpm: it belongs to a time"),
        (('unit = "s"', 'unit = "s"\nshare_of_cut_out = 0.5'), "limit 'made-up', share_of_cut_out: it lowers"),
        (
            ('source = "a test"\nsection = "1"\nstatus = "read"', 'section = ""\nstatus = "common practice"'),
            "limit 'made-up', breach: common practice can say watch, not fail",
        ),
        (('kinds = ["tractor"]', 'kinds = ["tracktor"]'), "limit 'made-up': Invalid enum value 'tracktor'"),
        (('id = "made-up"\n', ""), "limit 'number 1': Object missing required field `id`"),
        (("[[limit]]", "[[limit]"), "limit table: "),
    ],
)
def test_a_row_that_cannot_judge_is_refused_in_one_line(change: tuple[str, str], complaint: str) -> None:
    assert change[0] in ROW
    with pytest.raises(LimitTableError, match=f"^{re.escape(complaint)}") as refused:
        parse_limits(ROW.replace(*change))
    assert "\n" not in str(refused.value)


def test_repeated_ids_and_bad_defaults_are_refused() -> None:
    with pytest.raises(LimitTableError, match="stand twice: made-up"):
        parse_limits(ROW + ROW)
    with pytest.raises(LimitTableError, match="'x' has no table"):
        parse_defaults('default_rule_set = "x"\n[rule_set.us]\nkind = "tractor"\ngoverned_rpm = 2000.0')
