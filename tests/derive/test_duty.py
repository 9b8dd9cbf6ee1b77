"""Duty, cycles and air for each application, against the simulated compressor's true state and made cycles."""

from typing import Any

import numpy as np
import polars as pl
import pytest

from airwatch.derive.duty import duty_readings
from airwatch.derive.governor import governor_readings
from airwatch.derive.runs import run_table
from airwatch.derive.swings import SWING
from airwatch.derive.turns import governor_turns
from tests.derive.samples import in_runs, rounded, samples
from tests.derive.test_governor import NO_EVENTS, cycles
from tests.derive.truth import simulated


def true_duty(frame: pl.DataFrame) -> pl.DataFrame:
    """Give ``fleet, unit, run_start, truth, on_s, n_outs`` of the simulated compressor."""
    same = (pl.col("run") == pl.col("run").shift(1)) & pl.col("is_running") & pl.col("is_running").shift(1)
    span_s = pl.when(same).then((pl.col("t") - pl.col("t").shift(1)).dt.total_milliseconds() / 1e3).otherwise(0.0)
    turned = same & pl.col("true_loaded").shift(1) & ~pl.col("true_loaded")
    return (
        frame.with_columns(span_s=span_s, turned=turned)
        .group_by("run", "fleet", "unit")
        .agg(
            run_start=pl.col("t").first(),
            on_s=pl.col("span_s").sum(),
            loaded_s=(pl.col("span_s") * pl.col("true_loaded")).sum(),
            n_outs=pl.col("turned").sum(),
        )
        .with_columns(truth=100 * pl.col("loaded_s") / pl.col("on_s"))
    )


@pytest.mark.parametrize("more", [(), ("compressor_loaded",)])
def test_duty_of_simulated_units_is_covered(more: tuple[str, ...]) -> None:
    frame = simulated(5, 14, more_columns=more)
    readings = duty_readings(frame, governor_turns(frame), run_table(frame)).filter(check="compressor_duty")
    known = readings.join(true_duty(frame), on=["fleet", "unit", "run_start"])
    assert known.height >= 20
    covers = known.select(pl.col("truth").is_between("lower", "upper").mean()).item()
    error = (known["value"] - known["truth"]).abs().mean()
    assert covers >= 0.92, (covers, known.height)
    assert error < 0.5, error  # per cent of engine-on time
    assert ((known["upper"] - known["lower"]) / 2).mean() < 1.5
    assert known["test"].unique().to_list() == ["whole run"]


def test_cycles_of_simulated_units_are_counted() -> None:
    frame = simulated(5, 14)
    readings = duty_readings(frame, governor_turns(frame), run_table(frame)).filter(check="governor_cycles")
    known = readings.join(true_duty(frame), on=["fleet", "unit", "run_start"]).with_columns(
        truth=3600 * pl.col("n_outs") / pl.col("on_s")
    )
    assert known.select(pl.col("truth").is_between("lower", "upper").mean()).item() >= 0.95
    assert (known["value"] - known["truth"]).abs().mean() < 0.1


def test_made_cycles_give_their_duty_with_and_without_the_first_fill() -> None:
    cut, runs = in_runs(cycles(4, cut_out=880, cut_in=752))
    assert duty_readings(cut, governor_turns(cut), runs).is_empty()  # less than an hour of engine-on time says little
    n = 12
    frame = cycles(n, cut_out=880, cut_in=752)
    braked = frame.with_columns(service_brake=(pl.int_range(pl.len()) % 100 == 50).cast(pl.Int8))
    cut, runs = in_runs(braked)
    readings = {row["check"]: row for row in duty_readings(cut, governor_turns(cut), runs).iter_rows(named=True)}
    whole_s = 60 + n * 340 + 300
    expected = {
        "compressor_duty": 100 * (60 + n * 40) / whole_s,
        "compressor_duty_cycling": 100 * 40 / 340,
        "governor_cycles": 3600 * (n + 1) / whole_s,
        "compressor_duty_per_application": n * 40 / (n * 340 / 100),
    }
    assert readings.keys() == expected.keys()
    for check, truth in expected.items():
        assert readings[check]["lower"] <= truth <= readings[check]["upper"], check
        assert readings[check]["value"] == pytest.approx(truth, rel=0.08), check
    assert "13 cut-outs" in readings["governor_cycles"]["note"]


def test_a_silence_is_no_engine_on_time() -> None:
    frame = cycles(12, cut_out=880, cut_in=752)
    second = pl.int_range(pl.len())
    silent = frame.filter((second < 1500) | (second >= 1600))  # within a fall
    cut, runs = in_runs(silent)
    duty = duty_readings(cut, governor_turns(cut), runs)
    value = duty.filter(check="compressor_duty")["value"].item()
    assert value == pytest.approx(100 * (60 + 12 * 40) / (60 + 12 * 340 + 300 - 100), abs=0.5)


def test_nothing_in_nothing_out() -> None:
    cut, runs = in_runs(cycles(2, cut_out=880, cut_in=752))
    for frame in (cut.clear(), cut.with_columns(is_running=pl.lit(value=False)), cut.head(1)):
        assert duty_readings(frame, governor_turns(frame), runs).is_empty()


def _pressures(delivery_kpa_s: float, use_kpa_s: np.ndarray, *, governed: bool) -> np.ndarray:
    """Give a tank's pressure each second, dp/dt delivery less use; a governor unloads at 880 and loads at 752 kPa."""
    kpa, is_loaded = [800.0], True
    for use in use_kpa_s:
        kpa.append(kpa[-1] + delivery_kpa_s * is_loaded - use)
        if governed:
            is_loaded = kpa[-1] < 880.0 if is_loaded else kpa[-1] < 752.0
    return np.array(kpa)


def _duty_of(kpa: np.ndarray) -> dict[str, dict[str, Any]]:
    frame = samples(np.arange(kpa.size), primary_kpa=rounded(kpa), engine_rpm=1200, speed_kph=60, park_brake=0)
    cut, runs = in_runs(frame)
    turns = governor_turns(cut)
    assert turns.height
    told = {row["check"]: row for row in duty_readings(cut, turns, runs).iter_rows(named=True)}
    is_swing = (turns["source"] == SWING).all()
    assert governor_readings(turns, runs, NO_EVENTS).is_empty() == is_swing
    return told


def test_a_compressor_that_never_rests_is_loaded_all_the_time() -> None:
    """It delivers 0.5 kPa/s and a leak takes as much, give or take 0.04: pressure swings by 38 kPa in an hour."""
    seconds = np.arange(6 * 3600)
    told = _duty_of(_pressures(0.5, 0.5 + 0.0333 * np.sin(2 * np.pi * seconds / 3600.0), governed=False))
    assert told.keys() == {"compressor_duty"}
    duty = told["compressor_duty"]
    assert (duty["value"], duty["upper"]) == (100.0, 100.0)
    assert duty["lower"] < 60.0  # while pressure rose, at least
    assert "never rested" in duty["note"]


@pytest.mark.parametrize(("delivery", "use"), [(0.5, 0.02), (0.5, 0.3), (3.0, 0.3)])
def test_a_governor_that_cycles_slowly_is_still_one(delivery: float, use: float) -> None:
    told = _duty_of(_pressures(delivery, np.full(8 * 3600, use), governed=True))
    # low where it fills slowly: the first step or two of such a rise count as the end of the fall
    assert told["compressor_duty_cycling"]["value"] == pytest.approx(100 * use / delivery, rel=0.15, abs=2.0)
