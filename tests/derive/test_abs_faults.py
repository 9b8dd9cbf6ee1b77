import gzip
from pathlib import Path

import polars as pl
import pytest

from airwatch.can.candump import decode_candump
from airwatch.contract.batch import CODE_SCHEMA, REPORT_SCHEMA
from airwatch.derive.abs_faults import abs_fault_readings
from airwatch.derive.abs_history import shipped_codes
from tests.derive.abs_events import at, said

DAY, HOUR = 1440.0, 60.0


def only(*reports: tuple[float, list[tuple[int, int]]], source: int = 11) -> dict[str, object]:
    (reading,) = abs_fault_readings(*said(*reports, source=source)).iter_rows(named=True)
    return reading


def test_an_episode_lasts_until_the_controller_clears_it() -> None:
    reading = only((0, []), (5, [(789, 5)]), (9, [(789, 5)]), (20, []), (60, []))
    assert (reading["start"], reading["end"]) == (at(5), at(20))
    assert (reading["value"], reading["measure"], reading["state"]) == (1, "count", "cleared")
    assert (reading["part"], reading["run_start"]) == ("axle 1 left", None)
    assert reading["note"] == "cleared: SPN 789 FMI 5 (wheel sensor, axle 1 left, current low or open circuit)"


# SAE J1939 digital annex as in Equipment-and-Tool-Institute/j1939-84: 789 to 794 wheel sensors, 795 to 800 modulators
@pytest.mark.parametrize(
    ("spn", "part", "name"),
    [
        (789, "axle 1 left", "wheel sensor, axle 1 left"),
        (792, "axle 2 right", "wheel sensor, axle 2 right"),
        (794, "axle 3 right", "wheel sensor, axle 3 right"),
        (795, "axle 1 left", "pressure modulator, axle 1 left"),
        (800, "axle 3 right", "pressure modulator, axle 3 right"),
        (811, "warning lamp", "warning lamp"),
        (627, "brake controller", "brake controller"),
    ],
)
def test_each_code_has_its_place(spn: int, part: str, name: str) -> None:
    reading = only((0, [(spn, 5)]))
    assert reading["part"] == part
    assert f"SPN {spn} FMI 5 ({name}, " in str(reading["note"])


def test_every_wheel_end_has_a_name_that_says_the_same() -> None:
    codes = shipped_codes()
    assert {spn: name.split(", ", 1)[1] for spn, name in codes.spn.items() if spn <= 800} == codes.wheel_end


def test_sensor_and_modulator_of_one_wheel_are_one_and_two_wheels_are_two() -> None:
    one = only((0, [(789, 5), (795, 5)]))
    assert "SPN 789" in str(one["note"])
    assert "SPN 795" in str(one["note"])
    two = abs_fault_readings(*said((0, [(789, 5), (790, 2)]), (9, [(789, 5)])))
    assert two.select("part", "state").rows() == [("axle 1 left", "active"), ("axle 1 right", "cleared")]


def test_a_code_that_soon_comes_back_was_not_away() -> None:
    reading = only((0, [(791, 5)]), (5, []), (9, [(791, 5)]), (12, []))
    assert (reading["value"], reading["start"], reading["end"]) == (1, at(0), at(12))


def test_codes_of_other_controllers_do_not_count_but_a_wheel_sensor_does() -> None:
    assert abs_fault_readings(*said((0, [(100, 1)]), (5, [(100, 1)]), source=0)).is_empty()
    assert abs_fault_readings(*said()).is_empty()
    assert only((0, [(100, 1), (791, 2)]), source=0)["part"] == "axle 2 left"
    assert only((0, [(100, 1)]), source=13)["part"] == "brake controller"  # axle brakes, 12 to 14


def test_another_controllers_report_clears_nothing() -> None:
    mine, others = said((0, [(791, 5)]), (60, [(791, 5)])), said((30, []), (90, []), source=0)
    readings = abs_fault_readings(pl.concat([mine[0], others[0]]), pl.concat([mine[1], others[1]]))
    assert readings.select("state", "value", "end").row(0) == ("active", 1, at(60))


def test_what_keeps_coming_and_going_is_intermittent() -> None:
    times = [(day * DAY + hour * HOUR, day * DAY + hour * HOUR + 1) for day in range(3) for hour in (8, 11, 15)]
    reports: list[tuple[float, list[tuple[int, int]]]] = [(0, [])]
    for on, off in times:
        reports += [(on, [(790, 2)]), (off, [])]
    reading = only(*reports)
    assert (reading["state"], reading["value"], reading["part"]) == ("intermittent", 9, "axle 1 right")
    assert (reading["start"], reading["end"]) == (at(times[0][0]), at(times[-1][1]))
    assert str(reading["note"]).startswith("intermittent, 9 times: SPN 790")
    assert only(*reports[:-1])["state"] == "intermittent"  # it is on as the record ends
    assert only(*reports[:5])["state"] == "cleared"  # twice may be a repair that did not hold
    quiet = only(*reports, (20 * DAY, []))
    assert quiet["state"] == "cleared"
    stands = only(*reports, (4 * DAY, [(790, 2)]), (6 * DAY, [(790, 2)]))
    assert (stands["state"], stands["value"]) == ("active", 10)


def test_a_fault_that_comes_back_after_a_repair_is_another_episode() -> None:
    stood: list[tuple[float, list[tuple[int, int]]]] = [(day * DAY, [(791, 5)]) for day in range(4)]
    mended = [*stood, (4 * DAY, []), (5 * DAY, [])]
    readings = abs_fault_readings(*said(*mended, (6 * DAY, [(791, 5)])))
    assert readings["state"].to_list() == ["cleared", "active"]
    assert readings["note"].str.ends_with("; came back after it was cleared").to_list() == [False, True]
    later = abs_fault_readings(*said((0, [(791, 5)]), (30, []), (9 * DAY, [(791, 5)])))
    assert later["state"].to_list() == ["cleared", "active"]
    weekend = only((0, [(791, 5)]), (30, []), (3 * DAY, [(791, 5)]))
    assert (weekend["state"], weekend["value"]) == ("active", 2)


def test_reports_in_any_order_and_twice_give_the_same() -> None:
    reports, codes = said((0, [(791, 5)]), (5, []), (90, [(791, 5), (789, 2)]), (95, []), (96, [(811, 3)]))
    whole = abs_fault_readings(reports, codes)
    shuffled = abs_fault_readings(
        pl.concat([reports, reports]).sample(fraction=1, shuffle=True, seed=3), pl.concat([codes, codes]).reverse()
    )
    assert whole.equals(shuffled)


REAL = Path(__file__).parents[1] / "data" / "bench-abs-dm1-bam.candump.log.gz"


# origin and licence of the recording: tests/data/README.md
def test_a_bench_with_real_controllers_shows_each_wheel_end() -> None:
    reports, codes = _decoded(REAL)
    readings = abs_fault_readings(reports, codes)
    found = {row["part"]: row["note"] for row in readings.iter_rows(named=True)}
    wanted = {
        "axle 1 left": "SPN 789 FMI 2", "axle 1 right": "SPN 790 FMI 2", "axle 2 left": "SPN 791 FMI 2",
        "axle 2 right": "SPN 792 FMI 2", "warning lamp": "SPN 811 FMI 13", "relay, diagonal 1": "SPN 802 FMI 4",
        "brake controller": "SPN 1045 FMI 7",
    }  # fmt: skip
    assert wanted.keys() <= found.keys()
    for part, text in wanted.items():
        assert text in found[part]
    assert codes.filter(pl.col("source_address") == 0).height >= 47  # of the engine, and none of them counts
    assert not readings["note"].str.contains("SPN (?:91|97|102|110) ").any()


def _decoded(path: Path) -> tuple[pl.DataFrame, pl.DataFrame]:
    decoded = decode_candump(gzip.decompress(path.read_bytes()))
    whose = {"fleet": pl.lit("north"), "unit": pl.lit("K-1")}
    reports = decoded.fault_reports.with_columns(**whose).select(REPORT_SCHEMA.keys()).cast(REPORT_SCHEMA)
    return reports, decoded.fault_codes.with_columns(**whose).select(CODE_SCHEMA.keys()).cast(CODE_SCHEMA)
