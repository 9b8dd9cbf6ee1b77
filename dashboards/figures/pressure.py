"""Tank pressures over time, with engine speed below."""

from collections.abc import Sequence
from datetime import datetime

import plotly.graph_objects as go
import polars as pl

from dashboards.figures.layout import TIME, Edge, FigureDict, as_dict, axis_time, base_layout, draw_edges, nothing
from dashboards.measures import Measures
from dashboards.palette import Palette

_LONGEST_JOIN_S = 300.0  # the longest block a gateway sends; beyond it a line would draw what nobody measured
_LOW_ENGINE_TOP_RPM = 1000.0  # so that an engine at rest or idling is seen to be so
_JOIN_STEPS = 3  # of a thinned history, whose points lie up to two intervals apart


def pressure_figure(
    history: pl.DataFrame,
    *,
    start: datetime,
    end: datetime,
    edges: Sequence[Edge],
    measures: Measures,
    palette: Palette,
) -> FigureDict:
    """Draw a pressure history.

    Parameters
    ----------
    history : DataFrame, sorted by ``t``
        As `airwatch.store.results.pressure_history` gives it.
    start, end : datetime
        The span asked for, UTC; the time axis shows it whole.
    edges : sequence of Edge
        Limits to draw across the pressures, in the unit of ``measures``.
    measures, palette
        What it is shown in.
    """
    layout = base_layout(palette, height=420)
    layout["uirevision"] = "kept"
    layout["xaxis"] |= {"range": [axis_time(start), axis_time(end)], "anchor": "y2"}
    layout["yaxis2"] = layout["yaxis"] | {"title": {"text": "engine, 1/min"}, "domain": [0.0, 0.2], "nticks": 3}
    layout["yaxis2"]["range"] = [0, _engine_top_rpm(history)]
    unit = measures.unit("kPa")
    layout["yaxis"] |= {"title": {"text": f"pressure, {unit}"}, "domain": [0.3, 1.0], "rangemode": "tozero"}
    joined = _break_gaps(history, max(_LONGEST_JOIN_S, _JOIN_STEPS * _usual_step_s(history)))
    traces = [*_tank_traces(joined, measures, palette), *_engine_traces(joined, palette)]
    if not traces:
        layout["annotations"] = [nothing("No samples between these times", palette)]
        return as_dict([], layout)
    draw_edges(layout, edges, palette)
    return as_dict(traces, layout)


def _tank_traces(joined: pl.DataFrame, measures: Measures, palette: Palette) -> list[go.Scatter]:
    looks = {
        "supply": ("dot", palette.faint),
        "primary": ("solid", palette.ink),
        "secondary": ("dash", palette.soft),
        "trailer": ("dashdot", palette.soft),
    }
    return [
        go.Scatter(
            x=joined["t"].dt.strftime(TIME).to_list(),
            y=(joined[f"{tank}_kpa"] * measures.factor("kPa")).round(4).to_list(),
            name=tank,
            mode="lines",
            line={"color": colour, "width": 1.2, "dash": dash},
            hovertemplate=f"%{{x}}<br>{tank} %{{y:.4~g}} {measures.unit('kPa')}<extra></extra>",
        )
        for tank, (dash, colour) in looks.items()
        if joined[f"{tank}_kpa"].is_not_null().any()
    ]


def _engine_traces(joined: pl.DataFrame, palette: Palette) -> list[go.Scatter]:
    if joined["engine_rpm"].is_null().all():
        return []
    trace = go.Scatter(
        x=joined["t"].dt.strftime(TIME).to_list(),
        y=joined["engine_rpm"].to_list(),
        name="engine speed",
        yaxis="y2",
        mode="lines",
        line={"color": palette.faint, "width": 1},
        hovertemplate="%{x}<br>engine %{y:.0f} 1/min<extra></extra>",
        showlegend=False,
    )
    return [trace]


def _engine_top_rpm(history: pl.DataFrame) -> float:
    most = history["engine_rpm"].max()
    return max(_LOW_ENGINE_TOP_RPM, 1.1 * most) if isinstance(most, float) else _LOW_ENGINE_TOP_RPM


def _usual_step_s(history: pl.DataFrame) -> float:
    median = (history["t"].diff().dt.total_microseconds() / 1e6).median()
    return median if isinstance(median, float) else 0.0


def _break_gaps(history: pl.DataFrame, longest_s: float) -> pl.DataFrame:
    """Put a row of nulls into each silence longer than ``longest_s``, so that no line crosses it."""
    gap = pl.col("t").diff().dt.total_microseconds() > longest_s * 1e6
    breaks = history.filter(gap).select(pl.col("t") - pl.duration(milliseconds=1))
    return pl.concat([history, breaks], how="diagonal").sort("t")
