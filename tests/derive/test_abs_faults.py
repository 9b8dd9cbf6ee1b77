from datetime import timedelta

import polars as pl

from airwatch.contract.batch import CODE_SCHEMA, REPORT_SCHEMA
from airwatch.derive.abs_faults import abs_fault_readings, shipped_codes
from tests.derive.samples import T0


def said(*reports: tuple[int, list[tuple[int, int]]], source: int = 11) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Make reports of one controller: minute and the (SPN, FMI) active then."""
    rows = [("north", "K-1", T0 + timedelta(minutes=minute), source) for minute, _ in reports]
    codes = [
        ("north", "K-1", T0 + timedelta(minutes=minute), source, spn, fmi, 1)
        for minute, active in reports
        for spn, fmi in active
    ]
    return pl.DataFrame(rows, schema=REPORT_SCHEMA, orient="row"), pl.DataFrame(codes, schema=CODE_SCHEMA, orient="row")


def test_an_episode_lasts_until_the_controller_clears_it() -> None:
    readings = abs_fault_readings(*said((0, []), (5, [(789, 5)]), (9, [(789, 5), (790, 2)]), (20, []), (60, [])))
    (reading,) = readings.iter_rows(named=True)
    assert (reading["start"], reading["end"]) == (T0 + timedelta(minutes=5), T0 + timedelta(minutes=20))
    assert reading["value"] == 2
    assert reading["note"].startswith("cleared: SPN 789 FMI 5 (wheel sensor, axle 1 left, current low or open circuit)")


def test_a_code_that_soon_comes_back_is_one_episode_and_later_two() -> None:
    soon = abs_fault_readings(*said((0, [(791, 5)]), (5, []), (9, [(791, 5)]), (12, [])))
    later = abs_fault_readings(*said((0, [(791, 5)]), (5, []), (90, [(791, 5)]), (95, [])))
    assert (soon.height, later.height) == (1, 2)


def test_what_is_still_active_says_so_and_engine_codes_do_not_count() -> None:
    (reading,) = abs_fault_readings(*said((0, [(791, 5)]), (5, [(791, 5)]))).iter_rows(named=True)
    assert reading["note"].startswith("active")
    assert abs_fault_readings(*said((0, [(100, 1)]), (5, [(100, 1)]), source=0)).is_empty()
    assert abs_fault_readings(*said()).is_empty()


# SAE J1939 digital annex as in Equipment-and-Tool-Institute/j1939-84: 789 to 794 wheel sensors, 795 to 800 modulators
def test_names_of_wheel_ends() -> None:
    spn = shipped_codes().spn
    assert [spn[n] for n in (789, 794, 795, 800)] == [
        "wheel sensor, axle 1 left",
        "wheel sensor, axle 3 right",
        "pressure modulator, axle 1 left",
        "pressure modulator, axle 3 right",
    ]
