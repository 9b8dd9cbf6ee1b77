"""`governor_cut_out`, `governor_cut_in`, `governor_differential`: the pressures at which the governor acts."""

import polars as pl

from airwatch.contract.batch import GOVERNOR_SCHEMA
from airwatch.derive.frames import UNIT, as_measured, require
from airwatch.derive.reported_turns import events_in_runs
from airwatch.derive.swings import SWING
from airwatch.derive.turn_bounds import TURNS, Z95

_EVENT_STEP_KPA = 8.0
_EVENT_HALF_KPA = Z95 * (_EVENT_STEP_KPA**2 * (1 / 3 + 1 / 12)) ** 0.5  # offset of up to a step, and rounding

_NOTES = {
    "pressure": "from turns of the pressure",
    "state": "pressure as the reported compressor state changed",
    "event": "reported by the vehicle",
}
_FEWEST_TURNS = 3  # of a kind in a run: one turn that is none of the governor's must not make the mean


def governor_readings(turns: pl.DataFrame, runs: pl.DataFrame, events: pl.DataFrame) -> pl.DataFrame:
    """Give one reading for each cut-out and cut-in, and one differential for each run that has both.

    Where the vehicle itself reports the events of a run, they are the reading; else the turns of the pressure are. The
    differential of two readings of one sensor is free of its offset.

    Parameters
    ----------
    turns : DataFrame
        Columns as `airwatch.derive.turn_bounds.TURNS`.
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
    turns = turns.filter(pl.col("source") != SWING)
    require(events, GOVERNOR_SCHEMA, "governor_readings")
    reported = events_in_runs(events.drop_nulls("supply_kpa"), runs).select(
        "run",
        "t",
        "kind",
        governor_kpa="supply_kpa",
        lower_kpa=pl.col("supply_kpa") - _EVENT_HALF_KPA,
        upper_kpa=pl.col("supply_kpa") + _EVENT_HALF_KPA,
        source=pl.lit("event"),
    )
    seen = turns.drop_nulls("governor_kpa").join(
        reported.select("run", "kind").unique(), on=["run", "kind"], how="anti"
    )
    return (
        pl.concat([reported, seen.select(reported.columns), _differentials(turns)], how="diagonal")
        .join(runs, on="run")
        .select(
            *UNIT,
            "trailer",
            circuit=pl.lit("supply"),
            check="governor_" + pl.col("kind"),
            start=pl.col("t"),
            end=pl.coalesce("end", "t"),
            value=pl.col("governor_kpa"),
            lower=pl.col("lower_kpa"),
            upper=pl.col("upper_kpa"),
            measure=pl.lit("kPa"),
            note=pl.coalesce("note", pl.col("source").replace_strict(_NOTES, default=None, return_dtype=pl.String)),
            run_start=pl.col("run_start"),
        )
        .pipe(as_measured)
    )


def _differentials(turns: pl.DataFrame) -> pl.DataFrame:
    """Give each run's mean cut-out less its mean cut-in.

    What the turns of a run do not share averages out, but for the rounding, which is the same each time.
    """
    own = pl.col("own_sd_kpa")
    weight = 1.0 / own**2
    rounding = pl.col("step_kpa") ** 2 / 12.0
    means = (
        turns.drop_nulls(["governor_kpa", "own_sd_kpa"])
        .group_by("run", "kind")
        .agg(
            kpa=(weight * pl.col("governor_kpa")).sum() / weight.sum(),
            var=1.0 / weight.sum() + rounding.first(),
            n=pl.len(),
            first=pl.col("t").min(),
            last=pl.col("t").max(),
        )
    )
    enough = means.filter(pl.col("n") >= _FEWEST_TURNS)
    both = enough.filter(kind="cut_out").join(enough.filter(kind="cut_in"), on="run", suffix="_in")
    value = pl.col("kpa") - pl.col("kpa_in")
    half = Z95 * (pl.col("var") + pl.col("var_in")).sqrt()
    return both.select(
        "run",
        t=pl.min_horizontal("first", "first_in"),
        end=pl.max_horizontal("last", "last_in"),
        kind=pl.lit("differential"),
        governor_kpa=value,
        lower_kpa=value - half,
        upper_kpa=value + half,
        note=pl.format("mean of {} cut-outs and {} cut-ins", "n", "n_in"),
    )
