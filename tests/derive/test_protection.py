from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.derive.protection import PARKING, TRAILER_SUPPLY, protection_readings
from airwatch.derive.runs import run_table
from pipelines.simulation.fleet import simulate_fleet
from tests.derive.samples import in_runs, rounded, samples
from tests.derive.truth import seen_and_true

T = np.arange(0, 320.0)


def fanned(pop: float, *, closes: float | None = None, step: float = 8.0, lowest: float = 150.0) -> dict[str, object]:
    """Engine off, each fourth second of pumping takes 12 kPa; the parking valve pops, then the pumping stops."""
    kpa = np.maximum(850.0 - 12.0 * np.floor(T / 4), max(pop - 10, lowest))
    is_shut = kpa < (0.0 if closes is None else closes)
    return {
        "primary_kpa": rounded(kpa, step),
        "secondary_kpa": rounded(kpa - 4, step),
        "trailer_kpa": rounded(np.where(is_shut, 0.0, kpa - 3), step) if closes is not None else [None] * T.size,
        "park_brake": (kpa < pop).astype(int),
        "service_brake": (kpa >= pop).astype(int),
    }


def read(t: np.ndarray = T, **columns: object) -> pl.DataFrame:
    base = {"engine_rpm": np.where(t == 0, 650, 0), "speed_kph": 0}
    return protection_readings(*in_runs(samples(t, **{**base, **columns})))


@settings(deadline=None, max_examples=60)
@given(pop=st.floats(160, 250), closes=st.floats(255, 320), step=st.sampled_from([4.0, 8.0]))
def test_both_valves_close_where_they_were_made_to(pop: float, closes: float, step: float) -> None:
    readings = read(**fanned(pop, closes=closes, step=step))
    found = {row["part"]: row for row in readings.iter_rows(named=True)}
    assert list(found) == [TRAILER_SUPPLY, PARKING]
    for part, point in ((TRAILER_SUPPLY, closes), (PARKING, pop)):
        assert found[part]["lower"] <= point <= found[part]["upper"]
        assert found[part]["upper"] - found[part]["lower"] < 3 * step + 30
        assert (found[part]["state"], found[part]["check"]) == ("closed", "protection_valve")


def test_a_hand_that_pulls_a_valve_is_no_closing() -> None:
    steady = {"primary_kpa": 820, "secondary_kpa": 816}
    assert read(**steady, park_brake=(T > 100).astype(int)).is_empty()  # parked with air
    assert read(**steady, park_brake=0, trailer_kpa=np.where(T > 100, 0, 816)).is_empty()  # uncoupled with air
    fan = fanned(0, closes=0, lowest=300)  # pumped down to 300 kPa, left alone, then parked and uncoupled by hand
    assert read(**{**fan, "park_brake": (T > 300).astype(int)}).is_empty()
    assert read(**{**fan, "trailer_kpa": np.where(T > 300, 0, fan["trailer_kpa"])}).is_empty()
    soon = int(np.argmax(np.asarray(fan["primary_kpa"]) <= 304)) + 20  # the pumping has stopped, and only just
    assert read(**{**fan, "park_brake": (soon < T).astype(int)}).is_empty()
    drained = np.maximum(600 - 3 * T, 320)  # air let out, no brake used; then it stands until a hand parks
    assert read(
        primary_kpa=rounded(drained), secondary_kpa=rounded(drained), park_brake=(T > 300).astype(int)
    ).is_empty()


def test_a_trailer_that_breaks_away_tells_nothing_of_the_valve() -> None:
    kpa = np.maximum(820 - np.maximum(T - 100, 0) * 20, 250)  # tanks fall through the open line until the valve shuts
    broken = {"primary_kpa": rounded(kpa), "secondary_kpa": rounded(kpa), "trailer_kpa": np.where(T > 101, 0, 816)}
    assert read(**broken, park_brake=0).is_empty()


def test_a_line_that_sags_while_a_trailer_fills_has_not_closed() -> None:
    kpa = np.full(T.size, 400.0) - T * 0.2
    sag = np.where((T > 50) & (T < 80), 0.6, 1.0)
    assert read(
        primary_kpa=rounded(kpa), secondary_kpa=rounded(kpa), trailer_kpa=rounded(kpa * sag), park_brake=0
    ).is_empty()


def test_a_slow_leak_closes_the_supply_valve_unseen_by_anybody() -> None:
    t = np.arange(0, 4 * 3600.0, 10)
    kpa = 600 - t / 60 * 2.0
    line = rounded(np.where(kpa < 271, 0.0, kpa))
    readings = read(t, primary_kpa=rounded(kpa), secondary_kpa=rounded(kpa), trailer_kpa=line, park_brake=1)
    (reading,) = readings.iter_rows(named=True)
    assert reading["lower"] <= 271 <= reading["upper"]


def test_a_valve_open_below_20_psi_stayed_open_and_a_dark_sensor_says_nothing() -> None:
    t = np.arange(0, 400.0)
    kpa = np.maximum(850.0 - 12.0 * np.floor(t / 4), 60.0)
    columns = {"primary_kpa": rounded(kpa), "secondary_kpa": rounded(kpa), "service_brake": 1}
    (reading,) = read(t, **columns, park_brake=0).iter_rows(named=True)
    assert (reading["part"], reading["state"], reading["lower"], reading["value"]) == (PARKING, "stayed open", 0, 64)
    assert reading["upper"] < 20 * 6.894757  # NIST SP 811
    dark = np.where(t > 100, 0.0, 820.0)
    assert read(t, primary_kpa=dark, secondary_kpa=dark, park_brake=0).is_empty()


@pytest.fixture(scope="module")
def fleet() -> tuple[pl.DataFrame, dict[str, tuple[float, float]]]:
    drawn = simulate_fleet(21, 6, 3, faulty_share=0.0, extra_columns_share=1.0).scenario
    units = tuple(replace(u, duty=replace(u.duty, test_share=1.0, drive_h=1.0, leg_min=20.0)) for u in drawn.units)
    points = {u.vehicle.name: (u.vehicle.park_pop_kpa, u.vehicle.protection_kpa) for u in units}
    return seen_and_true(replace(drawn, units=units)), points


def test_simulated_brake_tests_show_the_points_that_were_put_in(
    fleet: tuple[pl.DataFrame, dict[str, tuple[float, float]]],
) -> None:
    seen, points = fleet
    readings = protection_readings(seen, run_table(seen))
    assert set(readings["part"]) == {PARKING, TRAILER_SUPPLY}
    assert set(readings["state"]) == {"closed"}
    held = [
        row["lower"] <= points[row["unit"]][row["part"] == TRAILER_SUPPLY] <= row["upper"]
        for row in readings.iter_rows(named=True)
    ]
    assert len(held) > 15
    assert np.mean(held) >= 0.95
