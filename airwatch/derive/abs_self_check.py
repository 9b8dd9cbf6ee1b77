"""`abs_self_check`: how long the ABS lamps were lit at key-on."""

import numpy as np
import polars as pl

from airwatch.contract.batch import CODE_SCHEMA, LAMP_SCHEMA, REPORT_SCHEMA
from airwatch.derive.abs_events import AbsEvents, abs_events
from airwatch.derive.frames import UNIT, as_measured, require, seconds
from airwatch.derive.lit_lamps import ABS_LAMPS, add_code_active
from airwatch.derive.tuning import Abs, shipped_tuning

_COUPLED_WITHIN_S = 60.0  # of key-on: the first sample after it tells which trailer was coupled


def abs_self_check_readings(
    lamps: pl.DataFrame,
    reports: pl.DataFrame,
    codes: pl.DataFrame,
    tuning: Abs | None = None,
    events: AbsEvents | None = None,
) -> pl.DataFrame:
    """Give one reading for each lamp that a unit is known to report, at each key-on after which enough was heard.

    The lamp has to come on within ``lamp_comes_s``; how long it stays lit is the reading. One that stays longer than
    ``lamp_stays_s`` has left its check: with a code of the power unit active that is what it is for. Whether a trailer
    lamp that stays dark has a trailer is not to be seen from events: see `dark_trailer_readings`.

    Parameters
    ----------
    lamps, reports, codes : DataFrame
        Lamp events, reports of codes and codes of the units, their whole history.
    events : AbsEvents, optional
        As `airwatch.derive.abs_events.abs_events` gives them, where the caller has them already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`, seconds; ``part`` is the lamp; ``state`` is ``went off``,
        ``dark`` (value 0), ``stayed on`` or ``on with code``; ``run_start`` is null.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    49 CFR 571.121 S5.1.6.2: lamp check at ignition on. A few seconds: common practice.
    """
    require(lamps, LAMP_SCHEMA, "abs_self_check_readings")
    require(reports, REPORT_SCHEMA, "abs_self_check_readings")
    require(codes, CODE_SCHEMA, "abs_self_check_readings")
    tuning = tuning or shipped_tuning().abs
    events = events or abs_events(lamps, reports, codes, tuning)
    lit = add_code_active(events.asked.drop_nulls("on_t"), events.found)
    lit_s = seconds(pl.col("off_t") - pl.col("on_t"))
    stays = lit_s > tuning.lamp_stays_s
    error = stamp_error_s("on_t", "off_t", tuning)
    until = pl.when("is_open").then(pl.lit("as far as is known")).when("by_key").then(pl.lit("until key-off"))
    shown = lit.filter(stays | ~(pl.col("is_open") | pl.col("by_key"))).select(
        *UNIT,
        start="on_t",
        end="off_t",
        value=lit_s,
        lower=pl.max_horizontal(lit_s - error, 0.0),
        upper=lit_s + error,
        part=pl.col("lamp").replace_strict(ABS_LAMPS),
        state=pl.when(~stays)
        .then(pl.lit("went off"))
        .when("has_code")
        .then(pl.lit("on with code"))
        .otherwise(pl.lit("stayed on")),
        note=pl.when(~stays)
        .then(pl.lit("lit at key-on, then off"))
        .otherwise(pl.format("lit at key-on and on for {} s, {}", lit_s.round(0), until.otherwise(pl.lit("then off")))),
    )
    dark = _dark(events.asked.filter(pl.col("lamp") == "tractor_abs"), tuning).drop("key_t")
    return as_measured(
        pl.concat([shown, dark])
        .with_columns(check=pl.lit("abs_self_check"), measure=pl.lit("s"))
        .sort(*UNIT, "start", "part")
    )


def dark_trailer_readings(
    samples: pl.DataFrame,
    runs: pl.DataFrame,
    lamps: pl.DataFrame,
    reports: pl.DataFrame,
    tuning: Abs | None = None,
    events: AbsEvents | None = None,
) -> pl.DataFrame:
    """Give one reading, 0 s, for each key-on with a trailer coupled at which its lamp stayed dark.

    Only for units that reported a trailer lamp at some time: others may have no way to. The first sample after key-on
    says whether a trailer was coupled; where it does not, or none comes soon, there is no reading.

    Parameters
    ----------
    samples, runs : DataFrame
        Samples with runs, sorted by ``run, t``, and the table of runs.
    lamps, reports : DataFrame
        Lamp events and reports of codes of the units, their whole history.
    events : AbsEvents, optional
        As `airwatch.derive.abs_events.abs_events` gives them, where the caller has them already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; it belongs to the run of that sample.
    """
    tuning = tuning or shipped_tuning().abs
    asked = (events or abs_events(lamps, reports, tuning=tuning)).asked.filter(pl.col("lamp") == "trailer_abs")
    dark = _dark(asked, tuning).filter(pl.col("value") == 0).sort("key_t")
    if dark.is_empty() or runs.is_empty():
        return as_measured(pl.DataFrame())
    placed = runs.select("run", *UNIT, "run_start", "run_end", last=pl.col("n_samples").cum_sum())
    near = dark.join_asof(
        placed.sort("run_end"), left_on="key_t", right_on="run_end", by=UNIT, strategy="forward", check_sortedness=False
    ).drop_nulls("run")
    t_us = samples["t"].to_physical().to_numpy()
    n_samples = dict(runs.select("run", "n_samples").iter_rows())
    rows = [
        last - n_samples[run] + int(np.searchsorted(t_us[last - n_samples[run] : last], key_us))
        for run, last, key_us in near.select("run", "last", pl.col("key_t").dt.epoch("us")).iter_rows()
    ]
    seen = samples.select("trailer", "t")[rows] if rows else samples.select("trailer", "t").clear()
    coupled = pl.concat([near, seen], how="horizontal").filter(
        (seconds(pl.col("t") - pl.col("key_t")) <= _COUPLED_WITHIN_S) & (pl.col("trailer") != "")
    )
    return as_measured(coupled.with_columns(check=pl.lit("abs_self_check"), measure=pl.lit("s")))


def stamp_error_s(first: str, last: str, tuning: Abs) -> pl.Expr:
    """Give the error of the time between two events: large where both are stamped in whole seconds."""
    is_whole = pl.all_horizontal(pl.col(name).dt.microsecond() == 0 for name in (first, last))
    return pl.when(is_whole).then(tuning.coarse_stamp_s).otherwise(tuning.fine_stamp_s)


def _dark(asked: pl.DataFrame, tuning: Abs) -> pl.DataFrame:
    """Give the key-ons at which a lamp stayed dark though it had time to come on, and something was heard later."""
    comes = pl.duration(milliseconds=round(tuning.lamp_comes_s * 1000))
    due = pl.col("key_t") + comes
    had_time = (pl.coalesce("key_until", "heard_t") > due) & ~pl.col("is_repeat")
    return asked.filter(pl.col("on_t").is_null() & had_time).select(
        *UNIT,
        "key_t",
        start="key_t",
        end=due,
        value=pl.lit(0.0),
        lower=pl.lit(0.0),
        upper=pl.lit(0.0),
        part=pl.col("lamp").replace_strict(ABS_LAMPS, return_dtype=pl.String),
        state=pl.lit("dark"),
        note=pl.lit("did not come on at key-on"),
    )
