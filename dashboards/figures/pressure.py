"""Tank pressures over time, with engine speed below; and what goes over them: phases and events."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import polars as pl

from dashboards.figures.layout import Edge, FigureDict, axis_time, base_layout, draw_edges, nothing, unchecked
from dashboards.measures import Measures
from dashboards.palette import Palette
from dashboards.reader import UTC_NAME, Reader

_LONGEST_JOIN_S = 300.0  # the longest block a gateway sends; beyond it a line would draw what nobody measured
_LOW_ENGINE_TOP_RPM = 1000.0  # so that an engine at rest or idling is seen to be so
_JOIN_STEPS = 3  # of a thinned history, whose points lie up to two intervals apart

LANES = {
    "engine_idle": "engine idles",
    "engine_governed": "engine at governed speed",
    "moving": "moving",
    "parked": "parked",
    "brake_applied": "brake applied",
    "trailer_charged": "trailer charged",
    "compressor_loaded": "compressor loaded",
}
"""Phases that have a lane below the pressures, from the top; `engine_off` is shaded across the pressures instead."""

LONGEST_LANES = timedelta(hours=50)
"""Beyond so long a span phases are too short to be seen, and many."""

SYMBOLS = {
    "cut_out": ("triangle-up", "governor cut-out"),
    "cut_in": ("triangle-down", "governor cut-in"),
    "lamp": ("circle", "lamp"),
    "code": ("diamond", "trouble codes"),
    "alert": ("star", "alert"),
}
"""Shape and name of each kind of event: told apart without colour."""


def pressure_figure(
    history: pl.DataFrame,
    *,
    start: datetime,
    end: datetime,
    edges: Sequence[Edge],
    measures: Measures,
    palette: Palette,
    reader: Reader | None = None,
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
    measures, palette, reader
        What it is shown in.
    """
    reader = reader or Reader(None, UTC_NAME)
    layout = base_layout(palette, height=520)
    layout["uirevision"] = "kept"
    ends = [axis_time(reader.local(t)) for t in (start, end)]
    layout["xaxis"] |= {"range": ends, "anchor": "free", "position": 0}
    has_lanes = end - start <= LONGEST_LANES
    engine, pressures = ([0.26, 0.38], [0.43, 1.0]) if has_lanes else ([0.0, 0.16], [0.22, 1.0])
    layout["yaxis2"] = layout["yaxis"] | {"title": {"text": "1/min"}, "domain": engine, "nticks": 3}
    layout["yaxis2"]["range"] = [0, _engine_top_rpm(history)]
    if has_lanes:
        layout["yaxis3"] = layout["yaxis"] | _lanes()
    layout["yaxis4"] = {"overlaying": "y", "range": [0, 1], "visible": False, "fixedrange": True}
    unit = measures.unit("kPa")
    layout["yaxis"] |= {"title": {"text": f"pressure, {unit}"}, "domain": pressures, "rangemode": "tozero"}
    joined = _break_gaps(history, max(_LONGEST_JOIN_S, _JOIN_STEPS * _usual_step_s(history)))
    traces = [*_tank_traces(joined, measures, palette), *_engine_traces(joined, palette)]
    if not traces:
        layout["annotations"] = [nothing("No samples between these times", palette)]
        return unchecked([], layout, [])
    draw_edges(layout, edges, palette)
    return unchecked(traces, layout, _clock_ms(joined["t"], reader))


def _lanes() -> FigureDict:
    names = list(LANES.values())
    return {
        "domain": [0.0, 0.22],
        "range": [len(names) - 0.5, -0.5],
        "tickvals": list(range(len(names))),
        "ticktext": names,
        "tickfont": {"size": 10},
        "showgrid": False,
        "fixedrange": True,
    }


def phase_traces(intervals: pl.DataFrame, *, reader: Reader, palette: Palette) -> list[FigureDict]:
    """Draw phases (columns as `airwatch.derive.phase_intervals.PHASE_INTERVALS`) as bars in lanes.

    Where samples do not tell whether a phase holds, its bar is thin.
    """
    traces: list[FigureDict] = []
    for lane, phase in enumerate(LANES):
        for is_known in (True, False):
            found = intervals.filter(phase=phase, is_known=is_known)
            if found.is_empty():
                continue
            line = {"color": palette.soft if is_known else palette.hair, "width": 7 if is_known else 2}
            said = LANES[phase] if is_known else f"{LANES[phase]}: not told"
            traces.append(
                {
                    "type": "scatter",
                    "mode": "lines",
                    "x": _pairs(found, reader),
                    "y": [lane, lane, None] * found.height,
                    "yaxis": "y3",
                    "line": line,
                    "showlegend": False,
                    "name": said,
                    "hovertemplate": f"%{{x}}<br>{said}<extra></extra>",
                }
            )
    return traces


def rest_shapes(intervals: pl.DataFrame, *, reader: Reader, palette: Palette) -> list[FigureDict]:
    """Shade the times at which the engine was off, below all that is drawn."""
    off = intervals.filter(phase="engine_off", is_known=True)
    look = {"type": "rect", "layer": "below", "yref": "y domain", "y0": 0, "y1": 1, "line": {"width": 0}}
    return [
        {
            **look,
            "xref": "x",
            "x0": axis_time(reader.local(start)),
            "x1": axis_time(reader.local(end)),
            "fillcolor": palette.hair,
            "opacity": 0.35,
        }
        for start, end in off.select("start", "end").iter_rows()
    ]


def event_traces(events: pl.DataFrame, *, reader: Reader, palette: Palette) -> list[FigureDict]:
    """Mark events (``t, kind, text``) above the pressures, each kind with a shape of its own."""
    traces: list[FigureDict] = []
    for place, (kind, (symbol, name)) in enumerate(SYMBOLS.items()):
        found = events.filter(kind=kind)
        if found.is_empty():
            continue
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "x": [axis_time(reader.local(t)) for t in found["t"]],
                "y": [0.985 - 0.035 * place] * found.height,
                "yaxis": "y4",
                "text": found["text"].to_list(),
                "marker": {"symbol": symbol, "size": 8, "color": palette.ink if kind == "alert" else palette.soft},
                "name": name,
                "hovertemplate": "%{x}<br>%{text}<extra></extra>",
            }
        )
    return traces


def _pairs(found: pl.DataFrame, reader: Reader) -> list[str | None]:
    out: list[str | None] = []
    for start, end in found.select("start", "end").iter_rows():
        out += [axis_time(reader.local(start)), axis_time(reader.local(end)), None]
    return out


def _clock_ms(t: pl.Series, reader: Reader) -> list[int]:
    """Give times as what the reader's clocks show, in ms since the beginning of 1970 on the same clocks."""
    if reader.zone != UTC_NAME:
        t = (
            t.dt.replace_time_zone("UTC")
            .dt.convert_time_zone(reader.zone)
            .dt.replace_time_zone(None, ambiguous="earliest")
        )
    return t.dt.epoch("ms").to_list()


def _tank_traces(joined: pl.DataFrame, measures: Measures, palette: Palette) -> list[FigureDict]:
    looks = {
        "supply": ("dot", palette.faint),
        "primary": ("solid", palette.ink),
        "secondary": ("dash", palette.soft),
        "trailer": ("dashdot", palette.soft),
    }
    return [
        {
            "type": "scatter",
            "y": (joined[f"{tank}_kpa"] * measures.factor("kPa")).round(4).to_list(),
            "name": tank,
            "mode": "lines",
            "line": {"color": colour, "width": 1.2, "dash": dash},
            "hovertemplate": f"%{{x}}<br>{tank} %{{y:.4~g}} {measures.unit('kPa')}<extra></extra>",
        }
        for tank, (dash, colour) in looks.items()
        if joined[f"{tank}_kpa"].is_not_null().any()
    ]


def _engine_traces(joined: pl.DataFrame, palette: Palette) -> list[FigureDict]:
    if joined["engine_rpm"].is_null().all():
        return []
    return [
        {
            "type": "scatter",
            "y": joined["engine_rpm"].round(1).to_list(),
            "name": "engine speed",
            "yaxis": "y2",
            "mode": "lines",
            "line": {"color": palette.faint, "width": 1},
            "hovertemplate": "%{x}<br>engine %{y:.0f} 1/min<extra></extra>",
            "showlegend": False,
        }
    ]


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
