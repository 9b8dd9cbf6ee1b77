"""How data of a unit come in: a silent unit is not a healthy one, and one whose data have faults is not either."""

from datetime import datetime, timedelta
from typing import Literal, get_args

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT

DataState = Literal["never", "silent", "faulty", "arriving"]
DATA_STATES: tuple[DataState, ...] = get_args(DataState)

SILENT_AFTER = timedelta(hours=72)
"""Common practice, no source: longer than a unit stands over a weekend."""


def silent_for(last_t: datetime | None, newest: datetime | None) -> timedelta | None:
    """Give how long before the newest data of the fleet a unit fell silent, None if it did not."""
    if last_t is None or newest is None or newest - last_t <= SILENT_AFTER:
        return None
    return newest - last_t


def with_data_state(states: pl.DataFrame, quality: pl.DataFrame, newest: datetime | None) -> pl.DataFrame:
    """Say of each unit whether its data arrive.

    Parameters
    ----------
    states : DataFrame
        ``fleet, unit, last_t``.
    quality : DataFrame
        Columns as `airwatch.derive.data_quality.QUALITY`: the newest day of each unit and stream.
    newest : datetime, optional
        Newest data time of the fleet.

    Returns
    -------
    DataFrame
        ``states`` with ``data`` (one of `DATA_STATES`) and ``data_flags``: what is out of the ordinary, `;`-joined,
        "" if nothing is.
    """
    each = (
        quality.filter(pl.col("flags") != "")
        .select(*UNIT, flag=pl.col("flags").str.split("; "))
        .explode("flag")
        .unique()
    )
    n_heard = states["last_t"].count()
    # what nearly all units' clocks do at once is a recording that is replayed, not their clocks
    of_recording = pl.col("flag").str.starts_with("clock") & (pl.len().over("flag") * 10 > 9 * n_heard)
    flags = (
        each.filter(~(of_recording & pl.lit(n_heard > 1)))
        .sort(*UNIT, "flag")
        .group_by(UNIT, maintain_order=True)
        .agg(data_flags=pl.col("flag").unique(maintain_order=True).str.join("; "))
    )
    is_silent = (pl.lit(newest, TIME) - pl.col("last_t") > SILENT_AFTER).fill_null(value=False)
    return (
        states.join(flags, on=UNIT, how="left", maintain_order="left")
        .with_columns(pl.col("data_flags").fill_null(""))
        .with_columns(
            data=pl.when(pl.col("last_t").is_null())
            .then(pl.lit("never"))
            .when(is_silent)
            .then(pl.lit("silent"))
            .when(pl.col("data_flags") != "")
            .then(pl.lit("faulty"))
            .otherwise(pl.lit("arriving"))
        )
    )
