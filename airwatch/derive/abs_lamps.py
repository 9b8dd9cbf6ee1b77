"""`abs_lamp`: times when an ABS lamp was lit under way and no code said why."""

import polars as pl

from airwatch.contract.batch import CODE_SCHEMA, LAMP_SCHEMA, REPORT_SCHEMA
from airwatch.derive.abs_events import AbsEvents, abs_events
from airwatch.derive.abs_self_check import stamp_error_s
from airwatch.derive.frames import UNIT, as_measured, require, seconds
from airwatch.derive.lit_lamps import ABS_LAMPS, add_code_active
from airwatch.derive.tuning import Abs, shipped_tuning


def abs_lamp_readings(
    lamps: pl.DataFrame,
    reports: pl.DataFrame,
    codes: pl.DataFrame,
    tuning: Abs | None = None,
    events: AbsEvents | None = None,
) -> pl.DataFrame:
    """Give one reading for each time an ABS lamp came on apart from key-on and stayed lit for ``lamp_lit_s`` or more.

    What begins at key-on belongs to `abs_self_check`; a power unit's lamp with an active code belongs to `abs_fault`.

    Parameters
    ----------
    lamps, reports, codes : DataFrame
        Lamp events, reports of codes and codes of the units, their whole history.
    events : AbsEvents, optional
        As `airwatch.derive.abs_events.abs_events` gives them, where the caller has them already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`, seconds lit; ``part`` is the lamp; ``state`` is active while it is
        lit as far as is known, else cleared; ``run_start`` is null.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(lamps, LAMP_SCHEMA, "abs_lamp_readings")
    require(reports, REPORT_SCHEMA, "abs_lamp_readings")
    require(codes, CODE_SCHEMA, "abs_lamp_readings")
    tuning = tuning or shipped_tuning().abs
    events = events or abs_events(lamps, reports, codes, tuning)
    keys = events.keys.select(*UNIT, "key_t").sort("key_t")
    ahead = pl.duration(milliseconds=round(tuning.lamp_ahead_s * 1000))
    of_key = (
        events.lit.sort("on_t")
        .with_columns(by=pl.col("on_t") + ahead)
        .join_asof(keys, left_on="by", right_on="key_t", by=UNIT, check_sortedness=False)
    )
    is_check = (seconds(pl.col("on_t") - pl.col("key_t")) <= tuning.lamp_comes_s).fill_null(value=False)
    lit_s = seconds(pl.col("off_t") - pl.col("on_t"))
    found = add_code_active(of_key.filter(~is_check & (lit_s >= tuning.lamp_lit_s)), events.found)
    error = stamp_error_s("on_t", "off_t", tuning)
    how = pl.when("is_open").then(pl.lit("still lit")).when("by_key").then(pl.lit("lit until key-off"))
    return as_measured(
        found.filter(~pl.col("has_code")).select(
            *UNIT,
            check=pl.lit("abs_lamp"),
            start="on_t",
            end="off_t",
            value=lit_s,
            lower=lit_s - error,
            upper=lit_s + error,
            measure=pl.lit("s"),
            part=pl.col("lamp").replace_strict(ABS_LAMPS),
            state=pl.when("is_open").then(pl.lit("active")).otherwise(pl.lit("cleared")),
            note=pl.format("{}, no code was active", how.otherwise(pl.lit("went off"))),
        )
    )
