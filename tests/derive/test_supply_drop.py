"""The supply tank after a cut-out, against the simulator's truth and a made check valve."""

import numpy as np
import polars as pl
import pytest

from airwatch.derive.runs import run_table
from airwatch.derive.supply_drop import supply_drop_readings
from airwatch.derive.turns import governor_turns
from tests.derive.samples import in_runs, rounded
from tests.derive.test_governor import cycles
from tests.derive.truth import simulated


def test_the_fall_of_simulated_supply_tanks_is_covered() -> None:
    frame = simulated(5, 14, more_columns=("supply_kpa",))
    found = supply_drop_readings(frame, governor_turns(frame), run_table(frame))
    assert found.height > 50
    covered = []
    for row in found.iter_rows(named=True):
        window = frame.filter((pl.col("unit") == row["unit"]) & pl.col("t").is_between(row["start"], row["end"]))
        fell = window["true_supply_kpa"][0] - window["true_supply_kpa"][-1]
        truth = fell / (row["end"] - row["start"]).total_seconds() * 60
        covered.append(row["lower"] <= truth <= row["upper"])
    assert np.mean(covered) >= 0.95
    assert found["circuit"].unique().to_list() == ["supply"]


def test_air_let_back_makes_supply_fall_faster() -> None:
    def usual(frame: pl.DataFrame) -> float:
        found = supply_drop_readings(frame, governor_turns(frame), run_table(frame))
        return float(found["value"].median())

    healthy = usual(simulated(5, 14, more_columns=("supply_kpa",)))
    faulty = usual(simulated(9, 6, faulty="supply_backflow", more_columns=("supply_kpa",)))
    assert faulty > 1.5 * healthy


def made(primary_per_min: float, supply_per_min: float) -> pl.DataFrame:
    """Make cycles whose supply and primary tanks fall by themselves after each cut-out; the secondary holds."""
    frame = cycles(3, cut_out=880, cut_in=752)
    s = (np.arange(frame.height) - 60) % 340
    fall_s = np.where((np.arange(frame.height) >= 60) & (s < 300), s, 0)
    rise = frame["primary_kpa"].to_numpy()
    is_fall = fall_s > 0
    supply = np.where(is_fall, np.maximum(880 - supply_per_min / 60 * fall_s, 752), rise)
    primary = np.where(is_fall, np.maximum(880 - primary_per_min / 60 * fall_s, 752), rise)
    return frame.with_columns(
        supply_kpa=pl.Series(rounded(supply)),
        primary_kpa=pl.Series(rounded(primary)),
        secondary_kpa=pl.Series(rounded(np.where(is_fall, 880, rise))),
    )


@pytest.mark.parametrize(("primary", "supply", "part"), [(12, 24, "primary"), (0, 24, None), (24, 24, None)])
def test_a_tank_that_goes_with_a_lower_supply_tank_is_named(primary: float, supply: float, part: str | None) -> None:
    cut, runs = in_runs(made(primary, supply))
    found = supply_drop_readings(cut, governor_turns(cut), runs)
    assert found.height >= 2
    assert found["part"].to_list() == [part] * found.height
    assert (found["lower"] <= supply).all()
    assert (found["upper"] >= supply).all()


def test_brake_use_leaves_too_little_and_no_supply_sensor_leaves_nothing() -> None:
    frame = made(0, 24)
    braked = frame.with_columns(service_brake=(pl.int_range(pl.len()) % 20 == 0).cast(pl.Int8))
    unsent = frame.with_columns(supply_kpa=pl.lit(None, pl.Float64))
    for changed in (braked, unsent, frame.clear()):
        cut, runs = in_runs(changed) if changed.height else (in_runs(frame)[0].clear(), in_runs(frame)[1])
        assert supply_drop_readings(cut, governor_turns(cut), runs).is_empty()
