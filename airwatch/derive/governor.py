"""`governor_cut_out` and `governor_cut_in`: the pressures at which the governor acts."""

import polars as pl

from airwatch.contract.batch import GOVERNOR_SCHEMA
from airwatch.derive.frames import UNIT, as_measured, require
from airwatch.derive.turns import TURNS


def governor_readings(turns: pl.DataFrame, runs: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """Give one reading for each cut-out and cut-in.

    Where the vehicle itself reports the events of a run, they are the reading; else the turns of the pressure are.
    The interval is one sensor step either way: half a step of rounding, and noise of up to half a step more.

    Parameters
    ----------
    turns : DataFrame
        Columns as `airwatch.derive.turns.TURNS`.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.
    events : DataFrame
        ``fleet, unit, t, kind, supply_kpa``.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(turns, TURNS, "governor_readings")
    require(events, GOVERNOR_SCHEMA, "governor_readings")
    reported = (
        events.drop_nulls("supply_kpa")
        .sort("t")
        .join_asof(runs.sort("run_start"), left_on="t", right_on="run_start", by=UNIT, check_sortedness=False)
        .filter(pl.col("t") <= pl.col("run_end"))
        .select(
            "run", "t", "kind", system_kpa="supply_kpa", step_kpa=pl.lit(8.0), note=pl.lit("reported by the vehicle")
        )
    )
    inferred = turns.join(reported.select("run", "kind").unique(), on=["run", "kind"], how="anti").select(
        "run", "t", "kind", "system_kpa", "step_kpa", note=pl.lit("from turns of the pressure")
    )
    return (
        pl.concat([reported, inferred])
        .join(runs, on="run")
        .select(
            *UNIT,
            "trailer",
            circuit=pl.lit("supply"),
            check="governor_" + pl.col("kind"),
            start=pl.col("t"),
            end=pl.col("t"),
            value=pl.col("system_kpa"),
            lower=pl.col("system_kpa") - pl.col("step_kpa"),
            upper=pl.col("system_kpa") + pl.col("step_kpa"),
            measure=pl.lit("kPa"),
            note=pl.col("note"),
            run_start=pl.col("run_start"),
        )
        .pipe(as_measured)
    )
