"""Forecasts: what passes, what does not, and what nobody knows."""

from datetime import timedelta
from importlib.resources import files
from itertools import product
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.alerts.frames import ALERTS
from airwatch.derive.frames import READINGS
from airwatch.errors import FrameError, LimitTableError
from airwatch.hand.tables import shipped_tables
from airwatch.readiness.evidence import EVIDENCE, evidence
from airwatch.readiness.forecast import FORECAST, chance_under, forecast, out_halves
from airwatch.readiness.look import attention_sheet, look_first, summary
from airwatch.readiness.settings import parse_settings, shipped_settings
from tests.hand.made import NOW, entry, frame, units
from tests.hand.test_compare import stream

SETTINGS = shipped_settings()
WHEELS = ["1L", "1R", "2L", "2R", "3L", "3R"]
AT = NOW + timedelta(days=10)


def strokes(inches: float, wheels: list[str] = WHEELS, days: float = 0.0) -> list[dict[str, Any]]:
    return [
        entry("stroke", inches, "in", position=wheel, id=f"{wheel}{inches}{days}", taken_at=NOW - timedelta(days=days))
        for wheel in wheels
    ]


def alert(fault: str, **known: Any) -> dict[str, Any]:
    row = {
        "id": fault, "fleet": "north", "unit": "K-1", "fault": fault, "severity": "high", "confidence": 0.9,
        "opened": NOW, "updated": NOW, "state": "open", "summary": "", "details": "{}",
    }  # fmt: skip
    return {**row, **known}


def forecasted(
    item: str,
    entries: list[dict[str, Any]] | None = None,
    readings: list[dict[str, Any]] | None = None,
    alerts: list[dict[str, Any]] | None = None,
    **known: Any,
) -> dict[str, Any]:
    registry, focuses = units(**known), SETTINGS.of([item])
    found = evidence(
        pl.DataFrame(readings or [], schema=READINGS), frame(*(entries or [])), registry, focuses, at=AT,
        answers=SETTINGS.answers,
    )  # fmt: skip
    got = forecast(found, pl.DataFrame(alerts or [], schema=ALERTS), registry, focuses, at=AT, settings=SETTINGS)
    return got.filter(pl.col("unit") == "K-1").row(0, named=True)


def test_strokes_well_within_on_all_wheels_are_ready() -> None:
    got = forecasted("stroke", strokes(1.25))
    assert got["answer"] == "ready"
    assert got["chance"] == got["at_most"] > 0.98
    assert got["lacks"] is None


def test_a_wheel_that_nobody_measured_makes_it_unknown() -> None:
    got = forecasted("stroke", strokes(1.25, WHEELS[:5]))
    assert (got["answer"], got["chance"]) == ("unknown", None)
    assert got["at_most"] > 0.98
    assert got["lacks"] == "no stroke known of 3R"


def test_what_is_known_to_be_bad_is_not_ready_however_much_is_unknown() -> None:
    got = forecasted("stroke", strokes(2.5, WHEELS[2:3]))
    assert (got["answer"], got["chance"]) == ("not ready", None)
    assert got["at_most"] == pytest.approx(SETTINGS.answers.judged_otherwise, abs=1e-3)


def test_nothing_known_is_unknown_and_not_half() -> None:
    for item in ("hoses", "air_loss_applied", "abs"):
        got = forecasted(item)
        assert (got["answer"], got["chance"], got["at_most"], got["lacks"]) == (
            "unknown",
            None,
            1.0,
            "nothing is known",
        )
    assert forecasted("stroke", chambers=None, axles=None)["lacks"] == (
        "the registry does not say which wheel ends it has"
    )


def test_age_makes_a_measurement_less_sure_and_in_the_end_worthless() -> None:
    chances = [forecasted("stroke", strokes(1.625, days=days))["chance"] for days in (0, 30, 60, 100)]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] - chances[-1] > 0.05
    assert forecasted("stroke", strokes(1.625, days=111))["answer"] == "unknown"


def test_parts_multiply() -> None:
    one = forecasted("stroke", strokes(1.72, ["1L"]), chambers="1L:20")["chance"]
    six = forecasted("stroke", strokes(1.72), chambers=";".join(f"{wheel}:20" for wheel in WHEELS))["chance"]
    assert six == pytest.approx(one**6)


def test_a_leak_is_one_thing_seen_in_several_tanks() -> None:
    readings = [
        stream("leak_applied", 20.0, 4.0, circuit="primary"),
        stream("leak_applied", 20.0, 4.0, circuit="secondary"),
    ]
    both, one = forecasted("air_loss_applied", None, readings), forecasted("air_loss_applied", None, readings[:1])
    assert both["chance"] == pytest.approx(one["chance"])


# CDL model manual, section 5: build-up 85 to 100 psi within 45 s binds; 25 s (49 CFR 571.121 S5.1.1) binds the maker.
@pytest.mark.parametrize(("seconds", "answer"), [(30.0, "ready"), (49.0, "not ready"), (60.0, "not ready")])
def test_only_limits_that_bind_an_inspected_vehicle_count(seconds: float, answer: str) -> None:
    assert forecasted("build_up", None, [stream("build_up_time", seconds, 3.0)])["answer"] == answer
    assert forecasted("build_up", [entry("build_up", seconds, "s")])["answer"] == answer


def test_a_newer_measurement_stands_for_an_older_one_of_the_other_kind() -> None:
    old = stream("build_up_time", 70.0, 3.0, days=3)
    assert forecasted("build_up", [entry("build_up", 25.0, "s")], [old])["answer"] == "ready"
    assert forecasted("build_up", [entry("build_up", 25.0, "s")], [{**old, "end": NOW}])["answer"] == "not ready"


def test_findings_wear_out_and_a_defect_stays_until_it_is_mended() -> None:
    ok = entry("hose", finding="ok", position="glad hand")
    assert forecasted("hoses", [ok])["answer"] == "ready"
    assert forecasted("hoses", [ok, entry("hose", finding="bulge", position="2L")])["answer"] == "not ready"
    mended = entry("hose", finding="ok", position="2L", id="z", taken_at=NOW)
    assert forecasted("hoses", [ok, entry("hose", finding="bulge", position="2L"), mended])["answer"] == "ready"


def test_an_open_alert_lowers_the_chance_and_a_closed_one_does_not() -> None:
    sound = [stream("leak_applied", 10.0, 3.0, circuit="primary")]
    assert forecasted("air_loss_applied", None, sound)["answer"] == "ready"
    got = forecasted("air_loss_applied", None, sound, [alert("leak_applied")])
    assert got["chance"] == pytest.approx(1 - 0.9 * 0.8)
    assert "open alert of leak applied, confidence 90%" in got["rests_on"]
    for state in ("verified", "repaired", "dismissed"):
        assert forecasted("air_loss_applied", None, sound, [alert("leak_applied", state=state)])["answer"] == "ready"
    assert forecasted("air_loss_applied", None, sound, [alert("abs_active")])["answer"] == "ready"


def test_a_trend_that_likely_crosses_on_that_day_leaves_half() -> None:
    sound = [stream("build_up_time", 20.0, 3.0)]
    crossing = {
        f"crossing_{which}": NOW + timedelta(days=days) for which, days in (("early", 5), ("likely", 10), ("late", 30))
    }
    got = forecasted("build_up", None, sound, [alert("compressor_weak", **crossing)])
    assert got["chance"] == pytest.approx(0.5)


def test_a_trailers_leak_speaks_of_the_trailer_too() -> None:
    registry, focuses = units(), SETTINGS.of(["air_loss_released"])
    alerts = pl.DataFrame([alert("leak_trailer", trailer="R-1")], schema=ALERTS)
    got = forecast(pl.DataFrame(schema=EVIDENCE), alerts, registry, focuses, at=AT, settings=SETTINGS)
    assert got.filter(pl.col("unit") == "R-1")["answer"].to_list() == ["not ready"]


def test_codes_and_lamps_are_taken_by_their_verdict() -> None:
    active = stream("abs_fault", 1.0, 0.0, measure="count", part="1L", state="active", verdict="fail")
    assert forecasted("abs", None, [active])["answer"] == "not ready"
    gone = stream("abs_fault", 0.0, 0.0, measure="count", part="1L", state="cleared")
    assert forecasted("abs", None, [gone])["answer"] == "ready"
    assert forecasted("abs", None, [gone, {**active, "part": "1R"}])["answer"] == "not ready"


def test_nothing_is_ever_quite_sure() -> None:
    for value in (1.0, 500.0):
        chance = forecasted("air_loss_applied", None, [stream("leak_applied", value, 0.1, circuit="primary")])["chance"]
        assert 0.0 < chance < 1.0


# Sound now (0.98 by what may be missed) and for ten days and two hours at 0.001 a day; the interval leaves no doubt.
def test_what_is_far_within_its_limit_still_ages() -> None:
    chance = forecasted("air_loss_applied", None, [stream("leak_applied", 1.0, 0.1, circuit="primary")])["chance"]
    assert chance == pytest.approx(0.98 * np.exp(-0.001 * (10 + 2 / 24)), abs=1e-6)


def test_a_trailer_is_not_asked_for_its_compressor() -> None:
    focuses = SETTINGS.of([focus.id for focus in SETTINGS.item])
    got = forecast(
        pl.DataFrame(schema=EVIDENCE), pl.DataFrame(schema=ALERTS), units(), focuses, at=AT, settings=SETTINGS
    )
    asked = got.filter(pl.col("unit") == "R-1")["item"].to_list()
    assert "build_up" not in asked
    assert {"stroke", "hoses", "abs", "defective_share"} <= set(asked)


# ---- the share of defective brakes ----


@pytest.mark.parametrize(("n", "halves"), [(4, 2), (6, 3), (8, 4), (10, 4), (12, 5), (14, 6), (18, 8)])
def test_how_many_halves_are_out(n: int, halves: int) -> None:
    assert out_halves(n, shipped_tables().share) == halves


CHANCES = st.lists(st.floats(0, 1), min_size=3, max_size=3).filter(lambda row: sum(row) > 0.01)


@given(st.lists(CHANCES, min_size=1, max_size=5), st.integers(0, 10))
def test_the_chance_is_the_sum_over_all_ways(brakes: list[list[float]], halves: int) -> None:
    shares = np.array([np.array(row) / sum(row) for row in brakes])
    ways = product(range(3), repeat=len(brakes))
    by_hand = sum(
        float(np.prod([shares[i, counts] for i, counts in enumerate(way)])) for way in ways if sum(way) < halves
    )
    assert chance_under(shares, halves) == pytest.approx(by_hand, abs=1e-9)


def test_the_share_follows_from_strokes_and_from_what_was_found() -> None:
    assert forecasted("defective_share", strokes(1.25))["answer"] == "ready"
    bad = [entry("brake", finding="audible_leak", position=wheel) for wheel in ("1L", "2L")]
    got = forecasted("defective_share", strokes(1.25) + bad)
    assert got["answer"] == "not ready"
    assert "perhaps defective: 1L (95%), 2L (95%)" in got["rests_on"]
    assert forecasted("defective_share", strokes(1.25) + bad[:1])["answer"] == "ready"  # one of six is under a fifth


# ---- lists and sheets ----


def fleet_forecast(*entries: dict[str, Any]) -> pl.DataFrame:
    registry, focuses = units(), SETTINGS.of(["stroke", "hoses", "abs"])
    found = evidence(pl.DataFrame(schema=READINGS), frame(*entries), registry, focuses, at=AT, answers=SETTINGS.answers)
    return forecast(found, pl.DataFrame(schema=ALERTS), registry, focuses, at=AT, settings=SETTINGS)


def test_the_list_begins_with_what_is_known_to_be_bad() -> None:
    rows = look_first(fleet_forecast(*strokes(1.25), entry("hose", finding="bulge", position="2L")), SETTINGS)
    assert rows.row(0, named=True)["item"] == "hoses"
    assert rows["risk"].to_list() == sorted(rows["risk"], reverse=True)
    assert ("K-1", "stroke") not in rows.select("unit", "item").rows()
    assert rows["why"].null_count() == rows["shop"].null_count() == 0


def test_the_drivers_sheet_touches_nothing_and_sets_the_shops_work_apart() -> None:
    made = fleet_forecast(*strokes(1.25), entry("hose", finding="bulge", position="2L"))
    sheet = attention_sheet(made, "north", "K-1", SETTINGS)
    assert [line.item for line in sheet.driver] == [line.item for line in sheet.shop] == ["hoses", "abs"]
    assert sheet.driver[0].why.startswith("this was found to be bad")
    assert "hose 2L: 5% by hand" in sheet.shop[0].why
    assert "never clears a vehicle" in sheet.caution
    nobody = attention_sheet(made, "north", "X-9", SETTINGS)
    assert (nobody.driver, nobody.shop) == ((), ())


def test_no_line_for_the_driver_tells_to_touch_or_mend() -> None:
    words = ("adjust ", "replace", "tighten", "remove", "cage", "drain", "loosen", "crawl")
    for focus in SETTINGS.item:
        assert [word for word in words if word in focus.driver.lower()] == [], focus.id


def test_the_summary_counts_units_by_answer() -> None:
    got = summary(fleet_forecast(*strokes(1.25)))
    assert got.filter(pl.col("item") == "stroke").rows() == [("stroke", 1, 0, 0, 1)]


# ---- settings ----


def test_an_item_that_is_not_in_the_table_is_named() -> None:
    with pytest.raises(LimitTableError, match="focus items: tyres is none of stroke, "):
        SETTINGS.of(["stroke", "tyres"])


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('id = "lining"', 'id = "stroke"', "ids stand twice: stroke"),
        ("not_ready = 0.50", "not_ready = 0.95", "not_ready must be below"),
        ('hand = ["hose"]\n', "", "'hoses' has neither hand items nor checks"),
        ("weight = 1.5", "weight = -1.5", "Expected `float` > 0"),
        ("missed = 0.02", "mised = 0.02", "unknown field `mised`"),
    ],
)
def test_settings_that_are_wrong_are_refused(old: str, new: str, said: str) -> None:
    text = files("airwatch.readiness").joinpath("items.toml").read_text("utf-8")
    assert old in text
    with pytest.raises(LimitTableError, match=said):
        parse_settings(text.replace(old, new, 1))


def test_a_missing_column_is_named() -> None:
    with pytest.raises(FrameError, match="forecast needs"):
        forecast(
            pl.DataFrame(schema=EVIDENCE).drop("chance"), pl.DataFrame(schema=ALERTS), units(), [], at=AT,
            settings=SETTINGS,
        )  # fmt: skip
    with pytest.raises(FrameError, match="look_first needs"):
        look_first(pl.DataFrame(schema=FORECAST).drop("risk"), SETTINGS)


def test_a_measurement_is_carried_on_by_its_drift_and_its_growing_doubt() -> None:
    (focus,) = SETTINGS.of(["stroke"])
    found = evidence(
        pl.DataFrame(schema=READINGS), frame(*strokes(1.5, ["2L"])), units(), [focus], at=AT, answers=SETTINGS.answers
    ).row(0, named=True)
    assert found["age_days"] == 10.0
    assert found["value"] == pytest.approx(1.5 * 25.4 + 10 * focus.drift)
    assert found["sd_above"] == pytest.approx(np.hypot(25.4 / 16 / 1.96, 10 * focus.drift_sd))


def test_what_is_not_known_ranks_by_what_is_usual() -> None:
    (focus,) = SETTINGS.of(["hoses"])
    assert forecasted("hoses")["risk"] == pytest.approx(focus.weight * focus.usual_fail)
