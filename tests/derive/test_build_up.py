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


def test_noise_that_touches_the_upper_level_once_loses_no_rise() -> None:
    """A sample a step higher, and the next one below again: sensors carry noise of a step or less (common practice)."""
    frame = rise(45.0)
    at = frame.with_row_index().filter(pl.col("primary_kpa") >= HIGH)["index"][0]
    flicker = pl.when(pl.int_range(pl.len()) == at - 2).then(pl.col("primary_kpa") + 8.0).otherwise("primary_kpa")
    spiked = frame.with_columns(primary_kpa=flicker)
    assert spiked["primary_kpa"][at - 2] >= HIGH > spiked["primary_kpa"][at - 1] == spiked["primary_kpa"][at - 3]
    (reading,) = read(spiked).iter_rows(named=True)
    assert reading["lower"] <= 45.0 <= reading["upper"]


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


def test_a_slow_rise_is_found_too() -> None:
    (reading,) = read(rise(240.0, rpm=700)).filter(check="build_up_time").iter_rows(named=True)
    assert reading["value"] == pytest.approx(84.0, rel=0.05)


def test_a_trailer_that_may_be_filling_widens_the_interval_down() -> None:
    """Four chambers of type 30 have about 94 L behind them; own tanks of 120 L fill in 0.56 of the time."""
    (alone,) = read(rise(60.0, trailer="")).filter(check="build_up_time").iter_rows(named=True)
    (coupled,) = read(rise(60.0, trailer="R-1")).filter(check="build_up_time").iter_rows(named=True)
    assert alone["lower"] > 50
    assert coupled["lower"] <= 60.0 * 120 / (120 + 94) <= coupled["upper"]
    assert "a trailer may have been filling" in coupled["note"]
    (untowed,) = read(rise(60.0, trailer="R-1"), is_towing=False).filter(check="build_up_time").iter_rows(named=True)
    assert untowed["lower"] == alone["lower"]


def test_valves_that_have_closed_keep_the_trailer_out() -> None:
    """Trailer supply and parking valves close between 20 and 45 psi (CDL model manual); pressed in, they stay so."""
    t = np.arange(0, 240.0)
    kpa = rounded(120 + 3.0 * t)
    common = {"primary_kpa": kpa, "engine_rpm": 2000, "speed_kph": 0, "service_brake": 0, "trailer": "R-1"}
    closed = read(samples(t, park_brake=1, **common)).filter(check="build_up_time").row(0, named=True)
    assert "trailer" not in closed["note"]
    assert closed["lower"] > 0.85 * closed["value"]
    opened = np.where(t < 100, 1, 0)  # the driver pushes the knobs in before 85 psi
    unsure = read(samples(t, park_brake=opened, **common)).filter(check="build_up_time").row(0, named=True)
    assert unsure["lower"] < 0.65 * unsure["value"]


def test_a_supply_line_that_stands_still_is_not_fed() -> None:
    n = len(rise(60.0))
    still = read(rise(60.0, trailer="R-1", trailer_kpa=[0.0] * n)).row(0, named=True)
    fed = read(rise(60.0, trailer="R-1", trailer_kpa=rounded(np.linspace(480, 780, n)))).row(0, named=True)
    assert still["lower"] > 50 > fed["lower"]


def test_a_tank_that_is_closed_off_does_not_fill() -> None:
    """Of 120 L only 75 fill: all would take 120/75 as long. One service tank alone is no build-up of a system."""
    (reading,) = read(rise(20.0, secondary_kpa=800)).iter_rows(named=True)
    assert reading["lower"] <= 20.0 * 120 / 75 <= reading["upper"]
    full = read(rise(20.0, secondary_kpa=800, supply_kpa=800))
    assert full.is_empty()


def test_a_circuit_that_never_builds_is_counted_out_and_named() -> None:
    """One circuit rises from empty and the other stays at a step, as a recorded truck's did up to 496 kPa."""
    frame = rise(20.0, secondary_kpa=8)
    (reading,) = read(frame).filter(check="build_up_time").iter_rows(named=True)
    assert reading["circuit"] == "primary"
    assert reading["lower"] <= 20.0 * 120 / 75 <= reading["upper"]
    assert reading["note"].endswith("62 % of the tanks' volume filled")
    cut = frame.filter(pl.col("primary_kpa") <= 580)  # it never comes to 85 psi
    assert read(cut).is_empty()


def opening(fast_s: float, slow_s: float, at_kpa: float, sag_kpa: float = 0.0) -> pl.DataFrame:
    """Make a rise from 120 kPa that turns slower, after a sag, when something opens at a pressure."""
    fast, slow = (HIGH - LOW) / fast_s, (HIGH - LOW) / slow_s
    before = np.arange(120.0, at_kpa, fast)
    sag = np.arange(at_kpa, at_kpa - sag_kpa, -fast)
    kpa = np.concatenate([before, sag, np.arange(at_kpa - sag_kpa, 780.0, slow)])
    common = {"engine_rpm": 2000, "speed_kph": 0, "park_brake": 1, "service_brake": 0, "trailer": "R-1"}
    return samples(np.arange(float(kpa.size)), primary_kpa=rounded(kpa, 4.0), **common)


def test_what_opens_on_the_way_up_reaches_the_interval_down() -> None:
    """The valves had closed by themselves, but some trailers' own open again as pressure comes."""
    even = read(opening(40.0, 40.0, 400.0)).filter(check="build_up_time").row(0, named=True)
    assert even["lower"] > 0.9 * even["value"]
    assert "faster" not in even["note"]
    kinked = read(opening(20.0, 40.0, 450.0)).filter(check="build_up_time").row(0, named=True)
    assert kinked["lower"] <= 20.0
    assert kinked["upper"] >= 40.0
    assert kinked["note"].endswith("it had risen faster before: something else filled")
    sagged = read(opening(20.0, 40.0, 450.0, sag_kpa=60.0)).filter(check="build_up_time").row(0, named=True)
    assert sagged["lower"] <= 20.0
    assert sagged["upper"] >= 40.0
    assert "a trailer may have been filling" in sagged["note"]


def test_a_rise_just_after_the_start_may_have_been_slower() -> None:
    """Air compressed at once rises up to 1.4 times as fast (g = 1.4) as once the wall of its tank cools it."""
    slope = (HIGH - LOW) / 20.0
    t = np.arange(0.0, 120.0)
    common = {"speed_kph": 0, "park_brake": 1, "service_brake": 0, "trailer": ""}
    upper = {}
    for before_s in (2.0, 60.0):
        kpa = rounded(LOW - slope * before_s + slope * np.maximum(t - 30.0, 0.0), 4.0)
        late = samples(t, primary_kpa=kpa, engine_rpm=np.where(t > 30.0, 2000, 0), **common)
        reading = read(late).filter(check="build_up_time").row(0, named=True)
        assert reading["lower"] <= 20.0 <= reading["upper"]
        upper[before_s] = reading["upper"]
    assert upper[2.0] > 24.0
    assert upper[60.0] < 22.0


def test_a_brake_use_beside_a_lost_pressure_is_still_seen() -> None:
    frame = rise(40.0)
    middle = (frame["primary_kpa"] > 610) & (frame["primary_kpa"] < 620)
    lost = frame.with_columns(
        primary_kpa=pl.when(~middle).then("primary_kpa"),
        service_brake=pl.when(middle).then(1).otherwise("service_brake").cast(pl.Int8),
    )
    assert read(frame).height == 1
    assert read(lost).is_empty()


def test_other_spans_are_timed_where_rules_ask_for_them() -> None:
    t = np.arange(0, 300.0)
    frame = samples(t, primary_kpa=rounded(300 + 1.5 * t), engine_rpm=1000, speed_kph=0, park_brake=1, service_brake=0)
    spans = {
        rule_set: read(frame, rule_set=rule_set).filter(check="build_up_span").select("test", "value").rows()
        for rule_set in ("ca_qc", "ca_bc", "nz")
    }
    ((quebec, quebec_s),) = spans["ca_qc"]
    ((columbia, columbia_s),) = spans["ca_bc"]
    assert (quebec, columbia, spans["nz"]) == ("350-620 kPa", "345-620 kPa", [])
    assert quebec_s == pytest.approx(270 / 1.5 / 2, rel=0.03)  # at 2000 1/min, half the time at 1000
    assert columbia_s == pytest.approx(275 / 1.5 / 2, rel=0.03)
