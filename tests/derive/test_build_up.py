import numpy as np
import polars as pl
import pytest

from airwatch.derive.build_up import build_up_readings
from tests.derive.samples import facts, in_runs, rounded, samples

PSI = 6.894757  # NIST SP 811 (2008), appendix B.8
LOW, HIGH = 85 * PSI, 100 * PSI  # 49 CFR 571.121 S5.1.1: the rise from 85 to 100 psi is timed


def rise(
    seconds: float, *, rpm: float | None = 2000, step: float = 8.0, spacing_s: float = 1.0, **columns: object
) -> pl.DataFrame:
    """Make a steady rise from 500 kPa that takes ``seconds`` from 85 to 100 psi."""
    slope = (HIGH - LOW) / seconds
    t = np.arange(0, (780 - 500) / slope, spacing_s)
    common = {"engine_rpm": rpm, "speed_kph": 0, "park_brake": 1, "service_brake": 0}
    return samples(t, primary_kpa=rounded(500 + slope * t, step), **{**common, **columns})


def read(frame: pl.DataFrame, **known: object) -> pl.DataFrame:
    return build_up_readings(*in_runs(frame), facts(**known))


# 16 s is a healthy tractor (common practice), 25 s the new-vehicle limit (49 CFR 571.121 S5.1.1), 40 s a shop's reject
# (TM 5-3805-260-24), 45 s the CDL manual's limit.
@pytest.mark.parametrize("seconds", [16.0, 25.0, 40.0, 45.0])
@pytest.mark.parametrize("step", [4.0, 8.0])
def test_a_rise_at_governed_speed_is_its_time(seconds: float, step: float) -> None:
    (reading,) = read(rise(seconds, step=step)).iter_rows(named=True)
    assert reading["lower"] <= seconds <= reading["upper"]
    assert reading["value"] == pytest.approx(seconds, rel=0.06)
    assert (reading["end"] - reading["start"]).total_seconds() == pytest.approx(seconds, rel=0.06)


def test_a_rise_at_half_the_speed_counts_half() -> None:
    (reading,) = read(rise(40.0, rpm=1000)).iter_rows(named=True)
    assert reading["value"] == pytest.approx(20.0, rel=0.05)
    assert "timed 40" in reading["note"]
    assert "1000 1/min" in reading["note"]


def test_without_engine_speed_the_time_is_as_timed() -> None:
    frame = rise(30.0, rpm=None, compressor_loaded=1)
    (reading,) = read(frame).iter_rows(named=True)
    assert reading["value"] == pytest.approx(30.0, rel=0.05)
    assert "engine speed not known" in reading["note"]


def test_an_assumed_speed_says_so() -> None:
    (reading,) = read(rise(30.0), is_speed_assumed=True).iter_rows(named=True)
    assert "(assumed)" in reading["note"]


@pytest.mark.parametrize(
    "spoiled",
    [
        {"service_brake": 1},
        {"speed_kph": 30},
        {"engine_rpm": [2000.0] * 50 + [0.0] * 200},
        {"park_brake": [1] * 50 + [0] * 200},
    ],
)
def test_a_rise_in_which_air_was_used_is_left_out(spoiled: dict) -> None:
    n = len(rise(40.0))
    cut = {name: value[:n] if isinstance(value, list) else value for name, value in spoiled.items()}
    assert read(rise(40.0, **cut)).is_empty()


def test_a_rise_with_a_silence_in_it_is_left_out() -> None:
    frame = rise(40.0)
    middle = (frame["primary_kpa"] > 610) & (frame["primary_kpa"] < 660)
    assert read(frame.filter(~middle)).is_empty()


def test_only_the_last_passage_of_85_psi_counts() -> None:
    t = np.arange(0, 160.0)
    kpa = np.concatenate([np.linspace(500, 620, 60), np.linspace(620, 560, 20), np.linspace(560, 760, 80)])
    frame = samples(t, primary_kpa=rounded(kpa), engine_rpm=2000, speed_kph=0, park_brake=1, service_brake=0)
    (reading,) = read(frame).iter_rows(named=True)
    assert reading["value"] == pytest.approx((HIGH - LOW) / (200 / 79), rel=0.05)
