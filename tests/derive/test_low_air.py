from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.contract.batch import LAMP_SCHEMA
from airwatch.derive.low_air import low_air_readings
from airwatch.derive.runs import run_table
from pipelines.simulation.faults import Fault
from pipelines.simulation.fleet import simulate_fleet
from tests.derive.samples import T0, in_runs, rounded, samples
from tests.derive.truth import seen_and_true

ALL = ("primary_kpa", "secondary_kpa", "engine_rpm", "speed_kph", "park_brake", "service_brake", "low_air_warning")


def key(*events: tuple[float, bool]) -> pl.DataFrame:
    rows = [("north", "K-1", T0 + timedelta(seconds=s), "key", is_on) for s, is_on in events]
    return pl.DataFrame(rows, schema=LAMP_SCHEMA, orient="row")


def fanned(
    point: float, *, step: float = 8.0, spacing_s: float = 1.0, offset: float = 0.0, lowest: float = 220.0
) -> dict[str, np.ndarray]:
    """Engine on for a minute, then off while every fourth second of pumping takes 12 kPa from the lower tank."""
    n = int((60 + 4 * (850 - lowest) / 12) / spacing_s)
    t = np.arange(n) * spacing_s
    kpa = 850.0 - 12.0 * np.maximum(np.floor((t - 60) / 4), 0.0)
    return {
        "t": t,
        "primary_kpa": rounded(kpa + offset, step),
        "secondary_kpa": rounded(kpa + 6 + offset, step),
        "engine_rpm": np.where(t < 60, 650, 0),
        "service_brake": np.where(t < 60, 0, 1),
        "low_air_warning": (kpa < point).astype(int),
    }


def read(lamps: pl.DataFrame | None = None, **columns: object) -> pl.DataFrame:
    t = columns.pop("t")
    cut, runs = in_runs(samples(t, speed_kph=0, park_brake=0, **columns))
    return low_air_readings(cut, runs, key() if lamps is None else lamps)


@settings(deadline=None, max_examples=80)
@given(
    point=st.floats(300, 480),
    step=st.sampled_from([4.0, 8.0]),
    spacing_s=st.sampled_from([1.0, 2.0, 5.0, 10.0]),
    offset=st.floats(-1, 1),
)
def test_the_interval_holds_the_point_whatever_step_spacing_and_offset(
    point: float, step: float, spacing_s: float, offset: float
) -> None:
    (reading,) = read(**fanned(point, step=step, spacing_s=spacing_s, offset=offset * step)).iter_rows(named=True)
    assert (reading["check"], reading["state"], reading["measure"]) == ("low_air_warning", "came on", "kPa")
    assert reading["lower"] <= point <= reading["upper"]
    assert reading["upper"] - reading["lower"] <= 2 * 1.5 * step + 12 * (spacing_s / 4 + 2) + step


def test_going_off_while_air_builds_up_has_a_check_of_its_own() -> None:
    t = np.arange(0, 300.0)
    kpa = 250 + 2.0 * t
    warning = (kpa < 470).astype(int)
    readings = read(t=t, primary_kpa=rounded(kpa), secondary_kpa=rounded(kpa), engine_rpm=700, low_air_warning=warning)
    (reading,) = readings.iter_rows(named=True)
    assert (reading["check"], reading["state"]) == ("low_air_warning_off", "went off")
    assert reading["lower"] <= 470 <= reading["upper"]


def test_the_lower_tank_counts_and_a_stuck_sensor_does_not() -> None:
    given_ = fanned(420)
    higher = {**given_, "secondary_kpa": np.full(given_["t"].size, 800.0)}
    stuck = {**given_, "secondary_kpa": np.full(given_["t"].size, 8.0)}  # as one recorded truck has it
    alone = {**given_, "secondary_kpa": [None] * given_["t"].size}
    for columns in (higher, stuck, alone):
        (reading,) = read(**columns).iter_rows(named=True)
        assert reading["lower"] <= 420 <= reading["upper"]


def test_a_switch_that_reads_0_with_the_key_off_tells_no_pressure_at_key_on() -> None:
    t = np.arange(0, 7200.0, 10)
    kpa = 700 - t / 7200 * 500  # leaks away overnight, far below the point
    warning = (t >= 7100).astype(int)  # the key is turned on
    night = {"t": t, "primary_kpa": rounded(kpa), "secondary_kpa": rounded(kpa), "low_air_warning": warning}
    rpm = np.where(t == 0, 650, 0)
    assert read(engine_rpm=rpm, **night).filter(check="low_air_warning").is_empty()
    off = key((-100, True), (5, False), (7095, True))
    assert read(off, engine_rpm=rpm, **night).filter(check="low_air_warning").is_empty()


def test_brakes_fanned_with_the_key_off_tell_nothing_when_it_is_turned_on() -> None:
    given_ = fanned(0, lowest=250)
    late = {**given_, "low_air_warning": (given_["t"] >= given_["t"][-3]).astype(int)}
    assert read(key((-100, True), (50, False), (given_["t"][-3] - 0.5, True)), **late).is_empty()


def test_a_slow_leak_with_the_key_on_tells() -> None:
    t = np.arange(0, 7200.0, 10)
    kpa = 700 - t / 7200 * 500
    slow = {"t": t, "primary_kpa": rounded(kpa), "secondary_kpa": rounded(kpa), "engine_rpm": np.where(t == 0, 650, 0)}
    readings = read(key((-100, True)), low_air_warning=(kpa < 431).astype(int), **slow)
    (reading,) = readings.iter_rows(named=True)
    assert reading["lower"] <= 431 <= reading["upper"]


def test_no_warning_far_below_any_threshold_is_missing_only_where_the_key_is_known_to_be_on() -> None:
    silent = fanned(0)
    (known,) = read(key((-100, True)), **silent).iter_rows(named=True)
    assert (known["check"], known["state"], known["lower"]) == ("low_air_warning", "missing", 0)
    assert known["value"] == silent["primary_kpa"].min()
    assert known["value"] < known["upper"] < 379  # 55 psi: below the limit for certain
    (unknown,) = read(**silent).iter_rows(named=True)  # somebody pumps, but is the key on?
    assert (unknown["lower"], unknown["upper"]) == (None, None)
    assert read(key((-100, True), (50, False)), **silent).is_empty()
    assert read(**{**silent, "low_air_warning": [None] * silent["t"].size}).is_empty()  # not sent
    idle = {**silent, "service_brake": 0}
    assert read(**idle).is_empty()  # a parked truck that leaks
    nulls = [None if s > 360 else w for s, w in zip(silent["t"] + 300, silent["low_air_warning"], strict=True)]
    assert read(**{**silent, "low_air_warning": nulls}).is_empty()


def test_a_warning_above_any_point_and_a_low_one_are_not_missing() -> None:
    low = read(key((-100, True)), **fanned(300))
    assert low["state"].to_list() == ["came on"]
    lamp_check = {
        **fanned(0, lowest=500),
        "low_air_warning": np.isin(np.arange(fanned(0, lowest=500)["t"].size), [70, 71]),
    }
    assert read(
        key((-100, True)), **{**lamp_check, "low_air_warning": lamp_check["low_air_warning"].astype(int)}
    ).is_empty()


def test_a_long_silence_tells_no_pressure() -> None:
    given_ = fanned(420)
    fell = int(np.flatnonzero(given_["low_air_warning"])[0])
    keep = np.abs(np.arange(given_["t"].size) - fell) > 20
    assert read(**{name: values[keep] for name, values in given_.items()}).is_empty()


@pytest.fixture(scope="module")
def fleet() -> tuple[pl.DataFrame, dict[str, float]]:
    """Six units that are tested each day, the fourth with a low point, the fifth without a warning."""
    drawn = simulate_fleet(11, 6, 3, faulty_share=0.0).scenario
    units = tuple(
        replace(
            unit,
            duty=replace(unit.duty, test_share=1.0, drive_h=1.0, leg_min=20.0),
            gateway=replace(unit.gateway, columns=ALL),
        )
        for unit in drawn.units
    )
    names = [unit.vehicle.name for unit in units]
    faults = (Fault("low_air_warning_low", names[3], 300.0), Fault("low_air_warning_missing", names[4], 0.0))
    points = {unit.vehicle.name: unit.vehicle.warning_kpa for unit in units} | {names[3]: 300.0, names[4]: 0.0}
    return seen_and_true(replace(drawn, units=units, faults=faults)), points


def test_simulated_brake_tests_show_the_points_that_were_put_in(fleet: tuple[pl.DataFrame, dict[str, float]]) -> None:
    seen, points = fleet
    readings = low_air_readings(seen, run_table(seen), key())
    truth = readings.with_columns(point=pl.col("unit").replace_strict(points, return_dtype=pl.Float64))
    came_on = truth.filter(state="came on")
    assert came_on["unit"].n_unique() == 5
    assert came_on.select(pl.col("point").is_between("lower", "upper").mean()).item() >= 0.95
    assert came_on.select((pl.col("value") - pl.col("point")).abs().max()).item() < 25
    assert set(
        truth.filter(
            state="missing",
        ).drop_nulls("upper")["unit"]
    ) == {"V-004"}
    off = truth.filter(check="low_air_warning_off")
    assert off.height > 0
    assert off.select((pl.col("point") <= pl.col("upper")).mean()).item() >= 0.95
