"""Turns of the pressure, against a real compressor unit's own valve signal and against made cycles."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from airwatch.contract.batch import GOVERNOR_SCHEMA
from airwatch.derive.duty import duty_readings
from airwatch.derive.governor import governor_readings
from airwatch.derive.turns import governor_turns
from tests.derive.samples import T0, in_runs, rounded, samples

METRO = Path(__file__).parents[1] / "data" / "metropt3_2020-02-01_first1000.csv.gz"
NO_EVENTS = pl.DataFrame(schema=GOVERNOR_SCHEMA)


@pytest.fixture(scope="module")
def metro() -> pl.DataFrame:
    """Give the first rows of MetroPT-3 (UCI 791): a real receiver and its compressor's valve, every 10 s.

    The unit has a motor, not an engine; ``engine_rpm`` stands for its power being on.
    """
    rows = pl.read_csv(METRO, try_parse_dates=True)
    t = (rows["timestamp"] - rows["timestamp"][0]).dt.total_seconds()
    return samples(t, supply_kpa=rows["Reservoirs"] * 100, engine_rpm=1500, speed_kph=0, park_brake=0).with_columns(
        valve=rows["DV_eletric"].cast(pl.Int8)
    )


def test_turns_of_a_real_compressor_agree_with_its_valve(metro: pl.DataFrame) -> None:
    turns = governor_turns(in_runs(metro.drop("valve"))[0])
    switched = metro.filter(pl.col("valve") != pl.col("valve").shift(1))
    for kind, state in (("cut_in", 1), ("cut_out", 0)):
        ours = turns.filter(kind=kind)["t"].dt.epoch("ms").to_numpy()
        valve = switched.filter(valve=state)["t"].dt.epoch("ms").to_numpy()
        assert ours.size == 5  # as many as the valve
        assert np.abs(ours - valve[-5:]).max() <= 20_000  # two samples


def test_pressures_and_duty_of_a_real_compressor(metro: pl.DataFrame) -> None:
    frame = metro.drop("valve")
    cut, runs = in_runs(frame)
    turns = governor_turns(cut)
    readings = governor_readings(turns, runs, NO_EVENTS)
    value = {kind: readings.filter(check=f"governor_{kind}")["value"].to_list() for kind in ("cut_in", "cut_out")}
    # the set's description: the compressor starts below 8.2 bar; sampled every 10 s, it is a little lower by then
    assert all(800 <= kpa <= 820 for kpa in value["cut_in"])
    assert all(990 <= kpa <= 1012 for kpa in value["cut_out"])
    inferred = duty_readings(cut, turns, runs)["value"].item()
    cut, runs = in_runs(metro.with_columns(compressor_loaded="valve").drop("valve"))
    reported = duty_readings(cut, turns, runs)["value"].item()
    assert reported == pytest.approx(5.1, abs=0.3)  # 51 of 1000 rows have the valve on
    assert inferred == pytest.approx(reported, abs=1.0)


def cycles(
    n: int,
    *,
    cut_out: float,
    cut_in: float,
    load_s: int = 40,
    fall_s: int = 300,
    step: float = 8.0,
    **columns: object,
) -> pl.DataFrame:
    """Make a pump-up from 600 kPa, then ``n`` cycles, brake tanks only."""
    rise = np.linspace(cut_in, cut_out, load_s, endpoint=False)
    fall = np.linspace(cut_out, cut_in, fall_s, endpoint=False)
    kpa = np.concatenate([np.linspace(600, cut_out, 60, endpoint=False), *[fall, rise] * n, fall])
    common = {"engine_rpm": 1200, "speed_kph": 60, "park_brake": 0, "service_brake": 0}
    lower, higher = rounded(kpa, step), rounded(np.maximum(kpa, 790), step)
    return samples(np.arange(kpa.size), primary_kpa=lower, secondary_kpa=higher, **{**common, **columns})


# 880 and 752 kPa are the governor's pressures in a recorded drive of a heavy truck (University of Tulsa, the logger
# example of Log-File-Format-Converter, 168 s).
def test_cycles_without_a_supply_sensor_give_both_pressures() -> None:
    cut, runs = in_runs(cycles(4, cut_out=880, cut_in=752))
    turns = governor_turns(cut)
    readings = governor_readings(turns, runs, NO_EVENTS)
    outs, ins = (readings.filter(check=f"governor_{kind}") for kind in ("cut_out", "cut_in"))
    assert (outs.height, ins.height) == (5, 4)
    for frame, truth in ((outs, 880), (ins, 752)):
        assert (frame["lower"] <= truth).all()
        assert (frame["upper"] >= truth).all()
    duty = duty_readings(*(cut, turns, runs), tuning=None)
    assert duty.is_empty()  # less than an hour of engine-on time says little
    cut, runs = in_runs(cycles(12, cut_out=880, cut_in=752))
    duty = duty_readings(cut, governor_turns(cut), runs)
    loaded, whole = 60 + 12 * 40, 60 + 12 * 340 + 300
    assert duty["value"].item() == pytest.approx(100 * loaded / whole, abs=0.7)
    assert duty["lower"].item() <= 100 * loaded / whole <= duty["upper"].item()


def test_a_brake_pulse_during_the_pump_up_is_no_cycle() -> None:
    frame = cycles(3, cut_out=880, cut_in=752)
    t = np.arange(frame.height)
    pulse = np.where((t >= 30) & (t < 36), -40.0, 0.0)
    dented = frame.with_columns(primary_kpa=pl.col("primary_kpa") + pl.Series(pulse))
    kinds = [governor_turns(in_runs(f)[0])["kind"].to_list() for f in (frame, dented)]
    assert kinds[0] == kinds[1]


def test_a_rise_that_ends_with_the_engine_is_no_cut_out() -> None:
    kpa = np.concatenate([np.linspace(600, 820, 60), np.linspace(820, 700, 400)])
    rpm = np.where(np.arange(kpa.size) < 62, 1200, 0)
    frame = samples(np.arange(kpa.size), primary_kpa=rounded(kpa), engine_rpm=rpm, speed_kph=0, park_brake=1)
    assert governor_turns(in_runs(frame)[0]).is_empty()


def test_a_tank_that_never_moves_is_not_followed() -> None:
    frame = cycles(2, cut_out=880, cut_in=752).with_columns(secondary_kpa=pl.lit(8.0))
    assert governor_turns(in_runs(frame)[0])["kind"].to_list() == ["cut_out", "cut_in", "cut_out", "cut_in", "cut_out"]


def test_runs_do_not_see_each_other_and_events_of_the_vehicle_come_first() -> None:
    one = cycles(2, cut_out=880, cut_in=752)
    two = cycles(2, cut_out=830, cut_in=700).with_columns(unit=pl.lit("K-2"))
    cut, runs = in_runs(pl.concat([one, two]))
    turns = governor_turns(cut)
    tops = turns.filter(kind="cut_out").group_by("run", maintain_order=True).agg(pl.col("system_kpa").max())
    assert tops["system_kpa"].to_list() == [880, 832]
    events = pl.DataFrame(
        [("north", "K-2", T0.replace(minute=1), "cut_out", 836.0)], schema=GOVERNOR_SCHEMA, orient="row"
    )
    readings = governor_readings(turns, runs, events).filter(unit="K-2", check="governor_cut_out")
    assert readings["value"].to_list() == [836.0]
    assert readings["note"].to_list() == ["reported by the vehicle"]
