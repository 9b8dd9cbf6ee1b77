"""Turns of the pressure, against a real compressor unit's own valve signal and against made cycles."""

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from airwatch.contract.batch import GOVERNOR_SCHEMA
from airwatch.derive.duty import duty_readings
from airwatch.derive.governor import governor_readings
from airwatch.derive.runs import run_table
from airwatch.derive.turns import governor_turns
from airwatch.store.database import Store
from airwatch.store.export import export_frame
from pipelines.land import land_recordings
from tests.derive.samples import T0, in_runs, rounded, samples
from tests.derive.truth import simulated

METRO = Path(__file__).parents[1] / "data" / "metropt3" / "normal_2020-02-01_first1000.csv.gz"
NO_EVENTS = pl.DataFrame(schema=GOVERNOR_SCHEMA)
CAPTURES = Path(__file__).parents[3] / "shared" / "data" / "j1939-trucks"  # beside the checkout: no licence to copy


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
    duty = pl.col("check") == "compressor_duty"
    inferred = duty_readings(cut, turns, runs).filter(duty)["value"].item()
    cut, runs = in_runs(metro.with_columns(compressor_loaded="valve").drop("valve"))
    reported = duty_readings(cut, governor_turns(cut), runs).filter(duty)["value"].item()
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
    differential = readings.filter(check="governor_differential")
    assert differential["value"].item() == pytest.approx(128, abs=8)
    assert differential["lower"].item() <= 128 <= differential["upper"].item()


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
    tops = turns.filter(kind="cut_out").group_by("run", maintain_order=True).agg(pl.col("governor_kpa").max())
    assert tops["governor_kpa"].to_list() == pytest.approx([880, 832], abs=4)
    events = pl.DataFrame(
        [("north", "K-2", T0.replace(minute=1), "cut_out", 836.0)], schema=GOVERNOR_SCHEMA, orient="row"
    )
    readings = governor_readings(turns, runs, events).filter(unit="K-2", check="governor_cut_out")
    assert readings["value"].to_list() == [836.0]
    assert readings["note"].to_list() == ["reported by the vehicle"]


def turned(frame: pl.DataFrame) -> pl.DataFrame:
    """Give where the simulated compressor really turned: ``run, t, kind, truth``."""
    state, same = pl.col("true_loaded"), pl.col("run") == pl.col("run").shift(1)
    both_on = pl.col("is_running") & pl.col("is_running").shift(1)
    return frame.filter(same & both_on & (state != state.shift(1))).select(
        "run",
        "t",
        kind=pl.when(state).then(pl.lit("cut_in")).otherwise(pl.lit("cut_out")),
        truth=pl.when(state).then("true_cut_in_kpa").otherwise("true_cut_out_kpa"),
    )


@pytest.mark.parametrize("more", [(), ("supply_kpa",), ("compressor_loaded",)])
@pytest.mark.parametrize("kind", ["cut_out", "cut_in"])
def test_simulated_turns_are_found_and_their_intervals_cover(kind: str, more: tuple[str, ...]) -> None:
    frame = simulated(5, 14, more_columns=more)
    ours = governor_turns(frame).filter(kind=kind)
    truth = turned(frame).filter(kind=kind)
    assert ours.height == pytest.approx(truth.height, rel=0.03)
    near = ours.join_asof(truth.drop("kind"), on="t", by="run", strategy="nearest", tolerance="60s")
    assert near["truth"].null_count() <= 0.03 * near.height
    known = near.drop_nulls(["truth", "governor_kpa"])
    covers = known.select(pl.col("truth").is_between("lower_kpa", "upper_kpa").mean()).item()
    width = (known["upper_kpa"] - known["lower_kpa"]).mean() / 2
    assert covers >= 0.93, (
        f"{kind} {more}: {known.height} turns, {covers:.3f}, {width:.1f} kPa"
    )  # few units: a sensor's offset is one draw for all of a unit's turns
    assert width <= 16  # two sensor steps


def test_a_short_cycling_governor_shows_its_differential() -> None:
    frame = simulated(6, 6, faulty="governor_short_cycling")
    readings = governor_readings(governor_turns(frame), run_table(frame), NO_EVENTS)
    found = readings.filter(check="governor_differential")
    assert found.height >= 6
    assert (found["lower"] <= 40).mean() >= 0.9  # `SIZES` of the fault
    assert (found["value"] < 60).all()  # healthy: 20 to 25 psi, 138 to 172 kPa; common practice


def test_events_of_the_vehicle_time_the_turns() -> None:
    frame = cycles(3, cut_out=880, cut_in=752)
    cut, runs = in_runs(frame)
    at = governor_turns(cut).select("t", "kind")
    events = at.select(
        fleet=pl.lit("north"), unit=pl.lit("K-1"), t=pl.col("t") + pl.duration(seconds=1), kind="kind", supply_kpa=800.0
    ).cast(GOVERNOR_SCHEMA)
    turns = governor_turns(cut, runs, events)
    assert turns["source"].unique().to_list() == ["event"]
    assert turns["t"].to_list() == events["t"].to_list()
    lost = events.filter(kind="cut_out")  # half of the events never arrived: what is seen stands
    assert governor_turns(cut, runs, lost)["source"].unique().to_list() == ["pressure"]


def test_frames_without_anything_to_see_give_nothing() -> None:
    cut, runs = in_runs(cycles(2, cut_out=880, cut_in=752))
    empty = cut.clear()
    assert governor_turns(empty, runs.clear(), NO_EVENTS).is_empty()
    nulls = cut.with_columns(primary_kpa=pl.lit(None, pl.Float64), secondary_kpa=pl.lit(None, pl.Float64))
    off = cut.with_columns(is_running=pl.lit(value=False))
    for frame in (nulls, off, cut.head(1), cut.head(2)):
        turns = governor_turns(frame, runs, NO_EVENTS)
        assert turns.is_empty()
        assert governor_readings(turns, runs, NO_EVENTS).is_empty()


def test_lost_samples_and_values_leave_the_cycles() -> None:
    rng = np.random.default_rng(3)
    frame = cycles(6, cut_out=880, cut_in=752)
    kept = frame.filter(pl.Series(rng.random(frame.height) < 0.5))  # 1 to 10 s apart
    holes = kept.with_columns(
        primary_kpa=pl.when(pl.Series(rng.random(kept.height) < 0.1)).then(None).otherwise("primary_kpa")
    )
    spiked = holes.with_columns(
        primary_kpa=pl.when(pl.int_range(pl.len()) == 700).then(pl.col("primary_kpa") + 200.0).otherwise("primary_kpa")
    )
    for changed in (kept, holes, spiked):
        turns = governor_turns(in_runs(changed)[0])
        assert turns["kind"].to_list() == ["cut_out", "cut_in"] * 6 + ["cut_out"]


@pytest.mark.skipif(not CAPTURES.exists(), reason="the recordings of real trucks are not here")
def test_a_recorded_drive_gives_its_governor(tmp_path: Path) -> None:
    """Logger2_example.bin of Log-File-Format-Converter (University of Tulsa): 880 kPa at 20 s, 752 kPa to 164 s."""
    with Store.open(tmp_path / "s.duckdb") as store:
        land_recordings(store, [CAPTURES / "drive-governor-cycle.candump.log.gz"], unit="K-1")
        recorded = export_frame(store, "samples")
    begin = recorded["t"].min()
    seconds = (recorded["t"] - begin).dt.total_milliseconds() / 1e3
    columns = {name: recorded[name] for name in recorded.columns if name not in ("unit", "t", "fleet", "trailer")}
    turns = governor_turns(in_runs(samples(seconds.to_numpy(), **columns))[0])
    assert turns["kind"].to_list() == ["cut_out", "cut_in"]
    for row, kpa, at_s in zip(turns.iter_rows(named=True), (880, 752), (20, 165), strict=True):
        assert row["governor_kpa"] == pytest.approx(kpa, abs=8)  # read at brake tanks, in steps of 4 kPa
        assert row["upper_kpa"] - row["lower_kpa"] < 24
        assert (row["t"] - T0).total_seconds() == pytest.approx(at_s, abs=8)
