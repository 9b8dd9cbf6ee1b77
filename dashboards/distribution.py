"""One check over the whole fleet: how its newest readings lie, and who stands apart. Pure: frames in, frames out."""

from dataclasses import dataclass

import numpy as np
import polars as pl

MOST_BARS = 60
_MAD_TO_SD = 1.4826  # of a normal distribution
FAR = 3.5
"""Distance from the median, in robust standard deviations, from which a reading stands apart.

Iglewicz and Hoaglin, How to Detect and Handle Outliers, 1993 (from memory).
"""

_ORDER = {"fail": 0, "watch": 1, "unknown": 2, "pass": 3}


@dataclass(frozen=True, slots=True)
class Bars:
    """``borders`` has one more than each of ``counts``, which are by verdict."""

    borders: list[float]
    counts: dict[str, list[int]]


def with_apart(readings: pl.DataFrame) -> pl.DataFrame:
    """Say how far each reading lies from the fleet's median, and whether it stands apart.

    Parameters
    ----------
    readings : DataFrame
        Newest readings of one check, as `dashboards.judged.with_judged` gives them.

    Returns
    -------
    DataFrame
        Readings that have a value, with ``distance`` in robust standard deviations of its test (null where all are
        alike) and ``is_apart``; those beyond a limit first, then by distance.
    """
    judged = pl.col("judged")
    from_median = judged - judged.median().over("test")
    spread = (from_median.abs().median().over("test")) * _MAD_TO_SD
    return (
        readings.filter(judged.is_not_null())
        .with_columns(distance=pl.when(spread > 0).then(from_median / spread))
        .with_columns(is_apart=(pl.col("distance").abs() > FAR).fill_null(value=False))
        .with_columns(order=pl.col("verdict").replace_strict(_ORDER, return_dtype=pl.Int8))
        .sort(
            "order", pl.col("distance").abs(), "fleet", "unit", descending=[False, True, False, False], nulls_last=True
        )
        .drop("order")
    )


def bars(readings: pl.DataFrame) -> Bars:
    """Count readings (with ``judged`` and ``verdict``) in equal steps that fit how many there are.

    Steps by Freedman and Diaconis, as numpy has them; at most `MOST_BARS` over all but the farthest thousandths, beyond
    which lie the first and the last bar.
    """
    values = readings["judged"].to_numpy()
    if not len(values):
        return Bars([0.0, 1.0], {})
    low, high = np.quantile(values, [0.001, 0.999])
    edges = np.histogram_bin_edges(np.clip(values, low, high), "fd")
    if len(edges) > MOST_BARS + 1:
        edges = np.linspace(low, high, MOST_BARS + 1)
    verdicts = readings["verdict"].to_numpy()
    clipped = np.clip(values, edges[0], edges[-1])
    counts = {
        name: np.histogram(clipped[verdicts == name], edges)[0].tolist() for name in _ORDER if (verdicts == name).any()
    }
    return Bars([float(edge) for edge in edges], counts)


def summary(readings: pl.DataFrame, n_units: int) -> pl.DataFrame:
    """Count units by the gravest of their newest readings of each check.

    Returns
    -------
    DataFrame, one row a check
        ``check, n_units`` (with a reading), ``n_fail, n_watch, n_unknown, n_pass, n_no_data``.
    """
    worst = (
        readings.with_columns(order=pl.col("verdict").replace_strict(_ORDER, return_dtype=pl.Int8))
        .group_by("check", "fleet", "unit")
        .agg(pl.col("order").min())
    )
    counts = {f"n_{name}": (pl.col("order") == place).sum().cast(pl.Int64) for name, place in _ORDER.items()}
    return (
        worst.group_by("check")
        .agg(n_units=pl.len().cast(pl.Int64), **counts)
        .with_columns(n_no_data=pl.max_horizontal(pl.lit(0, pl.Int64), n_units - pl.col("n_units")))
        .sort("check")
    )
