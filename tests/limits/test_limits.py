import polars as pl
import pytest

from airwatch.errors import LimitTableError
from airwatch.limits.judge import as_judged, judge
from airwatch.limits.table import limits_frame, parse_defaults, parse_limits, shipped_defaults, shipped_limits

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


# Each figure as its source has it, in the units of readings (1 psi = 6.894757 kPa, NIST SP 811).
@pytest.mark.parametrize(
    ("rule", "low", "high"),
    [
        ("us-cdl-build-up-85-100", None, 45.0),  # CDL model manual section 5: within 45 s
        ("us-fmvss121-build-up-85-100", None, 25.0),  # 49 CFR 571.121 S5.1.1: 25 s x actual / required
        ("us-cdl-governor-cut-out", 827.37, 965.27),  # CDL gauge check: 120 to 140 psi
        ("us-fmvss121-cut-in", 689.48, None),  # Federal Register 96-3258: 100 psi
        ("us-leak-static-single", None, 13.79),  # CDL model manual section 5, brakes released: 2 psi/min
        ("us-leak-static-combination", None, 20.68),  # common practice: 3 psi in one minute
        ("ca-on-governor-cut-out", None, 1000.0),  # Ontario handbook: 1000 kPa
        ("ca-on-governor-cut-in", 552.0, None),  # Ontario handbook: 552 kPa
    ],
)
def test_figures_are_their_sources(rule: str, low: float | None, high: float | None) -> None:
    row = limits_frame(shipped_limits()).filter(rule=rule).row(0, named=True)
    assert row["edge_low"] == (None if low is None else pytest.approx(low, abs=0.01))
    assert row["edge_high"] == (None if high is None else pytest.approx(high, abs=0.01))


@pytest.mark.parametrize(
    ("change", "complaint"),
    [
        (("high = 45.0", ""), "'made-up': neither low nor high"),
        (("high = 45.0", "high = 45.0\nlow = 50.0"), "low 50 is not below high 45"),
        (('unit = "s"', 'unit = "h"'), "unit 'h' is none of"),
        (('source = "a test"\n', ""), "a source is needed"),
        (('status = "read"', 'status = "guess"'), "status"),
        (('section = "1"', 'section = "1"\nhihg = 3.0'), "hihg"),
        (('unit = "s"', 'unit = "s"\ntest = 100.0'), "test pressure belongs to a leak rate"),
        (('id = "made-up"\n', ""), "id"),
        (("[[limit]]", "[[limit]"), "limit table"),
    ],
)
def test_a_row_that_cannot_judge_is_refused(change: tuple[str, str], complaint: str) -> None:
    with pytest.raises(LimitTableError, match=complaint):
        parse_limits(ROW.replace(*change))


def test_repeated_ids_and_bad_defaults_are_refused() -> None:
    with pytest.raises(LimitTableError, match="stand twice: made-up"):
        parse_limits(ROW + ROW)
    with pytest.raises(LimitTableError, match="'x' has no table"):
        parse_defaults('default_rule_set = "x"\n[rule_set.us]\nkind = "tractor"\ngoverned_rpm = 2000.0')
    assert {limit.rule_set for limit in shipped_limits()} == set(shipped_defaults().rule_set)


def reading(value: float, half: float | None = 0.0, **about: object) -> pl.DataFrame:
    row = {
        "check": "build_up_time",
        "value": value,
        "lower": None if half is None else value - half,
        "upper": None if half is None else value + half,
        "kind": "tractor",
        "rule_set": "us",
        "reservoir_ratio": 1.0,
        "is_combination": True,
    }
    numbers = {"value": pl.Float64, "lower": pl.Float64, "upper": pl.Float64, "reservoir_ratio": pl.Float64}
    return pl.DataFrame([{**row, **about}], schema_overrides={**numbers, "is_combination": pl.Boolean})


def verdict(frame: pl.DataFrame) -> tuple[str, str | None]:
    row = judge(frame, limits_frame(shipped_limits())).row(0, named=True)
    return row["verdict"], row["rule"]


CDL, FMVSS = "us-cdl-build-up-85-100", "us-fmvss121-build-up-85-100"


@pytest.mark.parametrize(
    ("value", "half", "expected"),
    [
        (16.0, 1.0, ("pass", CDL)),
        (25.0, 0.0, ("pass", CDL)),  # equal has not crossed
        (25.1, 0.0, ("watch", FMVSS)),
        (24.8, 1.0, ("pass", CDL)),  # an edge that could only say watch does not make it unknown
        (45.0, 0.0, ("watch", FMVSS)),
        (44.5, 1.0, ("unknown", CDL)),
        (46.1, 1.0, ("fail", CDL)),
        (50.0, None, ("unknown", CDL)),
    ],
)
def test_verdicts_of_a_build_up(value: float, half: float | None, expected: tuple[str, str]) -> None:
    assert verdict(reading(value, half)) == expected


# 49 CFR 571.121 S5.1.1: a vehicle with twice the required reservoir volume has 50 s
def test_the_new_vehicle_limit_grows_with_the_reservoirs() -> None:
    row = judge(reading(40.0, reservoir_ratio=2.0), limits_frame(shipped_limits())).row(0, named=True)
    assert row["verdict"] == "pass"
    assert verdict(reading(30.0, reservoir_ratio=1.1)) == ("watch", FMVSS)


# Choked flow: mass flow is proportional to absolute pressure. 12.5 kPa/min at 690 kPa gauge is 12.5 x 963.2 / 791.3 =
# 15.2 kPa/min at 125 psi (861.8 kPa), over 2 psi/min (13.8) though 12.5 is not.
def test_a_leak_is_judged_at_the_rules_own_pressure() -> None:
    assert verdict(reading(12.5, check="leak_static", is_combination=False)) == ("fail", "us-leak-static-single")
    assert verdict(reading(11.0, check="leak_static", is_combination=False)) == ("pass", "us-leak-static-single")
    judged = judge(reading(12.5, 1.0, check="leak_static", is_combination=False), limits_frame(shipped_limits()))
    row = as_judged(judged, limits_frame(shipped_limits())).row(0, named=True)
    assert (row["judged"], row["judged_lower"]) == (pytest.approx(15.21, abs=0.01), pytest.approx(14.0, abs=0.01))
    assert verdict(reading(12.5, check="leak_static")) == ("pass", "us-leak-static-combination")
    assert verdict(reading(12.5, check="leak_static", is_combination=None)) == ("pass", "us-leak-static-combination")


def test_without_a_rule_nothing_is_claimed() -> None:
    assert verdict(reading(12.5, check="leak_static", rule_set="un_r13")) == ("unknown", None)
