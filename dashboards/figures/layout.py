"""What all figures share: axes, the line of a limit, and the way out of Plotly."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import plotly.graph_objects as go

from dashboards.palette import Palette

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
