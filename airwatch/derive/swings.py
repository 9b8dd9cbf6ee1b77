"""Swings of the pressure that are not the governor's: the compressor never rested, and use rose and fell."""

import polars as pl

from airwatch.derive.tuning import Governor

SWING = "swing"
"""``source`` of turns of such a run."""


def with_swings(turns: pl.DataFrame, tuning: Governor) -> pl.DataFrame:
    """Mark the turns of runs in which the pressure swings too slowly for a governor's cycles.

    Loaded, pressure rises by delivery less use; unloaded, it falls by use. So at a governor's turn its speed changes by
    the delivery, and rise and fall together are that. Where they are together, as a rule of a run, slower than any
    compressor delivers, no compressor was loaded or unloaded between them. Air came in, so it was loaded throughout.

    Parameters
    ----------
    turns : DataFrame
        Columns as `airwatch.derive.turn_bounds.TURNS`, read from pressure, sorted by ``run, t``.

    Returns
    -------
    DataFrame
        The same with ``source`` `SWING` in such runs. A run with fewer than two rises and two falls is not judged.

    References
    ----------
    Mass balance of a tank. What compressors deliver: common practice.
    """
    same = pl.col("run") == pl.col("run").shift(1)
    pace = (pl.col("governor_kpa").diff() / (pl.col("t").diff().dt.total_microseconds() / 1e6)).abs()
    is_rise = pl.col("kind") == "cut_out"
    slow = (
        turns.select("run", pace=pl.when(same).then(pace), is_rise=is_rise)
        .drop_nulls()
        .group_by("run")
        .agg(
            n=pl.min_horizontal(pl.col("is_rise").sum(), (~pl.col("is_rise")).sum()),
            delivery=pl.col("pace").filter("is_rise").median() + pl.col("pace").filter(~pl.col("is_rise")).median(),
        )
        .filter(pl.col("n") > 1, pl.col("delivery") < tuning.slowest_rise_kpa_s)
    )
    is_swing = pl.col("run").is_in(slow["run"].implode())
    return turns.with_columns(source=pl.when(is_swing).then(pl.lit(SWING)).otherwise("source"))
