"""Lamp events: the check at key-on, dark and stuck lamps, lamps lit under way."""

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import polars as pl
import pytest

from airwatch.contract.batch import CODE_SCHEMA, LAMP_SCHEMA, REPORT_SCHEMA
from airwatch.derive.abs_faults import abs_fault_readings
from airwatch.derive.abs_lamps import abs_lamp_readings
from airwatch.derive.abs_self_check import abs_self_check_readings, dark_trailer_readings
from pipelines.simulation.brake_controller import CHECK_S, reports
from pipelines.simulation.faults import Fault
from pipelines.simulation.fleet import simulate_fleet
from pipelines.simulation.messages import Clock
from pipelines.simulation.run import Track
from tests.derive.abs_events import lamps, said
from tests.derive.samples import in_runs, samples

NONE = said()
TRACTOR, TRAILER = "tractor_abs", "trailer_abs"
HEALTHY = [(0.0, "key", True), (0.4, TRACTOR, True), (3.4, TRACTOR, False), (3000.0, "key", False)]


def checked(
    *events: tuple[float, str, bool], codes: tuple[pl.DataFrame, pl.DataFrame] = NONE
) -> list[tuple[object, ...]]:
    readings = abs_self_check_readings(lamps(*events), *codes)
    return readings.select("part", "state", pl.col("value").round(6)).rows()


def after(seconds: float, events: Sequence[tuple[float, str, bool]]) -> list[tuple[float, str, bool]]:
    return [(s + seconds, lamp, is_on) for s, lamp, is_on in events]


def test_a_sound_lamp_is_lit_a_few_seconds() -> None:
    (reading,) = abs_self_check_readings(lamps(*HEALTHY), *NONE).iter_rows(named=True)
    assert (reading["part"], reading["state"], reading["measure"]) == ("tractor lamp", "went off", "s")
    assert reading["value"] == pytest.approx(3.0)
    assert 2.7 < reading["lower"] < 3.0 < reading["upper"] < 3.3
    assert 0.5 < reading["lower"] < reading["upper"] < 10  # common practice: on for a few seconds, then off
    whole = [(round(s), lamp, is_on) for s, lamp, is_on in HEALTHY]  # stamped in whole seconds: less sure
    (coarse,) = abs_self_check_readings(lamps(*whole), *NONE).iter_rows(named=True)
    assert (coarse["lower"], coarse["upper"]) == (2, 4)


def test_a_dark_lamp_is_dark_only_where_the_unit_reports_it() -> None:
    dark = [(10_000.0, "key", True), (13_000.0, "key", False)]
    assert checked(*HEALTHY, *dark) == [("tractor lamp", "went off", 3.0), ("tractor lamp", "dark", 0.0)]
    assert checked(*dark) == []  # never reported: may not be wired to the gateway
    assert checked(*HEALTHY, (10_000.0, "key", True)) == [("tractor lamp", "went off", 3.0)]  # nothing heard since
    assert checked(*HEALTHY, (10_000.0, "key", True), (10_001.0, "key", False)) == [("tractor lamp", "went off", 3.0)]


def test_a_key_that_is_said_to_be_on_twice_was_turned_once() -> None:
    again = [(600.0, "key", True), *HEALTHY[-1:]]
    assert checked(*HEALTHY[:-1], *again) == [("tractor lamp", "went off", 3.0)]


def test_a_lamp_that_stays_on_is_stuck_unless_a_code_keeps_it_lit() -> None:
    stuck = [(0.0, "key", True), (0.4, TRACTOR, True), (3000.0, "key", False)]
    assert checked(*stuck) == [("tractor lamp", "stayed on", 2999.6)]
    assert checked(*stuck, codes=said((1 / 60, [(791, 5)]))) == [("tractor lamp", "on with code", 2999.6)]
    assert checked(*stuck, codes=said((1 / 60, [(100, 1)]), source=0)) == [("tractor lamp", "stayed on", 2999.6)]
    assert checked(*stuck, codes=said((-90.0, [(791, 5)]), (-60.0, []))) == [("tractor lamp", "stayed on", 2999.6)]
    trailer = [(s, TRAILER if lamp == TRACTOR else lamp, is_on) for s, lamp, is_on in stuck]
    assert checked(*trailer, codes=said((1 / 60, [(791, 5)]))) == [("trailer lamp", "stayed on", 2999.6)]


def test_a_check_cut_short_or_not_heard_to_its_end_is_none() -> None:
    assert checked((0.0, "key", True), (0.4, TRACTOR, True), (2.0, "key", False)) == []
    assert checked((0.0, "key", True), (0.4, TRACTOR, True)) == []
    assert checked((0.0, "key", True), (0.4, TRACTOR, True), codes=said((5.0, []))) == [
        ("tractor lamp", "stayed on", 299.6)
    ]


def test_without_lamp_reports_there_is_nothing_to_say() -> None:
    empty = lamps()
    assert abs_self_check_readings(empty, *NONE).is_empty()
    assert abs_lamp_readings(empty, *NONE).is_empty()
    assert abs_self_check_readings(lamps((0.0, "key", True), (900.0, "key", False)), *NONE).is_empty()


@pytest.mark.parametrize(("trailer", "n"), [("R-77", 1), ("", 0), (None, 0)])
def test_a_trailer_lamp_is_dark_only_if_a_trailer_is_known_to_be_coupled(trailer: str | None, n: int) -> None:
    both = [*HEALTHY, (0.4, TRAILER, True), (3.4, TRAILER, False)]
    events = lamps(*both, *after(10_000, HEALTHY), *after(200_000, HEALTHY))  # the last without any sample
    t = np.arange(0, 14_000.0, 10)
    rpm = np.where((t > 60) & (t < 3000) | (t > 10_060), 700, 0)
    cut, runs = in_runs(samples(t, trailer=trailer, primary_kpa=800, engine_rpm=rpm))
    readings = dark_trailer_readings(cut, runs, events, NONE[0])
    assert readings.height == n
    if n:
        row = readings.row(0, named=True)
        assert (row["part"], row["state"], row["value"], row["trailer"]) == ("trailer lamp", "dark", 0, "R-77")
        assert row["run_start"] == runs["run_start"][1]  # the sample at key-on comes before the next engine start
    assert abs_self_check_readings(events, *NONE).filter(part="trailer lamp")["state"].to_list() == ["went off"]


def test_a_lamp_lit_under_way_without_a_code() -> None:
    lit = [*HEALTHY[:-1], (600.0, TRACTOR, True), (900.0, TRACTOR, False), (3000.0, "key", False)]
    (reading,) = abs_lamp_readings(lamps(*lit), *NONE).iter_rows(named=True)
    assert (reading["value"], reading["state"], reading["part"]) == (300, "cleared", "tractor lamp")
    assert abs_lamp_readings(lamps(*lit), *said((10.0, [(790, 2)]), (15.0, []))).is_empty()  # a code says why
    assert abs_lamp_readings(lamps(*HEALTHY), *NONE).is_empty()
    (open_,) = abs_lamp_readings(lamps((0.0, TRAILER, True)), *said((10.0, []))).iter_rows(named=True)
    assert (open_["value"], open_["state"], open_["part"]) == (600, "active", "trailer lamp")
    flash = [*HEALTHY[:-1], (600.0, TRACTOR, True), (610.0, TRACTOR, False)]
    assert abs_lamp_readings(lamps(*flash), *NONE).is_empty()


def simulated(*faults: Fault, days: int = 6) -> tuple[pl.DataFrame, ...]:
    """Let the simulated brake controller of one tractor report; a day has two key-ons and an hour's drive each."""
    drawn = simulate_fleet(5, 1, 1, faulty_share=0.0).scenario.units[0]
    unit = replace(drawn, vehicle=replace(drawn.vehicle, name="K-1", fleet="north"))
    clock = Clock(datetime(2031, 2, 3, tzinfo=UTC))
    rng = np.random.default_rng(4)
    counts: dict[int, int] = {}
    rows: dict[str, list[tuple[object, ...]]] = {"reports": [], "codes": [], "lamps": []}
    for day in range(days):
        t = np.arange(0, 12_000.0) + day * 86_400 + 21_600
        phase = (t - t[0]) % 6000
        track = Track(
            unit=unit, day=day, trailer="R-77", end_s=t[-1], t_s=t, tanks_kpa=np.zeros((4, t.size)),
            line_kpa=t * 0, applied_kpa=t * 0, engine_rpm=t * 0, speed_kph=np.where(phase > 600, 80.0, 0.0),
            ambient_c=t * 0, is_parked=t < 0, is_key_on=(phase > 10) & (phase < 4200), is_warning=t < 0,
            is_loaded=t < 0,
        )  # fmt: skip
        for report in reports(track, list(faults), clock, counts, rng):
            at = _time(report.body["t"])
            if "codes" in report.body:
                rows["reports"].append(("north", "K-1", at, 11))
                rows["codes"] += [
                    ("north", "K-1", at, 11, c["spn"], c["fmi"], c["count"]) for c in report.body["codes"]
                ]
            rows["lamps"] += [("north", "K-1", _time(x["t"]), x["lamp"], x["on"]) for x in report.body["lamps"]]
    return (
        pl.DataFrame(rows["lamps"], schema=LAMP_SCHEMA, orient="row"),
        pl.DataFrame(rows["reports"], schema=REPORT_SCHEMA, orient="row"),
        pl.DataFrame(rows["codes"], schema=CODE_SCHEMA, orient="row"),
    )


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=None)


def test_the_simulated_controller_in_order() -> None:
    seen = simulated()
    readings = abs_self_check_readings(*seen)
    assert readings.height == 6 * 2 * 2
    assert set(readings["state"]) == {"went off"}
    assert readings.select(pl.lit(CHECK_S).is_between("lower", "upper").all()).item()
    assert abs_fault_readings(*seen[1:]).is_empty()
    assert abs_lamp_readings(*seen).is_empty()


def test_simulated_faults_show_as_what_they_are() -> None:
    standing = simulated(Fault("abs_active", "K-1", 791.0, began_day=2.0))
    (fault,) = abs_fault_readings(*standing[1:]).iter_rows(named=True)
    assert (fault["state"], fault["part"], fault["value"], fault["start"].day) == ("active", "axle 2 left", 1, 5)
    states = abs_self_check_readings(*standing).group_by("part", "state").len().sort("part", "state").rows()
    assert states == [
        ("tractor lamp", "on with code", 8),
        ("tractor lamp", "went off", 4),
        ("trailer lamp", "went off", 12),
    ]
    mended = simulated(Fault("abs_active", "K-1", 791.0, began_day=1.0, repaired_day=3.0))
    assert abs_fault_readings(*mended[1:])["state"].to_list() == ["cleared"]
    now_and_then = simulated(Fault("abs_intermittent", "K-1", 790.0, began_day=1.0))
    (fault,) = abs_fault_readings(*now_and_then[1:]).iter_rows(named=True)
    assert (fault["state"], fault["part"]) == ("intermittent", "axle 1 right")
    assert fault["value"] >= 3
    assert abs_lamp_readings(*now_and_then).is_empty()  # its codes say why the lamp was lit
    dark = abs_self_check_readings(*simulated(Fault("abs_lamp", "K-1", 0.0, began_day=2.0)))
    assert dark.filter(state="dark").height == 8
    stuck = abs_self_check_readings(*simulated(Fault("abs_lamp", "K-1", 1.0, began_day=2.0, circuit="trailer")))
    assert stuck.filter(state="stayed on")["part"].to_list() == ["trailer lamp"] * 8
