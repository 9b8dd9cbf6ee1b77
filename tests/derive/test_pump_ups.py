"""Build-up times of drawn simulated pump-ups, held against what each unit takes in the rule's own test."""

import os

import click
import numpy as np
import polars as pl
import pytest

from tests.derive.pump_ups import FIGURES, OWN_FIGURES, draw, pump_ups

N = int(os.environ.get("AIRWATCH_PUMP_UPS", "300"))
"""How many are drawn; ``AIRWATCH_PUMP_UPS=5000`` takes a few minutes and shows groups more sharply."""


@pytest.fixture(scope="module")
def drawn() -> pl.DataFrame:
    rng = np.random.default_rng(20310211)
    return pump_ups([draw(rng, f"K-{k:05}") for k in range(N)], rng)


def test_intervals_hold_the_time_of_the_rules_own_test(drawn: pl.DataFrame) -> None:
    """Volumes, compressors, speeds, tanks, trailers, starts, weather and sensors vary; tables are printed (``-s``)."""
    late = pl.when("is_fanned").then(pl.lit("fanned down")).otherwise(pl.lit("leaked down"))
    near = pl.when(pl.col("start") > 500.0).then(pl.lit(", near 85 psi")).otherwise(pl.lit(", far below"))
    groups: dict[str, str | pl.Expr] = {
        "coupling": "coupling",
        "speed": "speed",
        "tanks": "tanks",
        "circuit": "circuit",
        "start": pl.concat_str(late, near),
        "spacing_s": "spacing_s",
        "step_kpa": "step_kpa",
        "noise over": (pl.col("noise_steps") > 0.25).replace_strict({False: 0.0, True: 0.25}),
        "volumes known": "is_registered",
    }
    with pl.Config(tbl_hide_column_data_types=True, tbl_hide_dataframe_shape=True, tbl_rows=-1, tbl_cols=-1):
        for name, key in groups.items():
            expr = pl.col(key) if isinstance(key, str) else key
            table = drawn.group_by(expr.alias(name)).agg(**FIGURES).sort(name)
            click.echo(table)
            assert table.filter(pl.col("n") >= 60)["held"].min() >= 0.90
    whole = drawn.select(**FIGURES).row(0, named=True)
    click.echo(whole)
    assert (
        whole["held"] >= 0.90
    )  # and more: where a trailer may fill, the interval spans its filling and its not filling


@pytest.mark.parametrize(
    ("speed", "widest"), [("governed", 0.10), ("revved", 0.14), ("fast idle", 0.2), ("idle", 0.25)]
)
def test_a_unit_alone_is_read_closely(speed: str, widest: float) -> None:
    """At governed speed nothing but the sensor is in doubt; below it, how much better a compressor fills, and leaks."""
    rng = np.random.default_rng(20310212)
    alone = {"coupling": "none", "tanks": "all rise", "speed": speed, "is_fanned": False}
    pumps = [draw(rng, f"K-{k:05}", **alone, start=rng.uniform(250.0, 450.0)) for k in range(N // 2)]
    whole = pump_ups(pumps, rng).select(**FIGURES, **OWN_FIGURES).row(0, named=True)
    click.echo(f"{speed}: {whole}")
    assert 0.90 <= whole["held"] <= 0.995
    assert abs(whole["bias"]) < 0.05
    assert whole["half_width"] < widest


def test_gas_that_still_warms_is_allowed_for() -> None:
    """Started just below 85 psi, gas is compressed at first as fast as it warms: the rise is a fifth too short."""
    rng = np.random.default_rng(20310213)
    late = {"coupling": "none", "tanks": "all rise", "speed": "governed", "is_fanned": False, "spacing_s": 1.0}
    pumps = [draw(rng, f"K-{k:05}", **late, start=rng.uniform(555.0, 575.0)) for k in range(N // 2)]
    whole = pump_ups(pumps, rng).select(**FIGURES, **OWN_FIGURES).row(0, named=True)
    click.echo(whole)
    assert whole["bias"] < -0.10
    assert whole["held"] >= 0.90


def test_a_tank_that_never_fills_is_counted_by_its_volume() -> None:
    rng = np.random.default_rng(20310214)
    stuck = {"coupling": "none", "tanks": "one is stuck", "is_fanned": False}
    found = pump_ups([draw(rng, f"K-{k:05}", **stuck) for k in range(N // 2)], rng).drop_nulls("value")
    assert found.select(**FIGURES).row(0, named=True)["held"] >= 0.90
    assert found["note"].str.contains("of the tanks' volume filled").mean() > 0.95


def test_a_trailer_that_opens_on_the_way_up_makes_no_false_fail() -> None:
    """A protection valve opens at 50 to 97 psi: pressure sags, or rises more slowly from there on."""
    rng = np.random.default_rng(20310215)
    opening = {"coupling": "fed late", "tanks": "all rise"}
    found = pump_ups([draw(rng, f"K-{k:05}", **opening) for k in range(N // 2)], rng)
    figures = found.select(**FIGURES).row(0, named=True)
    click.echo(figures)
    assert figures["held"] >= 0.90
    is_slow = pl.col("lower") > 1.2 * pl.col("true")
    assert found.select(is_slow.mean()).item() < 0.02
