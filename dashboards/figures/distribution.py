"""How the newest readings of one check lie over the fleet."""

from itertools import pairwise

import plotly.graph_objects as go
import polars as pl

from dashboards.distribution import Bars
from dashboards.figures.layout import FigureDict, as_dict, base_layout, nothing
from dashboards.measures import Measures
from dashboards.palette import Palette
from dashboards.words import verdict_name

_MOST_EDGES = 4  # limits differ by rule set and kind; more lines than these could not be told apart


def distribution_figure(readings: pl.DataFrame, counted: Bars, *, measures: Measures, palette: Palette) -> FigureDict:
    """Draw bars of how many readings there are, grey within limits and where it can't be said, with the limits.

    Parameters
    ----------
    readings : DataFrame
        As `dashboards.distribution.with_apart` gives them, of one check and test.
    counted : Bars
        The same, counted.
    measures, palette
        What it is shown in.
    """
    layout = base_layout(palette, height=340)
    if readings.is_empty():
        layout["annotations"] = [nothing("No readings with a value", palette)]
        return as_dict([], layout)
    measure = str(readings["measure"][0])
    factor, unit = measures.factor(measure), measures.unit(measure)
    looks = {
        "pass": (palette.faint, ""),
        "unknown": (palette.hair, "/"),
        "watch": (palette.watch, "."),
        "fail": (palette.act, ""),
    }
    borders = [border * factor for border in counted.borders]
    traces = [
        go.Bar(
            x=[(a + b) / 2 for a, b in pairwise(borders)],
            width=[b - a for a, b in pairwise(borders)],
            y=counted.counts[verdict],
            name=verdict_name(verdict),
            marker={
                "color": colour,
                "pattern": {"shape": shape, "fgcolor": palette.soft, "size": 5},
                "line": {"width": 0},
            },
            hovertemplate=f"about %{{x:.4~g}} {unit}: %{{y}} {verdict_name(verdict)}<extra></extra>",
        )
        for verdict, (colour, shape) in looks.items()
        if verdict in counted.counts
    ]
    layout |= {"barmode": "stack", "bargap": 0.04}
    layout["xaxis"] = {**layout["yaxis"], "title": {"text": "codes" if measure == "count" else unit}, "showgrid": False}
    layout["yaxis"] = {**layout["yaxis"], "title": {"text": "newest readings"}, "rangemode": "tozero"}
    edges = _edges(readings, measures)
    layout["shapes"] = [
        {
            "type": "line",
            "x0": edge,
            "x1": edge,
            "yref": "paper",
            "y0": 0,
            "y1": 1,
            "line": {"color": palette.ink, "width": 1, "dash": "dash"},
        }
        for edge, _ in edges
    ]
    layout["annotations"] = [
        {
            "x": edge,
            "yref": "paper",
            "y": 1 - 0.09 * row,
            "text": text,
            "showarrow": False,
            "xanchor": "left",
            "xshift": 4,
            "yanchor": "top",
            "font": {"size": 11, "color": palette.ink},
        }
        for row, (edge, text) in enumerate(edges)
    ]
    return as_dict(traces, layout)


def _edges(readings: pl.DataFrame, measures: Measures) -> list[tuple[float, str]]:
    """Give the edges that judge most of the readings, in the reader's unit, with what is written on them."""
    measure = str(readings["measure"][0])
    long = pl.concat(
        [
            readings.select(edge=pl.col(f"limit_{end}").round(6), word=pl.lit(word)).drop_nulls()
            for end, word in (("low", "at least"), ("high", "at most"))
        ]
    )
    most = long.group_by("edge", "word").len().sort("len", "edge", descending=True).head(_MOST_EDGES).sort("edge")
    return [
        (edge * measures.factor(measure), f"{word} {measures.text(edge, measure)}, {count} readings")
        for edge, word, count in most.iter_rows()
    ]
