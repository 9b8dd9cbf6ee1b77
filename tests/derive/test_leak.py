import math
import os
from typing import Any

import click
import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.derive.leak import leak_readings, leak_static_readings
from tests.derive.drawn_pre_trips import drawn_pre_trips
from tests.derive.leak_windows import drawn_holds
from tests.derive.pre_trip import pre_trips
from tests.derive.samples import in_runs, rounded, samples

ATMOSPHERE = 101.325
N_TRIPS = int(os.environ.get("AIRWATCH_PRE_TRIPS", "300"))
"""How many tractors are tested in each case; ``AIRWATCH_PRE_TRIPS=2000`` takes a minute or two and shows biases."""
PSI = 6.894757  # NIST SP 811 (2008), appendix B.8


def orifice_tau_s(diameter_mm: float, litres: float, kelvin: float = 293.15) -> float:
    """Time constant of isothermal decay through a choked orifice, discharge coefficient 1.

    m = 0.0404 A p0 / sqrt(T0) for air (SI), dp/dt = m R T / V: choked-flow formula of gas-dynamics handbooks.
    """
    area = math.pi * (diameter_mm / 1000) ** 2 / 4
    return litres / 1000 / (0.0404 * area / math.sqrt(kelvin) * 287.05 * kelvin)


def hold(
    tau_s: float, *, start_kpa: float, minutes: float, step: float, spacing_s: float = 10.0, offset: float = 0.0
) -> pl.DataFrame:
    """Engine stops at once, then the hold decays; the ten settling minutes come before ``minutes``."""
    t = np.arange(0, (minutes + 10) * 60 + 1, spacing_s)
    kpa = (start_kpa + ATMOSPHERE) * np.exp(-t / tau_s) - ATMOSPHERE + offset
    rpm = np.where(t == 0, 600, 0)
    return samples(t, primary_kpa=rounded(kpa, step), engine_rpm=rpm, speed_kph=0, park_brake=1, service_brake=0)


# A tank of 100 L at 827 kPa (120 psi) gauge and 20 C through a hole, discharge coefficient 1, computed from the
# choked-flow formula: 0.25 mm 0.79 psi/min, 0.5 mm 3.2 psi/min, 1 mm 12.6 psi/min.
@pytest.mark.parametrize(("hole_mm", "psi_per_min"), [(0.25, 0.79), (0.5, 3.2), (1.0, 12.6)])
def test_a_drilled_hole_leaks_what_choked_flow_says(hole_mm: float, psi_per_min: float) -> None:
    tau = orifice_tau_s(hole_mm, 100.0)
    assert (827 + ATMOSPHERE) / tau * 60 / PSI == pytest.approx(psi_per_min, rel=0.02)
    start = (827 + ATMOSPHERE) * math.exp(600 / tau) - ATMOSPHERE  # so that it is 827 kPa when settled
    cut, runs = in_runs(hold(tau, start_kpa=start, minutes=20, step=4))
    reading = leak_static_readings(cut, runs).row(0, named=True)
    at_827 = reading["value"] / (690 + ATMOSPHERE) * (827 + ATMOSPHERE) / PSI
    assert at_827 == pytest.approx(psi_per_min, rel=0.04, abs=0.03)
    assert (reading["circuit"], reading["check"], reading["measure"]) == ("primary", "leak_static", "kPa/min")


@settings(deadline=None, max_examples=60)
@given(
    rate=st.just(0.0) | st.floats(0.001, 40.0),
    minutes=st.floats(6, 600),
    step=st.sampled_from([4.0, 8.0]),
    start=st.floats(700, 900),
    offset=st.floats(-4, 4),
)
def test_the_interval_holds_whatever_rounding_does(
    rate: float, minutes: float, step: float, start: float, offset: float
) -> None:
    tau = (690 + ATMOSPHERE) / (rate / 60) if rate else math.inf
    cut, runs = in_runs(hold(tau, start_kpa=start, minutes=minutes, step=step, offset=offset))
    for reading in leak_static_readings(cut, runs).iter_rows(named=True):
        # a gauge offset of 4 kPa shifts absolute pressure by under 1 %
        assert reading["lower"] - 0.01 * rate - 0.02 <= rate <= reading["upper"] + 0.01 * rate + 0.02


def test_nothing_is_read_from_a_hold_that_is_not_one() -> None:
    t = np.arange(0, 3600, 10.0)
    kpa = rounded(850 - t / 60)
    common = {"primary_kpa": kpa, "speed_kph": 0, "park_brake": 1, "service_brake": 0}
    running = samples(t, engine_rpm=600, **common)
    released = samples(t, engine_rpm=np.where(t == 0, 600, 0), **{**common, "park_brake": 0})
    braking = samples(t, engine_rpm=np.where(t == 0, 600, 0), **{**common, "service_brake": 1})
    filled = samples(
        t, engine_rpm=np.where(t == 0, 600, 0), **{**common, "primary_kpa": kpa + np.where(t > 1800, 40, 0)}
    )
    for frame in (running, released, braking, filled):
        assert leak_static_readings(*in_runs(frame)).is_empty()


def test_each_tank_is_read_by_itself_and_key_off_may_null_the_engine() -> None:
    t = np.arange(0, 7200, 10.0)
    frame = samples(
        t,
        primary_kpa=rounded(850 - t / 60 * 2),
        secondary_kpa=rounded(np.full(t.size, 851.0)),
        engine_rpm=[650.0] + [None] * (t.size - 1),
        park_brake=1,
    )
    readings = leak_static_readings(*in_runs(frame))
    assert readings["circuit"].to_list() == ["primary", "secondary"]
    assert readings["value"].to_list() == pytest.approx([2.0, 0.0], abs=0.12)


def figures(true: str) -> dict[str, pl.Expr]:
    """Give the columns of a table of readings, held against the column ``true``, kPa/min; errors are in psi/min."""
    error = (pl.col("value") - pl.col(true)) / PSI
    return {
        "n": pl.len(),
        "held": (pl.col(true).is_between("lower", "upper")).mean().round(3),
        "below": (pl.col("upper") < pl.col(true)).mean().round(3),
        "above": (pl.col("lower") > pl.col(true)).mean().round(3),
        "bias_psi_per_min": error.mean().round(4),
        "rms_psi_per_min": error.pow(2).mean().sqrt().round(4),
        "half_width": ((pl.col("upper") - pl.col("lower")).median() / 2 / PSI).round(4),
    }


def by_group(drawn: pl.DataFrame, true: str, groups: dict[str, tuple[str, list[float]]], *also: str) -> pl.DataFrame:
    """Print a table of `figures` for each column cut at some edges; give the rows of all."""
    tables = []
    with pl.Config(tbl_hide_column_data_types=True, tbl_hide_dataframe_shape=True, tbl_rows=-1, tbl_cols=-1):
        for name, (column, edges) in groups.items():
            above = pl.sum_horizontal(pl.col(column) > edge for edge in edges)
            over = above.replace_strict(dict(enumerate([-math.inf, *map(float, edges)])), return_dtype=pl.Float64)
            table = drawn.group_by(*also, over.alias(f"{name} over")).agg(**figures(true)).sort(*also, f"{name} over")
            click.echo(table)
            tables.append(table.rename({f"{name} over": "over"}).with_columns(group=pl.lit(name)))
    return pl.concat(tables)


@pytest.fixture(scope="module")
def drawn() -> pl.DataFrame:
    return drawn_holds(1200, seed=20310311)


def test_intervals_hold_what_was_drawn(drawn: pl.DataFrame) -> None:
    """Steps, noise, sampling, gaps, cooling, weather, rates and lengths all vary; the table is printed (``-s``)."""
    groups = {
        "minutes": ("minutes", [5, 20, 60, 240]),
        "rate": ("rate", [0.01, 1, 3, 10]),
        "step": ("step_kpa", [6]),
        "noise": ("noise_steps", [0.2, 0.4]),
        "spacing": ("spacing_s", [1.5, 3, 7]),
    }
    table = by_group(drawn, "rate", groups)
    assert table.filter(pl.col("n") >= 100)["held"].min() >= 0.88  # no group is let down by the others
    whole = drawn.select(**figures("rate")).row(0, named=True)
    click.echo(whole)
    assert drawn["value"].null_count() == 0
    assert 0.90 <= whole["held"] <= 0.99
    assert abs(whole["bias_psi_per_min"]) < 0.05


def test_short_holds_one_after_the_other_are_read_without_bias() -> None:
    """Parked, released and braked for a minute to ten after a pump-up; all there is varies (``-s`` prints the table).

    What is assumed of gas and walls was chosen on seeds 1, 2 and 3, which judge nothing here.
    """
    drawn = drawn_pre_trips(1500, seed=20310312)
    groups = {
        "hold, s": ("hold_s", [61, 120, 300]),
        "pumped before, s": ("rested_s", [20, 60, 200]),
        "rate": ("true", [0.3, 3, 10]),
        "celsius": ("celsius", [0, 20]),
        "step": ("step_kpa", [6]),
        "noise": ("noise_steps", [0.2, 0.4]),
        "spacing": ("spacing_s", [1.5, 3, 7]),
    }
    table = by_group(drawn, "true", groups, "check")
    large = table.filter(pl.col("n") >= 100)
    assert large["held"].min() >= 0.88
    # a minute on 8 kPa steps, of a tank that cannot be tighter than tight
    assert large.filter(pl.col("group") != "rate")["bias_psi_per_min"].abs().max() < 0.15
    whole = drawn.group_by("check").agg(**figures("true")).sort("check")
    click.echo(whole)
    a_minute = drawn.filter(pl.col("hold_s") == 60.0).group_by("check").agg(**figures("true")).sort("check")
    click.echo(a_minute)
    assert whole["n"].min() >= 1000
    assert whole["held"].is_between(0.90, 0.99).all()
    assert whole.filter(check="leak_applied")["bias_psi_per_min"].abs().item() < 0.05
    assert whole.filter(check="leak_released")["bias_psi_per_min"].abs().item() < 0.05
    assert a_minute["bias_psi_per_min"].abs().max() < 0.15


@pytest.mark.parametrize(
    ("released_s", "applied_s", "spacing_s"),
    [(60, 60, 1), (200, 60, 1), (200, 140, 1), (60, 300, 1), (250, 200, 2), (400, 400, 10)],
)
def test_simulated_pre_trips_are_covered(released_s: int, applied_s: int, spacing_s: int) -> None:
    """The pedal takes air and chills the gas that is left; without allowing for that, one interval in five holds.

    The allowances were chosen on seeds 3, 11 and 12, which judge nothing here.
    """
    trips = pre_trips(N_TRIPS, 20310313, released_s=released_s, applied_s=applied_s, spacing_s=spacing_s)
    table = trips.group_by("check", "circuit").agg(**figures("true"))
    with pl.Config(tbl_hide_column_data_types=True, tbl_cols=-1):
        click.echo(f"released {released_s} s, applied {applied_s} s, every {spacing_s} s")
        click.echo(table.sort("check", "circuit"))
    assert table["n"].to_list() == [N_TRIPS] * 4
    assert table["held"].min() >= 0.88
    assert trips.select(figures("true")["held"]).item() >= 0.90
    assert table["bias_psi_per_min"].abs().max() < 0.15


def _tight_tank_under_the_pedal(before_s: float) -> tuple[np.ndarray, dict[str, Any]]:
    """Give pressures from ``before_s`` before the pedal on, and the reading of the application.

    5 % of the air is taken at once: adiabatic, T falls by 0.4 times that (g = 1.4 for air), and comes back with 40 s.
    """
    t = np.arange(-before_s, 150.0)
    log = np.where(t >= 0, -0.05 - 0.4 * 0.05 * np.exp(-np.maximum(t, 0.0) / 40.0), 0.0)
    kpa = (850 + ATMOSPHERE) * np.exp(log) - ATMOSPHERE
    frame = samples(
        t + before_s, primary_kpa=rounded(kpa, 4), engine_rpm=0, speed_kph=0, park_brake=0, service_brake=t >= 0
    )
    return kpa, leak_readings(*in_runs(frame)).row(-1, named=True)


def test_gas_that_warms_after_the_pedal_hides_no_leak() -> None:
    kpa, reading = _tight_tank_under_the_pedal(3600.0)
    assert (kpa[-1] - kpa[-105]) / 104.0 * 60.0 > 2.5  # kPa/min that the pressure rises by, after 45 s
    assert reading["check"] == "leak_applied"
    assert reading["lower"] <= 0.0 <= reading["upper"]
    assert abs(reading["value"]) < 1.5


def test_an_application_that_was_not_seen_to_begin_has_no_interval() -> None:
    _, reading = _tight_tank_under_the_pedal(0.0)
    assert (reading["check"], reading["lower"], reading["upper"]) == ("leak_applied", None, None)
    assert reading["note"].endswith("what the application took was not seen")
