"""Tests by hand beside the stream: when they differ, and what that points to."""

from datetime import datetime, timedelta
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.derive.frames import READINGS
from airwatch.errors import FrameError
from airwatch.hand.compare import compare
from airwatch.hand.judge import judge_entries
from tests.hand.made import NOW, PSI, entry, frame, units


def stream(check: str, value: float, half: float | None = 5.0, *, days: float = 0.0, **known: Any) -> dict[str, Any]:
    """Make one reading of K-1 that ended two hours before `NOW`, ``days`` earlier."""
    end: datetime = NOW - timedelta(hours=2, days=days)
    row = {
        "fleet": "north", "unit": "K-1", "check": check, "start": end - timedelta(minutes=10), "end": end,
        "value": value, "lower": None if half is None else value - half,
        "upper": None if half is None else value + half,
        "measure": "kPa", "verdict": "pass", "run_start": end - timedelta(hours=5),
    }  # fmt: skip
    return {**row, **known}


def compared(rows: list[dict[str, Any]], readings: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return compare(judge_entries(frame(*rows), units()), pl.DataFrame(readings, schema=READINGS)).to_dicts()


def cut_out(psi: float, **known: Any) -> dict[str, Any]:
    return entry("governor_cut_out", psi, "psi", **known)


# half of the hand reading 14 kPa (2 psi), of the stream 5: together 14.87 kPa (added as squares)
@pytest.mark.parametrize(("kpa", "outcome"), [(880.0, "agree"), (894.8, "agree"), (894.9, "differ"), (865.0, "differ")])
def test_they_differ_beyond_their_joined_uncertainty(kpa: float, outcome: str) -> None:
    (row,) = compared([entry("governor_cut_out", kpa, "kPa")], [stream("governor_cut_out", 880.0)])
    assert row["outcome"] == outcome
    assert row["allowed"] == pytest.approx(14.866, abs=0.001)
    assert row["difference"] == pytest.approx(kpa - 880.0)


@settings(deadline=None)
@given(st.floats(600, 1000), st.floats(1, 40), st.floats(-100, 100))
def test_the_outcome_is_the_same_whichever_is_larger(kpa: float, half: float, off: float) -> None:
    outcomes = {
        row["outcome"]
        for sign in (1, -1)
        for row in compared([cut_out((kpa + sign * off) / PSI)], [stream("governor_cut_out", kpa, half)])
    }  # fmt: skip
    is_clear = abs(abs(off) - (14.0**2 + half**2) ** 0.5) > 1e-6
    assert outcomes == {"differ" if abs(off) > (14.0**2 + half**2) ** 0.5 else "agree"} or not is_clear


@pytest.mark.parametrize(
    ("readings", "said"),
    [
        ([], "the stream has no reading within half a day"),
        ([stream("governor_cut_out", 880.0, days=1)], "the stream has no reading within half a day"),
        ([stream("governor_cut_out", 880.0, None)], "the stream's reading has no interval"),
        ([stream("governor_cut_in", 880.0)], "the stream has no reading within half a day"),
    ],
)
def test_what_can_not_be_compared_is_unknown_and_says_why(readings: list[dict[str, Any]], said: str) -> None:
    (row,) = compared([cut_out(130)], readings)
    assert (row["outcome"], row["likely"]) == ("unknown", None)
    assert row["says"] == f"governor cut out can't be compared: {said}"


def test_a_build_up_at_idle_is_not_compared_with_one_at_governed_speed() -> None:
    (row,) = compared([{**entry("build_up", 60.0, "s"), "finding": "idle"}], [stream("build_up_time", 20.0)])
    assert "timed at idle" in row["says"]


def test_a_gauge_that_is_off_is_off_everywhere_and_the_stream_is_as_usual() -> None:
    usual = [stream("governor_cut_out", 880.0 + n, days=n) for n in range(2, 8)]
    readings = [*usual, stream("governor_cut_out", 880.0), stream("low_air_warning", 450.0)]
    first, _ = compared([cut_out(135), entry("low_air_warning", 73.0, "psi")], readings)
    assert (first["outcome"], first["likely"]) == ("differ", "gauge")
    assert first["for_gauge"] == [
        "low air warning read that day is off the same way", "the stream reads 880.0 kPa, about its usual 884.5"
    ]  # fmt: skip
    assert "it points to the gauge" in first["says"]


def test_a_sensor_that_jumped_is_told_by_its_own_past() -> None:
    usual = [stream("governor_cut_out", 880.0 + n, days=n) for n in range(2, 8)]
    (row,) = compared([cut_out(128)], [*usual, stream("governor_cut_out", 800.0)])
    assert (row["outcome"], row["likely"], row["for_gauge"]) == ("differ", "sensor", [])
    assert row["for_sensor"] == ["the test gave the stream's usual 884.5 kPa, and that day the stream did not"]


def test_the_same_gauge_sound_on_another_unit_points_to_the_sensor() -> None:
    readings = [stream("governor_cut_out", 800.0), stream("governor_cut_out", 880.0, unit="R-1")]
    first, second = compared([cut_out(128), cut_out(128, unit="R-1")], readings)
    assert (first["likely"], second["outcome"]) == ("sensor", "agree")
    off = [stream("governor_cut_out", 800.0), stream("governor_cut_out", 800.0, unit="R-1")]
    assert [row["likely"] for row in compared([cut_out(128), cut_out(128, unit="R-1")], off)] == ["gauge", "gauge"]


def test_one_reading_off_where_others_agree_points_to_the_test() -> None:
    readings = [stream("governor_cut_out", 880.0), stream("low_air_warning", 450.0)]
    first, second = compared([cut_out(140), entry("low_air_warning", 450.0, "kPa")], readings)
    assert (first["likely"], second["outcome"]) == ("test", "agree")
    assert first["for_test"] == ["gauge and stream agree on low air warning that day"]


def test_a_leak_tested_with_another_coupling_points_to_the_test() -> None:
    readings = [stream("leak_applied", 40.0, trailer="R-1", circuit="primary")]
    (row,) = compared([entry("leak_applied", 0.5, "psi/min", position="single")], readings)
    assert (row["outcome"], row["likely"]) == ("differ", "test")
    assert row["for_test"] == ["by hand it was a single test, the stream's was with a trailer coupled"]


def test_nothing_known_leaves_it_open() -> None:
    (row,) = compared([cut_out(140)], [stream("governor_cut_out", 880.0)])
    assert (row["outcome"], row["likely"]) == ("differ", None)
    assert "nothing known tells which" in row["says"]


# Choked flow is as absolute pressure: a leak at 690 kPa is (690 + 101.3) / (862 + 101.3) of that at 862 (125 psi).
def test_a_leak_is_referred_to_the_streams_pressure_and_may_have_begun_anywhere_up_to_full() -> None:
    (row,) = compared(
        [entry("leak_released", 6.0, "psi/min", position="combination")],
        [
            stream("leak_released", 20.0, circuit="secondary"),
            stream("leak_released", 37.0, 2.0, circuit="primary", trailer="R-1"),
        ],
    )
    assert row["stream"] == 37.0  # the tank that falls fastest
    assert row["hand_upper"] == pytest.approx(6 * PSI + 7)
    assert row["hand_lower"] == pytest.approx((6 * PSI - 7) * 791.325 / 963.325, rel=1e-6)
    assert row["outcome"] == "agree"


def test_only_what_the_stream_measures_too_is_compared() -> None:
    assert compared([entry("stroke", 1.5, "in", position="2L"), entry("hose", finding="ok")], []) == []
    with pytest.raises(FrameError, match="compare needs"):
        compare(frame(cut_out(130)), pl.DataFrame(schema=READINGS))


def test_the_side_of_an_interval_that_faces_the_other_counts() -> None:
    reading = stream("governor_cut_out", 880.0, lower=870.0, upper=930.0)
    outcomes = [
        compared([entry("governor_cut_out", kpa, "kPa")], [reading])[0]["outcome"] for kpa in (900.0, 860.0)
    ]  # fmt: skip
    assert outcomes == ["agree", "differ"]  # 20 kPa off: 51.9 allowed above, 17.2 below


def test_a_gauge_that_agrees_elsewhere_that_day_is_not_blamed() -> None:
    rows = [cut_out(140), entry("low_air_warning", 75.0, "psi"), entry("governor_cut_in", 700.0, "kPa")]
    readings = [stream("governor_cut_out", 880.0), stream("low_air_warning", 450.0), stream("governor_cut_in", 700.0)]
    first, _, third = compared(rows, readings)
    assert (third["outcome"], first["likely"], first["for_gauge"]) == ("agree", "test", [])
