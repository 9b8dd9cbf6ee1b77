"""`protection_valve`: the pressure at which the trailer supply valve or the parking valve closed by itself."""

import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, UNIT, as_measured, require, seconds
from airwatch.derive.sensor import step_kpa
from airwatch.derive.switching import CHANGES, around, bounds, changes_of, of_runs, span_text
from airwatch.derive.tuning import Protection, shipped_tuning

_TANKS = ("primary_kpa", "secondary_kpa")
TRAILER_SUPPLY, PARKING = "trailer supply valve", "parking valve"
_RUN = ("run", *UNIT, "run_start", "trailer")


def protection_readings(samples: pl.DataFrame, runs: pl.DataFrame, tuning: Protection | None = None) -> pl.DataFrame:
    """Give one reading for each time one of the two valves closed by itself, or stayed open far too low.

    Both are held open by the higher of the service tanks. The trailer supply valve shows by its line, which empties
    while the tanks hold; the parking valve by the parking brake switch. A hand that pulls a valve does it at any
    pressure, and while it stands: only a closing below ``highest_kpa`` counts, and only while the pressure falls.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`, kPa gauge; ``part`` names the valve; ``state`` is ``closed``, or
        ``stayed open``, where the value is the lowest pressure and the interval goes from 0 to it.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    CDL model manual, section 5: the valves pop out between 20 and 45 psi while the brakes are fanned.
    """
    require(samples, RUN_SAMPLES, "protection_readings")
    tuning = tuning or shipped_tuning().protection
    low = _low(samples, tuning)
    sags = pl.col("trailer_kpa") >= tuning.line_left_share * pl.col("kpa")
    changes = {PARKING: changes_of(low, "park_brake", to=1), TRAILER_SUPPLY: _line_drops(low, tuning)}
    is_open = {PARKING: pl.col("park_brake") == 0, TRAILER_SUPPLY: sags}
    found = [_closed(samples, changes, tuning), _stayed_open(samples, low, is_open, tuning)]
    return as_measured(
        pl.concat(found)
        .join(runs.select(_RUN), on="run")
        .with_columns(check=pl.lit("protection_valve"), measure=pl.lit("kPa"))
        .sort("run", "start", "part")
    )


def _higher() -> pl.Expr:
    return pl.max_horizontal(_TANKS)


def _low(samples: pl.DataFrame, tuning: Protection) -> pl.DataFrame:
    """Keep what the search needs of the samples whose pressure, ``kpa``, is not far too high: few are."""
    top = tuning.highest_kpa + tuning.line_drop_kpa
    is_high = pl.any_horizontal((pl.col(name) > top).fill_null(value=False) for name in _TANKS)
    row = samples.select((~is_high).arg_true().alias("row").cast(pl.UInt32))["row"]
    return (
        samples.select("run", "t", "park_brake", "trailer_kpa", *_TANKS)[row]
        .with_columns(row, kpa=_higher())
        .filter(pl.col("kpa").is_not_null())
        .drop(_TANKS)
    )


def _line_drops(low: pl.DataFrame, tuning: Protection) -> pl.DataFrame:
    """Find where the trailer supply line emptied; columns as `CHANGES`."""
    line, run, row = pl.col("trailer_kpa"), pl.col("run"), pl.col("row")
    was = line.shift(1)
    is_next = (run == run.shift(1)) & (row == row.shift(1) + 1)
    has_dropped = (was - line >= tuning.line_drop_kpa) & (line <= tuning.line_left_share * was)
    found = low.with_columns(is_drop=has_dropped & is_next).filter(
        pl.col("is_drop") & (pl.col("kpa") <= tuning.highest_kpa)
    )
    return found.select(before=row - 1, row=row).cast(CHANGES)


def _closed(samples: pl.DataFrame, changes_of_part: dict[str, pl.DataFrame], tuning: Protection) -> pl.DataFrame:
    """Keep, of the changes of each valve, those at which it closed by itself."""
    changes = pl.concat(changes_of_part.values())
    part = pl.concat(pl.repeat(part, own.height, eager=True) for part, own in changes_of_part.items())
    near = around(samples, changes).with_columns(kpa=_higher())
    third = pl.col("after_s") >= pl.col("after_s").min().over("change") / 3.0
    late = near.filter(third & (pl.col("after_s") <= 0)).group_by("change").agg(late_high=pl.col("kpa").max())
    found = of_runs(changes, samples, bounds(near)).join(late, on="change", how="left", maintain_order="left")
    found = found.with_columns(part=part.gather(found["change"]))
    least = tuning.moved_steps * pl.col("step_kpa")
    late_kpa = pl.col("late_high") - pl.col("after_kpa")
    is_leaking = ~pl.col("was_braking") & (pl.col("fell_slow_kpa") >= least)
    is_leaking &= late_kpa >= tuning.steady_share * pl.col("fell_slow_kpa")
    kept = found.filter(
        ((pl.col("fell_fast_kpa") >= least) | is_leaking)
        & (pl.col("after_kpa") <= pl.col("before_kpa") + pl.col("step_kpa"))
        & (pl.col("after_kpa") <= tuning.highest_kpa)
    )
    return kept.select(
        "run",
        "start",
        "end",
        "value",
        "lower",
        "upper",
        "part",
        state=pl.lit("closed"),
        note=span_text(),
    )


def _stayed_open(
    samples: pl.DataFrame, low: pl.DataFrame, is_open: dict[str, pl.Expr], tuning: Protection
) -> pl.DataFrame:
    """Find stretches in which a valve was open below any pressure at which it may be."""
    # nobody fans a tank down to nothing: there a sensor lost its supply with the key
    lower = low.filter((pl.col("kpa") < tuning.open_kpa) & (pl.col("kpa") > 0.0))
    below = pl.concat(
        lower.filter(is_so).select("run", "t", "kpa", part=pl.lit(part)) for part, is_so in is_open.items()
    )
    of_run = (
        samples.select("run", *_TANKS)
        .filter(pl.col("run").is_in(below["run"].unique().implode()))
        .group_by("run")
        .agg(
            # on its way down: a sensor that goes dark with the key shows nothing in between
            fell=_higher().is_between(tuning.open_kpa, tuning.highest_kpa).sum() >= 2,  # noqa: PLR2004 one may be chance
            step_kpa=step_kpa(_higher()),
        )
    )
    t, run = pl.col("t"), pl.col("run")
    is_other = (run != run.shift(1)) | (pl.col("part") != pl.col("part").shift(1))
    breaks = is_other | (seconds(t - t.shift(1)) > tuning.longest_gap_s)
    return (
        below.with_columns(stretch=breaks.fill_null(value=True).cum_sum())
        .group_by("stretch", maintain_order=True)
        .agg(run=run.first(), part=pl.col("part").first(), start=t.first(), end=t.last(), value=pl.col("kpa").min())
        .filter(seconds(pl.col("end") - pl.col("start")) >= tuning.shortest_open_s)
        .join(of_run.filter("fell"), on="run", maintain_order="left")
        .select(
            "run",
            "start",
            "end",
            "value",
            lower=pl.lit(0.0),
            upper=pl.col("value") + tuning.error_steps * pl.col("step_kpa"),
            part="part",
            state=pl.lit("stayed open"),
            note=pl.lit("still open at this pressure: it closes lower, if at all"),
        )
    )
