"""Readings against the shipped limits and against small tables of their own."""

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.derive.frames import as_measured
from airwatch.derive.readings import judged as judged_readings
from airwatch.limits.judge import as_judged, judge
from airwatch.limits.table import Limit, limits_frame, shipped_limits
from tests.derive.samples import facts

PSI = 6.894757  # kPa, NIST SP 811 (2008), appendix B.8
SHIPPED = limits_frame(shipped_limits())
CDL, FMVSS, SHOP = "us-cdl-build-up-85-100", "us-fmvss121-build-up-85-100", "any-build-up-85-100"

SCHEMA = pl.Schema(
    {
        "check": pl.String(), "test": pl.String(), "value": pl.Float64(), "lower": pl.Float64(), "upper": pl.Float64(),
        "kind": pl.String(), "rule_set": pl.String(), "reservoir_ratio": pl.Float64(), "governed_rpm": pl.Float64(),
        "cut_out_kpa": pl.Float64(), "is_combination": pl.Boolean(),
    }
)  # fmt: skip


def reading(value: float, half: float | None = 0.0, **about: object) -> pl.DataFrame:
    row = {
        "check": "build_up_time",
        "value": value,
        "lower": None if half is None else value - half,
        "upper": None if half is None else value + half,
        "kind": "tractor",
        "rule_set": "us",
        "reservoir_ratio": 1.0,
        "governed_rpm": 2100.0,
        "is_combination": True,
    }
    return pl.DataFrame([{**row, **about}], schema=SCHEMA)


def judged(frame: pl.DataFrame, limits: pl.DataFrame = SHIPPED) -> dict[str, object]:
    return judge(frame, limits).row(0, named=True)


def verdict(frame: pl.DataFrame, limits: pl.DataFrame = SHIPPED) -> tuple[object, object]:
    row = judged(frame, limits)
    return row["verdict"], row["rule"]


@pytest.mark.parametrize(
    ("value", "half", "expected"),
    [
        (16.0, 1.0, ("pass", CDL)),
        (25.0, 0.0, ("pass", CDL)),  # equal has not crossed
        (25.1, 0.0, ("watch", FMVSS)),
        (24.8, 1.0, ("unknown", FMVSS)),  # perhaps to watch: can't say
        (45.0, 0.0, ("watch", FMVSS)),
        (44.5, 1.0, ("unknown", CDL)),  # perhaps beyond what binds goes before to watch for certain
        (46.1, 1.0, ("fail", CDL)),
        (50.0, None, ("unknown", CDL)),
    ],
)
def test_verdicts_of_a_build_up(value: float, half: float | None, expected: tuple[str, str]) -> None:
    assert verdict(reading(value, half)) == expected


def test_what_the_governing_limit_leaves_unsaid_is_remarked() -> None:
    assert judged(reading(24.8, 1.0))["remark"] == f"within {CDL}, which binds"
    assert judged(reading(44.5, 1.0))["remark"] == f"beyond {FMVSS}"
    assert judged(reading(16.0))["remark"] is None
    assert judged(reading(50.0, None))["remark"] is None


# 49 CFR 571.121 S5.1.1: 25 s x actual / required volume. Required 12 x 80 = 960 in3 (S5.1.2.1), actual 1440: 37.5 s.
def test_the_new_vehicle_limit_grows_with_the_reservoirs() -> None:
    row = judged(reading(37.6, reservoir_ratio=1440 / 960))
    assert (row["verdict"], row["rule"], row["limit_high"]) == ("watch", FMVSS, pytest.approx(37.5))
    assert verdict(reading(37.4, reservoir_ratio=1440 / 960)) == ("pass", CDL)
    assert judged(reading(30.0, reservoir_ratio=None))["remark"] == (
        f"reservoirs taken as of the required volume for {FMVSS}"
    )


# Choked flow: mass flow is proportional to absolute pressure. 12.5 kPa/min at 690 kPa gauge is 12.5 x 963.2 / 791.3 =
# 15.2 kPa/min at 125 psi (861.8 kPa), over 2 psi/min (13.8) though 12.5 is not.
def test_a_leak_is_judged_at_the_rules_own_pressure() -> None:
    assert verdict(reading(12.5, check="leak_static", is_combination=False)) == ("fail", "us-leak-static-single")
    assert verdict(reading(11.0, check="leak_static", is_combination=False)) == ("pass", "us-leak-static-single")
    frame = judge(reading(12.5, 1.0, check="leak_static", is_combination=False), SHIPPED)
    row = as_judged(frame, SHIPPED).row(0, named=True)
    assert (row["judged"], row["judged_lower"]) == (pytest.approx(15.21, abs=0.01), pytest.approx(14.0, abs=0.01))
    assert verdict(reading(12.5, check="leak_static")) == ("pass", "us-leak-static-combination")
    assert verdict(reading(12.5, check="leak_static", is_combination=None)) == ("pass", "us-leak-static-combination")


# Quebec names no test pressure: 40 kPa in one minute is held against the rate at 690 kPa as it is.
def test_a_leak_without_a_test_pressure_is_judged_at_the_reference() -> None:
    at = {"check": "leak_applied", "rule_set": "ca_qc", "is_combination": False}
    assert verdict(reading(40.0, **at)) == ("pass", "ca-qc-leak-applied-single")
    assert verdict(reading(40.1, **at)) == ("fail", "ca-qc-leak-applied-single")
    assert as_judged(judge(reading(40.1, **at), SHIPPED), SHIPPED)["judged"].item() == 40.1


# 49 CFR 393.51(c), from memory: 55 psi or half of the cut-out, whichever is less. Cut-out 125: half is 62.5, so 55.
@pytest.mark.parametrize(
    ("cut_out_psi", "edge_psi"), [(125.0, 55.0), (110.0, 55.0), (109.0, 54.5), (100.0, 50.0), (None, 55.0)]
)
def test_the_low_air_warning_is_held_to_the_lower_of_two(cut_out_psi: float | None, edge_psi: float) -> None:
    at = {"check": "low_air_warning", "cut_out_kpa": None if cut_out_psi is None else cut_out_psi * PSI}
    row = judged(reading((edge_psi - 0.1) * PSI, **at))
    assert (row["verdict"], row["rule"]) == ("fail", "us-393-51-low-air")
    assert row["limit_low"] == pytest.approx(edge_psi * PSI, rel=1e-6)
    assert verdict(reading((edge_psi + 0.1) * PSI, **at))[0] != "fail"


def test_a_warning_between_the_law_and_the_new_vehicle_standard_is_to_watch() -> None:
    assert verdict(reading(57 * PSI, check="low_air_warning", cut_out_kpa=125 * PSI)) == (
        "watch",
        "us-fmvss121-low-air",
    )
    assert verdict(reading(61 * PSI, check="low_air_warning", cut_out_kpa=125 * PSI)) == ("pass", "us-393-51-low-air")


# Ontario: 120 s at up to 900 1/min. A compressor driven at 2100 1/min does it in 120 x 900 / 2100 = 51.4 s.
def test_a_time_at_another_engine_speed_is_referred_to_it() -> None:
    row = judged(reading(51.5, rule_set="ca_on"))
    assert (row["verdict"], row["rule"]) == ("fail", "ca-on-build-up-85-100")
    assert row["limit_high"] == pytest.approx(51.43, abs=0.01)
    assert 51.5 * 2100.0 / 900.0 > 120.0  # the same, said the other way round
    assert verdict(reading(51.4, rule_set="ca_on", kind="bus")) == ("pass", "ca-on-build-up-85-100")
    unknown = judged(reading(10.0, rule_set="ca_on", governed_rpm=None))
    assert (unknown["verdict"], unknown["limit_high"]) == ("unknown", None)
    assert "governed speed not known" in str(unknown["remark"])


def test_only_the_rules_own_test_is_judged_by_it() -> None:
    at = {"check": "build_up_span", "rule_set": "ca_bc"}
    assert verdict(reading(181.0, test="345-620 kPa", **at)) == ("fail", "ca-bc-build-up-50-90")
    assert verdict(reading(181.0, test="350-620 kPa", **at)) == ("unknown", None)
    assert verdict(reading(181.0, test=None, **at)) == ("unknown", None)
    assert verdict(reading(301.0, test="0-80% of cut-out", check="build_up_span", rule_set="au_wa"))[0] == "fail"


def test_three_vehicles_are_never_assumed() -> None:
    rules = {
        verdict(reading(500.0, check="leak_applied", rule_set="ca_qc", is_combination=c))[1] for c in (True, False)
    }
    assert rules == {"ca-qc-leak-applied-combination", "ca-qc-leak-applied-single"}


# 0.05 MPa in 30 min are 1.67 kPa/min.
def test_leaks_of_the_eurasian_rules() -> None:
    assert verdict(reading(1.7, check="leak_released", rule_set="eaeu")) == ("fail", "eaeu-leak-released")
    assert verdict(reading(1.6, check="leak_released", rule_set="eaeu")) == ("pass", "eaeu-leak-released")


def test_common_practice_holds_where_a_rule_set_is_silent() -> None:
    assert verdict(reading(30.0, check="compressor_duty", rule_set="nz")) == ("watch", "any-duty-watch")
    assert verdict(reading(45.0, rule_set="un_r13")) == ("watch", SHOP)


def test_an_unknown_rule_set_falls_back_on_common_practice_and_says_so() -> None:
    row = judged(reading(45.0, rule_set="atlantis"))
    assert (row["verdict"], row["rule"]) == ("watch", SHOP)
    assert row["remark"] == "rule set atlantis is not in the limit table, only common practice applied"
    assert row["rule_set"] == "atlantis"


def test_without_a_rule_nothing_is_claimed() -> None:
    row = judged(reading(12.5, check="leak_released", rule_set="un_r13"))
    assert [row[name] for name in ("verdict", "rule", "limit_low", "limit_high")] == ["unknown", None, None, None]


def test_readings_keep_their_order_and_columns() -> None:
    frame = pl.concat([reading(50.0), reading(12.5, check="leak_released", rule_set="nz"), reading(16.0)])
    result = judge(frame.with_columns(mine=pl.Series([1, 2, 3])), SHIPPED)
    assert result["mine"].to_list() == [1, 2, 3]
    assert result["verdict"].to_list() == ["fail", "unknown", "pass"]
    assert judge(frame.clear(), SHIPPED).is_empty()


# ---- against a plain second reading ---------------------------------------------------------------------------------

edges = st.none() | st.integers(0, 8).map(float)
bounds = st.none() | st.integers(-1, 9).map(float)


@st.composite
def tables(draw: st.DrawFn) -> list[Limit]:
    rows = []
    for number in range(draw(st.integers(1, 4))):
        low, high = draw(edges), draw(edges)
        if low is None and high is None:
            high = 4.0
        if low is not None and high is not None and low >= high:
            low = None
        rows.append(
            Limit(
                id=f"r{number}", rule_set="us", check="build_up_time", kinds=["tractor"], coupling="any", unit="s",
                breach=draw(st.sampled_from(["fail", "watch"])), condition="c", jurisdiction="j", section="",
                status="read", source="s", low=low, high=high,
            )
        )  # fmt: skip
    return rows


def by_hand(lower: float | None, upper: float | None, rows: list[Limit]) -> tuple[str, str]:
    """Rank as the docstring of `judge` says it, one row after the other."""
    found = []
    for rank, row in enumerate(rows):
        low = float("-inf") if row.low is None else row.low
        high = float("inf") if row.high is None else row.high
        if lower is None or upper is None:
            word = "unknown"
        elif lower > high or upper < low:
            word = row.breach
        elif low <= lower and upper <= high:
            word = "pass"
        else:
            word = "unknown"
        place = ["fail", "unknown by fail", "watch", "unknown by watch", "pass"].index(
            f"unknown by {row.breach}" if word == "unknown" else word
        )
        found.append((place, row.breach != "fail", rank, word, row.id))
    _, _, _, word, id_ = min(found)
    return word, id_


@given(rows=tables(), ends=st.tuples(bounds, bounds), values=st.tuples(bounds, bounds))
def test_the_verdict_follows_the_interval_and_not_the_point(
    rows: list[Limit], ends: tuple[float | None, float | None], values: tuple[float | None, float | None]
) -> None:
    lower, upper = ends if None in ends else sorted(ends)  # type: ignore[type-var]
    limits = limits_frame(rows)
    found = [verdict(reading(0.0, lower=lower, upper=upper).with_columns(value=pl.lit(v)), limits) for v in values]
    assert found[0] == found[1] == by_hand(lower, upper, rows)


def test_facts_of_the_unit_reach_the_verdict_and_remarks_reach_the_note() -> None:
    measured = as_measured(
        pl.DataFrame(
            [
                {"check": "low_air_warning", "value": 345.0, "lower": 344.0, "upper": 346.0, "note": "as seen"},
                {"check": "build_up_time", "value": 24.8, "lower": 23.8, "upper": 25.8, "note": None},
            ],
            schema_overrides={"note": pl.String},
        ).with_columns(fleet=pl.lit("north"), unit=pl.lit("K-1"))
    )
    known = facts(cut_out_kpa=100 * PSI)  # half of it is 50 psi, 344.7 kPa
    rows = {row["check"]: row for row in judged_readings(measured, known).iter_rows(named=True)}
    assert rows["low_air_warning"]["limit_low"] == pytest.approx(344.74, abs=0.01)
    assert (rows["low_air_warning"]["verdict"], rows["low_air_warning"]["rule"]) == ("unknown", "us-393-51-low-air")
    assert rows["low_air_warning"]["note"] == "as seen; beyond us-cdl-low-air"
    assert rows["build_up_time"]["note"] == f"within {CDL}, which binds"
