"""What summaries of windows and of days show beside an edge: longer than the rows, but without their order or place."""

from collections.abc import Mapping

import polars as pl
from scipy.stats import beta

from airwatch.errors import RecordingError
from airwatch.limits.units_of_measure import KPA_PER_BAR

_FAILED = ("2020-04-18", "2020-05-29", "2020-05-30")  # days of the published failures that the daily file reaches


def fired_windows(windows: pl.DataFrame, edges_pct: Mapping[str, float]) -> pl.DataFrame:
    """Count, among window summaries labelled normal, those whose share lies beyond the edges.

    Windows in which the reservoirs' pressure never moved are the logger's standstills and left out. A window is some 42
    min, not an hour, and what surrounds it is not known, so these are shares of windows and not alarms by the month.

    Parameters
    ----------
    windows : DataFrame
        ``DV_eletric_mean`` (share of rows with the valve set to load), ``Reservoirs_max``, ``Reservoirs_min`` and
        ``DV_pressure_mean``, bar.
    edges_pct : mapping
        Edges of the share loaded, %, by the rule's name.

    Returns
    -------
    DataFrame
        One row an edge: ``rule, edge_pct, n_windows, n_standstill, n_beyond, beyond_pct, lower, upper`` (95 %, each
        window taken for itself), ``n_all_loaded`` (of ``n_beyond``, loaded throughout), ``n_dryer`` (of these, with the
        dryer's outlet under pressure on average); ``median_share_pct``, ``p95_share_pct`` of all.

    Raises
    ------
    RecordingError
        A column is missing.
    """
    needed = ("DV_eletric_mean", "Reservoirs_max", "Reservoirs_min", "DV_pressure_mean")
    if lacking := [column for column in needed if column not in windows.columns]:
        raise RecordingError(f"the window summaries lack {', '.join(lacking)}")
    live = windows.filter(pl.col("Reservoirs_max") > pl.col("Reservoirs_min"))
    share = 100.0 * live["DV_eletric_mean"]
    out = []
    for rule, edge in edges_pct.items():
        beyond = live.filter(share > edge)
        throughout = beyond.filter(pl.col("DV_eletric_mean") >= 1.0)
        low, high = _share_interval(beyond.height, live.height)
        out.append(
            {
                "rule": rule,
                "edge_pct": edge,
                "n_windows": live.height,
                "n_standstill": windows.height - live.height,
                "n_beyond": beyond.height,
                "beyond_pct": 100.0 * beyond.height / live.height,
                "lower": low,
                "upper": high,
                "n_all_loaded": throughout.height,
                "n_dryer": throughout.filter(pl.col("DV_pressure_mean") > 0.0).height,
                "median_share_pct": share.median(),
                "p95_share_pct": share.quantile(0.95),
            }
        )
    return pl.DataFrame(out)


def _share_interval(k: int, n: int) -> tuple[float, float]:
    """Give the Clopper-Pearson interval of ``k`` in ``n``, %, 95 %."""
    low = 0.0 if k == 0 else float(beta.ppf(0.025, k, n - k + 1))
    high = 1.0 if k == n else float(beta.ppf(0.975, k + 1, n - k))
    return 100.0 * low, 100.0 * high


def unlisted_days(daily: pl.DataFrame) -> pl.DataFrame:
    """Give days, not on the list of failures, whose mean dryer pressure reaches that of a day in full failure hours.

    That is the lower of the day of F1 and the second day of F2 (six hours of failure): ``date, dryer_kpa``.
    """
    day, kpa = pl.col("date"), pl.col("DV_pressure_mean") * KPA_PER_BAR
    least = daily.filter(day.is_in([_FAILED[0], _FAILED[-1]])).select(kpa.min()).item()
    return daily.filter(~day.is_in(list(_FAILED)) & (kpa >= least)).select("date", dryer_kpa=kpa).sort("date")
