"""Turning points of the system pressure: where the governor cut the compressor out and in.

The governor senses the supply tank. Where that is not sent, the lower of the moving brake tanks stands for it: air
flows from the supply tank into whichever tank is lower, so the two are equal within the opening pressure of a check
valve, and at cut-out all tanks are.
"""

import numpy as np
import polars as pl
from scipy.signal import find_peaks

from airwatch.derive.frames import RUN_SAMPLES, require, seconds
from airwatch.derive.sensor import step_kpa
from airwatch.derive.tuning import Governor, shipped_tuning

_WALL_KPA = 1e6  # stands between runs: a peak search ends at anything higher

TURNS = pl.Schema(
    {
        "run": pl.UInt32(),
        "t": pl.Datetime("us"),
        "kind": pl.String(),
        "system_kpa": pl.Float64(),
        "step_kpa": pl.Float64(),
    }
)
"""One row a turn, sorted; ``kind`` is cut_out or cut_in."""


def system_pressure(samples: pl.DataFrame, tuning: Governor | None = None) -> pl.DataFrame:
    """Give ``run, t, system_kpa, step_kpa, is_running`` for the samples that have a system pressure."""
    tuning = tuning or shipped_tuning().governor
    names = ("supply_kpa", "primary_kpa", "secondary_kpa")
    steps = samples.group_by("run", maintain_order=True).agg(
        *(step_kpa(pl.col(name)).alias(f"{name}_step") for name in names),
        *((pl.col(name).max() - pl.col(name).min()).alias(f"{name}_range") for name in names),
        has_supply=pl.col("supply_kpa").is_not_null().any(),
    )
    joined = samples.select("run", "t", "is_running", *names).join(steps, on="run", how="left", maintain_order="left")

    def moving(name: str) -> pl.Expr:
        is_moving = pl.col(f"{name}_range") >= tuning.prominence_steps * pl.col(f"{name}_step")
        return pl.when(is_moving).then(pl.col(name))

    lower = pl.min_horizontal(moving("primary_kpa"), moving("secondary_kpa"))
    step = pl.max_horizontal("primary_kpa_step", "secondary_kpa_step")
    return joined.select(
        "run",
        "t",
        "is_running",
        system_kpa=pl.when("has_supply").then(pl.col("supply_kpa")).otherwise(lower),
        step_kpa=pl.when("has_supply").then(pl.col("supply_kpa_step")).otherwise(step),
    ).drop_nulls("system_kpa")


def governor_turns(samples: pl.DataFrame, tuning: Governor | None = None) -> pl.DataFrame:
    """Find the cut-outs and cut-ins of each run from pressure and engine speed alone.

    A cut-out is the top of a rise, with the engine running on afterwards, from which the pressure falls for at least
    ``unloaded_s``; a cut-in is the bottom of the fall that follows a cut-out, with the engine running.
    A brake application during a pump-up makes a shorter fall, and a top far below the run's highest: neither is a
    cut-out.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.

    Returns
    -------
    DataFrame
        Columns as `TURNS`; pressures gauge kPa, as the sensor reported them.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "governor_turns")
    tuning = tuning or shipped_tuning().governor
    system = system_pressure(samples, tuning).with_columns(
        last_running=pl.when("is_running").then(pl.col("t")).max().over("run"),
    )
    is_new = pl.col("system_kpa") != pl.col("system_kpa").shift(1).over("run")
    is_last = pl.col("system_kpa") != pl.col("system_kpa").shift(-1).over("run")
    held_to = pl.when(is_last.fill_null(value=True)).then(pl.col("t")).backward_fill().over("run")
    changed = system.with_columns(held_to=held_to, run_began=pl.col("t").first().over("run")).filter(
        is_new.fill_null(value=True)
    )
    if changed.is_empty():
        return pl.DataFrame(schema=TURNS)
    found = _alternating(changed, tuning)
    runs_on = seconds(pl.col("last_running") - pl.col("t")) >= tuning.engine_after_s
    falls_for = seconds(pl.col("t").shift(-1).over("run") - pl.col("t")).fill_null(float("inf"))
    top = pl.col("system_kpa").filter(pl.col("is_top")).max().over("run")
    is_cut_out = pl.col("is_top") & runs_on & (falls_for >= tuning.unloaded_s)
    is_cut_out &= pl.col("system_kpa") >= top - tuning.agree_kpa
    told = found.with_columns(is_cut_out=is_cut_out).with_columns(
        follows_cut_out=pl.col("is_cut_out").shift(1).over("run").fill_null(value=False)
    )
    is_bottom = ~pl.col("is_top") & pl.col("is_running")
    is_cut_in = is_bottom & pl.col("follows_cut_out")
    # a record may begin in the middle of a fall: such a first bottom counts if it agrees with the cut-ins that follow
    usual = pl.col("system_kpa").filter(is_cut_in).median().over("run")
    fell_for = seconds(pl.col("t") - pl.col("run_began"))
    is_lead = is_bottom & (pl.int_range(pl.len()).over("run") == 0) & (fell_for >= tuning.unloaded_s)
    is_lead &= ((pl.col("system_kpa") - usual).abs() <= tuning.agree_kpa).fill_null(value=False)
    return (
        told.filter(pl.col("is_cut_out") | is_cut_in | is_lead)
        .with_columns(
            kind=pl.when("is_top").then(pl.lit("cut_out")).otherwise(pl.lit("cut_in")),
            # a top is passed as its value is reached, a bottom as it is left: the other side of each plateau is slow
            t=pl.when("is_top").then(pl.col("t")).otherwise(pl.col("held_to")),
        )
        .select(TURNS.keys())
    )


def _alternating(changed: pl.DataFrame, tuning: Governor) -> pl.DataFrame:
    """Give tops and bottoms by turns: of equal tops the first, of equal bottoms the last."""
    changed = changed.with_columns(wall=pl.col("run").rle_id())
    kpa = changed["system_kpa"].to_numpy()
    wall = changed["wall"].to_numpy().astype(np.int64)
    place = np.arange(kpa.size) + wall + 1  # each run stands behind a wall
    walled = np.full(int(place[-1]) + 2, np.nan)
    walled[place] = kpa
    is_wall = np.isnan(walled)
    least = np.full(walled.size, tuning.prominence_steps)
    least[place] *= changed["step_kpa"].to_numpy()
    marks = []
    for sign in (1.0, -1.0):
        line = np.where(is_wall, _WALL_KPA, sign * walled)
        at, shape = find_peaks(line, prominence=0.0)
        keep = ~is_wall[at] & (shape["prominences"] >= least[at])
        marks.append(np.searchsorted(place, at[keep]))
    turns = pl.DataFrame(
        {"at": np.concatenate(marks), "is_top": np.repeat([True, False], [marks[0].size, marks[1].size])},
        schema={"at": pl.Int64(), "is_top": pl.Boolean()},
    ).sort("at")
    found = pl.concat([changed[turns["at"]], turns.select("is_top")], how="horizontal")
    same = found.with_columns(stretch=pl.struct("run", "is_top").rle_id())
    height = pl.when("is_top").then(pl.col("system_kpa")).otherwise(-pl.col("system_kpa"))
    best = same.filter(height == height.max().over("stretch"))
    is_kept = (
        pl.when("is_top")
        .then(pl.int_range(pl.len()).over("stretch") == 0)
        .otherwise(pl.int_range(pl.len()).over("stretch") == pl.len().over("stretch") - 1)
    )
    return best.filter(is_kept)
