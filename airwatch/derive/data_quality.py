"""What came in and what did not, by unit, stream and day: so that 'no finding' is never taken for 'no data'.

Everything here is read from the ledger: one row for each accepted message. It flags; it shifts nothing.
"""

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT, require, seconds
from airwatch.derive.tuning import Quality, shipped_tuning

LEDGER = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "stream": pl.String(),
        "seq": pl.Int64(),
        "received": TIME,
        "t_first": TIME,
        "t_last": TIME,
        "n_rows": pl.Int64(),
        "n_new": pl.Int64(),
        "n_conflicting": pl.Int64(),
        "n_out_of_range": pl.Int64(),
        "n_cells": pl.Int64(),
        "n_null": pl.Int64(),
    }
)
"""What is read of a ledger row; ``n_cells`` values stand in the columns that a message has, ``n_null`` of them null."""

QUALITY = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "stream": pl.String(),
        "day": pl.Date(),
        "n_messages": pl.Int64(),
        "n_rows": pl.Int64(),
        "n_repeated": pl.Int64(),
        "n_conflicting": pl.Int64(),
        "n_out_of_range": pl.Int64(),
        "null_share": pl.Float64(),
        "first_t": TIME,
        "last_t": TIME,
        "n_gaps": pl.Int64(),
        "longest_gap_s": pl.Float64(),
        "n_missing": pl.Int64(),
        "n_restarts": pl.Int64(),
        "n_out_of_order": pl.Int64(),
        "lateness_median_s": pl.Float64(),
        "lateness_max_s": pl.Float64(),
        "clock_offset_s": pl.Float64(),
        "flags": pl.String(),
    }
)
"""One row a unit, stream and day (UTC, of data time).

``n_missing``: sequence numbers that never came, between ones that did. ``n_restarts``: the numbers began anew (a
gateway was replaced or reset). ``lateness``: arrival after the newest time in the message. ``clock_offset_s``: how
far the unit's clock is ahead of ours, at the least; negative: behind, or its best link is that slow. ``flags``: what
is out of the ordinary, `;`-joined, "" if nothing is.
"""


def data_quality(ledger: pl.DataFrame, tuning: Quality | None = None) -> pl.DataFrame:
    """Sum up ledger rows by unit, stream and day.

    Parameters
    ----------
    ledger : DataFrame
        Columns as `LEDGER`. All rows of the units in question from the day before the first day of interest on: a
        gap and a sequence number are told from the row before.

    Returns
    -------
    DataFrame
        Columns as `QUALITY`, sorted by unit, stream and day.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(ledger, LEDGER, "data_quality")
    tuning = tuning or shipped_tuning().quality
    source = [*UNIT, "stream"]
    line = (
        ledger.filter(pl.col("t_first").is_not_null())
        .sort(*source, "received", maintain_order=True)
        .with_columns(is_late_order=(pl.col("t_first") < pl.col("t_first").cum_max().shift(1).over(source)))
        .sort(*source, "t_first", "seq", maintain_order=True)
    )
    step = pl.col("seq") - pl.col("seq").shift(1).over(source)
    gap_s = seconds(pl.col("t_first") - pl.col("t_last").cum_max().shift(1).over(source))
    late_s = seconds(pl.col("received") - pl.col("t_last"))
    is_gap = gap_s > tuning.gap_s
    days = (
        line.with_columns(
            gap_s=gap_s,
            is_gap=is_gap,
            late_s=late_s,
            missing=pl.when(step > 1).then(step - 1).otherwise(0),
            restart=(step < 0).fill_null(value=False),
            day=pl.col("t_first").dt.date(),
        )
        .group_by(*source, "day", maintain_order=True)
        .agg(
            n_messages=pl.len(),
            n_rows=pl.col("n_rows").sum(),
            n_repeated=(pl.col("n_rows") - pl.col("n_new")).sum(),
            n_conflicting=pl.col("n_conflicting").sum(),
            n_out_of_range=pl.col("n_out_of_range").sum(),
            null_share=pl.when(pl.col("n_cells").sum() > 0).then(pl.col("n_null").sum() / pl.col("n_cells").sum()),
            first_t=pl.col("t_first").min(),
            last_t=pl.col("t_last").max(),
            n_gaps=pl.col("is_gap").sum(),
            longest_gap_s=pl.col("gap_s").filter(pl.col("is_gap")).max(),
            n_missing=pl.col("missing").sum(),
            n_restarts=pl.col("restart").sum(),
            n_out_of_order=pl.col("is_late_order").sum(),
            lateness_median_s=pl.col("late_s").median(),
            lateness_max_s=pl.col("late_s").max(),
            clock_offset_s=-pl.col("late_s").min(),
        )
    )
    return days.with_columns(flags=_flags(tuning)).select(QUALITY.keys()).cast(QUALITY)


def _flags(tuning: Quality) -> pl.Expr:
    """Name what is out of the ordinary."""
    told = {
        "clock ahead": pl.col("clock_offset_s") > tuning.clock_ahead_s,
        "clock behind or link slow": pl.col("clock_offset_s") < -tuning.clock_behind_s,
        "messages missing": pl.col("n_missing") > 0,
        "numbering restarted": pl.col("n_restarts") > 0,
        "repeats differ": pl.col("n_conflicting") > 0,
        "values out of range": pl.col("n_out_of_range") > 0,
        "many nulls": pl.col("null_share") > tuning.null_share,
    }
    words = [pl.when(is_so.fill_null(value=False)).then(pl.lit(word)) for word, is_so in told.items()]
    return pl.concat_list(words).list.drop_nulls().list.join("; ")
