"""What all figures share: axes, the line of a limit, and the way out of Plotly."""

import json
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import plotly.graph_objects as go

from dashboards.palette import Palette
from dashboards.reader import UTC_NAME, Reader

FigureDict = dict[str, Any]

TIME = "%Y-%m-%d %H:%M:%S%.3f"
"""How Polars writes times for a figure."""

_FONT = "system-ui, 'Liberation Sans', Arial, sans-serif"
_A_DAY_MS = 86_400_000


def axis_time(t: datetime) -> str:
    """Write one time for a figure."""
    return f"{t:%Y-%m-%d %H:%M:%S}.{t.microsecond // 1000:03d}"


def base_layout(palette: Palette, *, height: int) -> FigureDict:
    """Give a calm layout with a time axis; ``height`` in pixels."""
    axis = {
        "gridcolor": palette.hair,
        "linecolor": palette.hair,
        "zeroline": False,
        "ticks": "outside",
        "tickcolor": palette.hair,
        "automargin": True,
    }
    time_axis = {
        "type": "date",
        "showgrid": False,
        "hoverformat": "%Y-%m-%d %H:%M:%S",
        "tickformatstops": [
            {"dtickrange": [None, 60_000], "value": "%H:%M:%S\n%Y-%m-%d"},
            {"dtickrange": [60_000, _A_DAY_MS - 1], "value": "%H:%M\n%Y-%m-%d"},
            {"dtickrange": [_A_DAY_MS, None], "value": "%m-%d\n%Y"},
        ],
    }
    return {
        "height": height,
        "margin": {"l": 56, "r": 16, "t": 28, "b": 36},
        "paper_bgcolor": "rgba(0,0,0,0)",
        "plot_bgcolor": palette.sheet,
        "font": {"family": _FONT, "size": 12, "color": palette.soft},
        "hoverlabel": {"bgcolor": palette.sheet, "bordercolor": palette.faint, "font": {"color": palette.ink}},
        "hovermode": "closest",
        "modebar": {"bgcolor": "rgba(0,0,0,0)", "color": palette.faint, "activecolor": palette.ink},
        "legend": {"orientation": "h", "x": 0, "y": 1.0, "yanchor": "bottom", "font": {"color": palette.soft}},
        "showlegend": True,
        "xaxis": axis | time_axis,
        "yaxis": axis,
    }


@dataclass(frozen=True, slots=True)
class Edge:
    """One edge of a limit to draw: its place, and what is written on it."""

    value: float
    text: str
    is_low: bool


def draw_edges(layout: FigureDict, edges: Iterable[Edge], palette: Palette) -> None:
    """Add dashed lines for ``edges``, which are in the figure's unit, to ``layout``."""
    listed = list(edges)
    layout["shapes"] = [_line(edge, palette) for edge in listed]
    layout["annotations"] = [_text(edge, palette) for edge in listed]


@dataclass(frozen=True, slots=True)
class Moment:
    """Something that happened, to mark across a figure."""

    at: datetime
    text: str


HEADROOM = 0.1
"""What one row of names of moments takes of the height of a figure."""

_APART = 0.26  # of the width; names closer than that stand in different rows


def rows_of(moments: Sequence[Moment], span: tuple[datetime, datetime]) -> list[int]:
    """Give the row that each moment's name stands in, 0 at the top, so that no two lie over each other."""
    ends: list[float] = []
    rows = []
    for moment in moments:
        x = (moment.at - span[0]) / (span[1] - span[0])
        row = next((k for k, end in enumerate(ends) if x - end >= _APART), len(ends))
        ends[row:] = [x, *ends[row + 1 :]]
        rows.append(row)
    return rows


def draw_moments(
    layout: FigureDict, moments: Sequence[Moment], span: tuple[datetime, datetime], palette: Palette
) -> None:
    """Add a line from top to bottom for each of ``moments``, which are in order of time, with its name at the top."""
    shapes, names = layout.setdefault("shapes", []), layout.setdefault("annotations", [])
    for moment, row in zip(moments, rows_of(moments, span), strict=True):
        x = {"xref": "x", "x0": axis_time(moment.at), "x1": axis_time(moment.at)}
        line = {"color": palette.soft, "width": 1}
        shapes.append({"type": "line", "yref": "paper", "y0": 0, "y1": 1, "line": line, **x})
        is_late = (moment.at - span[0]) / (span[1] - span[0]) > 1 - _APART
        side = {"xanchor": "right", "xshift": -3} if is_late else {"xanchor": "left", "xshift": 3}
        place = {"xref": "x", "x": axis_time(moment.at), "yref": "paper", "y": 1 - 0.9 * HEADROOM * row, **side}
        font = {"size": 11, "color": palette.ink}
        names.append({"text": moment.text, "showarrow": False, "yanchor": "top", "font": font, **place})


def _line(edge: Edge, palette: Palette) -> FigureDict:
    y = {"yref": "y", "y0": edge.value, "y1": edge.value}
    line = {"color": palette.soft, "width": 1, "dash": "dash"}
    return {"type": "line", "xref": "paper", "x0": 0, "x1": 1, **y, "line": line}


def _text(edge: Edge, palette: Palette) -> FigureDict:
    """Write on the far side of the line, where little is drawn, and away from the newest data."""
    x = {"xref": "paper", "x": 0, "xanchor": "left"}
    place = {**x, "yref": "y", "y": edge.value, "yanchor": "top" if edge.is_low else "bottom"}
    return {"text": edge.text, "showarrow": False, "font": {"size": 11, "color": palette.soft}, **place}


def nothing(text: str, palette: Palette) -> FigureDict:
    """Write across a figure that has nothing to draw."""
    place = {"xref": "paper", "x": 0.5, "yref": "paper", "y": 0.5}
    return {"text": text, "showarrow": False, "font": {"size": 14, "color": palette.soft}, **place}


def as_dict(traces: list[Any], layout: FigureDict) -> FigureDict:
    """Let Plotly check the figure, and give it without Plotly's own template."""
    figure: FigureDict = json.loads(go.Figure(data=traces, layout=go.Layout(template={}, **layout)).to_json())
    return figure


def unchecked(traces: list[FigureDict], layout: FigureDict, t: list[int]) -> FigureDict:
    """Give a figure of many points without Plotly's check, which takes longer than all else; a test lets it check.

    ``t`` are times in ms, shared by all traces that have no ``x`` of their own.
    """
    return {"data": traces, "layout": {"template": {}, **layout}, "t": t}


def in_zone(figure: FigureDict, reader: Reader) -> FigureDict:
    """Turn all times written in a figure (UTC) into what the reader's clocks show."""
    if reader.zone == UTC_NAME:
        return figure
    for trace in figure["data"]:
        if isinstance(trace.get("x"), list):
            trace["x"] = [_zoned(x, reader) for x in trace["x"]]
    for part in (*figure["layout"].get("shapes", ()), *figure["layout"].get("annotations", ())):
        for name in ("x", "x0", "x1"):
            if name in part:
                part[name] = _zoned(part[name], reader)
    axis = figure["layout"].get("xaxis", {})
    if "range" in axis:
        axis["range"] = [_zoned(x, reader) for x in axis["range"]]
    return figure


def _zoned(x: object, reader: Reader) -> object:
    if not isinstance(x, str):
        return x  # a place on the paper
    try:
        return axis_time(reader.local(datetime.fromisoformat(x)))
    except ValueError:
        return x
