"""The readings that show an alert's fault, with what happened to the alert and when its limit is likely crossed."""

from collections.abc import Iterator, Sequence
from datetime import datetime

import plotly.graph_objects as go
import polars as pl

from dashboards.figures.layout import FigureDict, Moment, axis_time
from dashboards.figures.readings import readings_figure
from dashboards.measures import Measures
from dashboards.palette import Palette

_MARKED = ("opened", "repaired", "reopened", "verified", "dismissed")
_MOST_MARKS = 6


def alert_figure(
    readings: pl.DataFrame,
    *,
    history: pl.DataFrame,
    crossing: Sequence[datetime | None],
    edge: float | None,
    measures: Measures,
    palette: Palette,
) -> FigureDict:
    """Draw the readings of an alert.

    Parameters
    ----------
    readings : DataFrame
        As `dashboards.alert_readings.readings_showing` gives them.
    history : DataFrame
        Columns as `airwatch.alerts.lifecycle.HISTORY`; the newest changes that matter are marked at their data time.
    crossing : sequence of datetime, optional
        When the limit is crossed: early, likely, late.
    edge : float, optional
        The edge that is crossed, in the stored measure.
    measures, palette
        What it is shown in.
    """
    return readings_figure(
        readings,
        measures=measures,
        palette=palette,
        height=340,
        moments=list(_moments(history)),
        beside=crossing_traces(readings, crossing, edge, measures, palette),
        ahead=max((t for t in crossing if t is not None), default=None),
    )


def _moments(history: pl.DataFrame) -> Iterator[Moment]:
    marked = history.filter(pl.col("change").is_in(_MARKED)).sort("at")
    first, others = marked.head(1), marked.slice(1).tail(_MOST_MARKS - 1)
    for row in pl.concat([first, others]).iter_rows(named=True):
        yield Moment(row["at"], row["change"])


def crossing_traces(
    readings: pl.DataFrame,
    crossing: Sequence[datetime | None],
    edge: float | None,
    measures: Measures,
    palette: Palette,
) -> list[go.Scatter]:
    """Draw when the limit is crossed as a line along it, as far as its ends are known, with a long tick at the median.

    Plotly draws no error bars along an axis of time.
    """
    early, likely, late = crossing
    if likely is None or edge is None or readings.is_empty():
        return []
    measure = str(readings["measure"][0])
    ticks = [(t, size) for t, size in ((early, 8), (likely, 18), (late, 8)) if t is not None]
    return [
        go.Scatter(
            x=[axis_time(t) for t, _ in ticks],
            y=[edge * measures.factor(measure)] * len(ticks),
            name="limit likely crossed, 80 %",
            mode="lines+markers",
            line={"color": palette.ink, "width": 2},
            marker={
                "color": palette.ink,
                "symbol": "line-ns",
                "size": [size for _, size in ticks],
                "line": {"color": palette.ink, "width": 2},
            },
            hovertemplate="limit likely crossed %{x|%Y-%m-%d}<extra></extra>",
        )
    ]
