"""Where a figure is going: robust slopes of daily levels, and when they cross a limit."""

from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.alerts.medians import row_medians
from airwatch.alerts.settings import Trend
from airwatch.contract.columns import TIME
from airwatch.derive.frames import UNIT

Floats = npt.NDArray[np.float64]

KEY = [*UNIT, "series"]
_MAD_TO_SD = 1.4826  # of a normal distribution
_Z80 = 1.2816  # half of the central 80 % interval

TRENDS = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "series": pl.String(),
        "day": pl.Date(),
        "end": TIME,
        "level": pl.Float64(),
        "slope": pl.Float64(),
        "slope_sd": pl.Float64(),
        "rose": pl.Float64(),
        "limit": pl.Float64(),
        "n_days": pl.Int64(),
        "early_days": pl.Float64(),
        "likely_days": pl.Float64(),
        "late_days": pl.Float64(),
    }
)
"""One row a series and day: fitted level and slope a day, and in how many days the limit is crossed."""


def daily_levels(series: pl.DataFrame, settings: Trend) -> pl.DataFrame:
    """Sum up each day of each series.

    Parameters
    ----------
    series : DataFrame
        ``fleet, unit, series, end, y, limit, floor``: figures that rise towards ``limit``, and the scatter that is
        always assumed.

    Returns
    -------
    DataFrame, one row a series and day with readings, sorted
        ``fleet, unit, series, day, end`` (of the day's last reading), ``level`` (a high quantile), ``limit, floor``.
    """
    return (
        series.group_by(*KEY, pl.col("end").dt.date().alias("day"))
        .agg(
            pl.col("end").max(),
            level=pl.col("y").quantile(settings.quantile, "linear"),
            limit=pl.col("limit").last(),
            floor=pl.col("floor").median(),
        )
        .sort(*KEY, "day")
    )


def trends(daily: pl.DataFrame, settings: Trend) -> pl.DataFrame:
    """Fit a line to each of some windows that end with a day, and keep the one with the clearest rise.

    The slope is the median of the slopes between all pairs of days, the level the line's value on the last of them, so
    that single odd days count little. The error of the slope follows from the scatter about the line (median absolute
    deviation, and no less than ``floor``) as in least squares. Crossings are quantiles 0.1, 0.5 and 0.9; where the
    lesser slope does not lead to the limit, the late one is null.

    Parameters
    ----------
    daily : DataFrame
        As `daily_levels` gives it.

    Returns
    -------
    DataFrame
        Columns as `TRENDS`, one row for each day with days enough in its window.

    References
    ----------
    Median of pairwise slopes: Sen, Journal of the American Statistical Association 63 (1968), 1379-1389.
    """
    if daily.is_empty():
        return pl.DataFrame(schema=TRENDS)
    keys = daily.select(KEY).unique(maintain_order=True).with_row_index("key")
    rows = daily.join(keys, on=KEY, maintain_order="left")
    days = rows["day"].cast(pl.Int32).to_numpy().astype(np.int64)
    first = int(days.min())
    levels = np.full((keys.height, int(days.max()) - first + 1), np.nan)
    at = rows["key"].to_numpy(), days - first
    levels[at] = rows["level"].to_numpy()
    floors, limits = (np.full_like(levels, np.nan) for _ in range(2))
    floors[at], limits[at] = rows["floor"].to_numpy(), rows["limit"].to_numpy()
    fits = [
        fit
        for day in range(levels.shape[1])
        for window in settings.windows_days
        if (fit := _fit(levels, floors, limits, day, window, settings)) is not None
    ]
    if not fits:
        return pl.DataFrame(schema=TRENDS)
    found = pl.concat([pl.DataFrame({name: getattr(fit, name) for name in _Fit.__dataclass_fields__}) for fit in fits])
    return (
        found.sort("key", "day", pl.col("slope") / pl.col("slope_sd"), descending=[False, False, True])
        .unique(["key", "day"], keep="first", maintain_order=True)
        .with_columns(day=(pl.col("day") + first).cast(pl.Int32).cast(pl.Date), key=pl.col("key").cast(pl.UInt32))
        .join(keys, on="key", maintain_order="left")
        .join(daily.select(*KEY, "day", "end"), on=[*KEY, "day"], maintain_order="left")
        .with_columns(pl.col("early_days", "likely_days", "late_days").fill_nan(None))
        .select(TRENDS.keys())
        .cast(TRENDS)
        .sort(*KEY, "day")
    )


@dataclass(frozen=True, slots=True)
class _Fit:
    key: npt.NDArray[np.int64]
    day: npt.NDArray[np.int64]
    level: Floats
    slope: Floats
    slope_sd: Floats
    rose: Floats
    limit: Floats
    n_days: npt.NDArray[np.int64]
    early_days: Floats
    likely_days: Floats
    late_days: Floats


def _fit(levels: Floats, floors: Floats, limits: Floats, day: int, window_days: int, settings: Trend) -> _Fit | None:
    begin = max(day - window_days + 1, 0)
    window = levels[:, begin : day + 1]
    n = (~np.isnan(window)).sum(axis=1)
    keys = np.flatnonzero((n >= settings.fewest_days) & ~np.isnan(window[:, -1]))
    if keys.size == 0:
        return None
    y, n = window[keys], n[keys]
    x = np.arange(window.shape[1], dtype=np.float64) - (window.shape[1] - 1)  # days before today
    i, j = np.triu_indices(x.size, 1)
    slope = row_medians((y[:, j] - y[:, i]) / (x[j] - x[i]))
    level = row_medians(y - slope[:, None] * x)
    off = y - level[:, None] - slope[:, None] * x
    scatter = np.maximum(_MAD_TO_SD * row_medians(np.abs(off)), floors[keys, day])
    known = ~np.isnan(y)
    mean = np.where(known, x, 0.0).sum(axis=1) / n
    spread = (np.where(known, x - mean[:, None], 0.0) ** 2).sum(axis=1)
    slope_sd = scatter / np.sqrt(spread)
    level_sd = np.sqrt(scatter**2 / n + (slope_sd * mean) ** 2)
    first = np.where(known, x, np.inf).min(axis=1)
    limit = limits[keys, day]
    doubt = np.hypot(slope_sd, settings.slope_doubt * slope)
    to_go = limit - level
    return _Fit(
        key=keys, day=np.full(keys.size, day), level=level, slope=slope, slope_sd=slope_sd,
        rose=-slope * first, limit=limit, n_days=n,
        early_days=_days(to_go - _Z80 * level_sd, slope + _Z80 * doubt),
        likely_days=_days(to_go, slope),
        late_days=_days(to_go + _Z80 * level_sd, slope - _Z80 * doubt),
    )  # fmt: skip


Crossing = tuple[datetime | None, datetime | None, datetime | None]
"""When a limit is expected to be crossed: early, likely and late."""

_FARTHEST_DAYS = 3650.0


def crossing(trend: pl.DataFrame, settings: Trend) -> Crossing:
    """Give when one series crosses its limit, by its newest day; null where it did, or nothing leads there for sure."""
    newest = trend.tail(1).to_dicts()
    if (
        not newest
        or newest[0]["slope"] <= settings.slope_z / 2.0 * newest[0]["slope_sd"]
        or not newest[0]["likely_days"]
    ):
        return (None, None, None)
    end, days = newest[0]["end"], [newest[0][f"{which}_days"] for which in ("early", "likely", "late")]
    early, likely, late = (None if d is None else end + timedelta(days=min(d, _FARTHEST_DAYS)) for d in days)
    return early, likely, late


def last_days(readings: pl.DataFrame) -> pl.DataFrame:
    """Give ``fleet, unit, last_day``: the newest day with readings of any kind."""
    return readings.group_by(UNIT).agg(last_day=pl.col("end").max().dt.date())


def of_days_over(trend: pl.DataFrame, last: pl.DataFrame) -> pl.DataFrame:
    """Keep the days of each unit that are over, whose levels do not change any more: it has readings of a later one.

    ``last`` is as `last_days` gives it for all readings of the units.
    """
    return trend.join(last, on=UNIT, how="left", maintain_order="left").filter(pl.col("day") < pl.col("last_day"))


def _days(to_go: Floats, slope: Floats) -> Floats:
    """Give the days to the limit, 0 if it is reached, NaN if the slope does not lead there."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(to_go <= 0.0, 0.0, np.where(slope > 0.0, to_go / slope, np.nan))


def is_rising(settings: Trend, *, rise_share: float, level_share: float | None) -> pl.Expr:
    """Tell for which days a trend is clear, large and near enough to act upon."""
    start = pl.col("level") - pl.col("rose")
    is_clear = pl.col("slope") > settings.slope_z * pl.col("slope_sd")
    is_large = pl.col("rose") >= rise_share * (pl.col("limit") - start)
    is_near = pl.col("likely_days") <= settings.horizon_days
    is_high = pl.lit(value=True) if level_share is None else pl.col("level") >= level_share * pl.col("limit")
    return (is_clear & is_large & is_near & is_high).fill_null(value=False)
