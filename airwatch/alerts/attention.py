"""The order in which units need the shop."""

import polars as pl

from airwatch.alerts.frames import ALERTS, GRAVITY
from airwatch.alerts.lifecycle import CLOSED
from airwatch.derive.frames import UNIT, require


def attention(alerts: pl.DataFrame) -> pl.DataFrame:
    """Rank the units that somebody must look at: gravest first, then the surest, then the longest open.

    Parameters
    ----------
    alerts : DataFrame
        Columns as `airwatch.alerts.fold.ALERTS`.

    Returns
    -------
    DataFrame, one row a unit with an alert that is not closed
        ``fleet, unit, severity, n_alerts, since, fault, reason``; ``reason`` is the summary of the alert that ranks it.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(alerts, ALERTS, "attention")
    return (
        alerts.filter(~pl.col("state").is_in(CLOSED))
        .with_columns(gravity=pl.col("severity").replace_strict(GRAVITY, return_dtype=pl.Int8))
        .sort("gravity", "confidence", "opened", *UNIT, descending=[True, True, False, False, False])
        .group_by(UNIT, maintain_order=True)
        .agg(
            severity=pl.col("severity").first(),
            n_alerts=pl.len().cast(pl.Int64),
            since=pl.col("opened").min(),
            fault=pl.col("fault").first(),
            reason=pl.col("summary").first(),
        )
    )
