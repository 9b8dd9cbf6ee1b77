"""Readings of one check over time, with their intervals and the limits that judged them."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import plotly.graph_objects as go
import polars as pl

from dashboards.figures.layout import (
    HEADROOM,
    TIME,
    Edge,
    FigureDict,
    Moment,
    as_dict,
    axis_time,
    base_layout,
    draw_edges,
    draw_moments,
    nothing,
    rows_of,
)
from dashboards.judged import rules
from dashboards.measures import Measures
from dashboards.palette import Palette
from dashboards.words import verdict_name

_MARKS = {"supply": "diamond", "primary": "circle", "secondary": "square", "trailer": "triangle-up"}
_ABOUT = pl.concat_str("part", "state", "note", separator="; ", ignore_nulls=True)
_TIME_PAD = 0.03  # of the span, on either side
_FEW = 60  # readings; more of them are drawn smaller


def readings_figure(
    readings: pl.DataFrame,
    *,
    measures: Measures,
    palette: Palette,
    height: int = 260,
    moments: Sequence[Moment] = (),
    beside: Sequence[go.Scatter] = (),
    ahead: datetime | None = None,
) -> FigureDict:
    """Draw readings with 95 % intervals: grey within the limit, a hue beyond it, hollow where it can't be said.

    Parameters
    ----------
    readings : DataFrame
        Of one check, as `dashboards.judged.with_judged` gives them; values are drawn as judged.
    measures, palette
        What it is shown in.
    height : int
        Pixels.
    moments : sequence of Moment
        What to mark, in order of time; above the readings room is left for the names.
    beside : sequence of Scatter
        Traces to draw beside the readings, in the shown unit.
    ahead : datetime, optional
        How far the time axis should reach; it does as far as what was measured keeps half of the figure.
    """
    layout = base_layout(palette, height=height)
    layout["legend"] |= {"itemclick": False, "itemdoubleclick": False}
    drawn = readings.filter(pl.col("judged").is_not_null()).sort("circuit", "verdict", "end", nulls_last=True)
    if drawn.is_empty():
        layout["annotations"] = [nothing("No readings with a value", palette)]
        return as_dict([], layout)
    measure = str(drawn["measure"][0])
    span = _time_range([*drawn["end"], *(moment.at for moment in moments)], ahead)
    low, high = _value_range(drawn, from_zero=measure != "kPa")
    n_rows = max(rows_of(moments, span), default=-1) + 1
    high = low + (high - low) / (1 - HEADROOM * n_rows)
    layout["yaxis"] |= {
        "title": {"text": "codes" if measure == "count" else measures.unit(measure)},
        "range": [x * measures.factor(measure) for x in (low, high)],
    }
    layout["xaxis"]["range"] = [axis_time(t) for t in span]
    draw_edges(layout, _edges(drawn, measures), palette)
    draw_moments(layout, moments, span, palette)
    parts = drawn.group_by("circuit", "verdict", maintain_order=True)
    is_small = drawn.height > _FEW
    traces = [_marks(part, measures, palette, is_small=is_small) for _, part in parts]
    return as_dict([*_legend(drawn, palette), *traces, *beside], layout)


def _marks(part: pl.DataFrame, measures: Measures, palette: Palette, *, is_small: bool) -> go.Scatter:
    """Draw the readings of one circuit that share a verdict."""
    circuit, verdict, measure = part["circuit"][0], str(part["verdict"][0]), str(part["measure"][0])
    colour, factor, word = _colour(verdict, palette), measures.factor(measure), verdict_name(verdict)
    value = part["judged"] * factor
    where = f"{circuit}, " if circuit else ""
    unit = "" if measure == "count" else f" {measures.unit(measure)}"
    return go.Scatter(
        x=part["end"].dt.strftime(TIME).to_list(),
        y=value.to_list(),
        name=f"{where}{word}",
        showlegend=False,
        mode="markers",
        marker={
            "color": colour,
            "size": (5 if is_small else 7) + (1 if verdict in ("fail", "watch") else 0),
            "symbol": _symbol(circuit, verdict),
        },
        error_y={
            "type": "data",
            "symmetric": False,
            "array": (part["judged_upper"] * factor - value).fill_null(0.0).to_list(),
            "arrayminus": (value - part["judged_lower"] * factor).fill_null(0.0).to_list(),
            "color": colour,
            "thickness": 1,
            "width": 0,
        },
        customdata=[measures.sentence(text) for text in part.select(_ABOUT).to_series().to_list()],
        hovertemplate=f"%{{x}}<br>{where}%{{y:.4~g}}{unit}, {word}<br>%{{customdata}}<extra></extra>",
    )


def _legend(drawn: pl.DataFrame, palette: Palette) -> Iterator[go.Scatter]:
    """Name the circuits where there are several, and the verdicts that need a name."""
    circuits = drawn["circuit"].drop_nulls().unique(maintain_order=True).to_list()
    looks = [(circuit, _symbol(circuit, "pass"), palette.faint) for circuit in circuits if len(circuits) > 1]
    for verdict in ("fail", "watch", "unknown"):
        if (drawn["verdict"] == verdict).any():
            looks += [(verdict_name(verdict), _symbol(None, verdict), _colour(verdict, palette))]
    for name, symbol, colour in looks:
        yield go.Scatter(x=[None], y=[None], name=name, mode="markers", marker={"color": colour, "symbol": symbol})


def _colour(verdict: str, palette: Palette) -> str:
    return {"fail": palette.act, "watch": palette.watch}.get(verdict, palette.faint)


def _symbol(circuit: object, verdict: str) -> str:
    symbol = _MARKS.get(str(circuit), "circle")
    return f"{symbol}-open" if verdict == "unknown" else symbol


def _edges(drawn: pl.DataFrame, measures: Measures) -> list[Edge]:
    """Give each edge that judged one of the readings, once, in the shown unit."""
    edges: dict[float, Edge] = {}
    for row in drawn.unique(["rule", "limit_low", "limit_high"], maintain_order=True).iter_rows(named=True):
        for name, word in (("limit_low", "at least"), ("limit_high", "at most")):
            if row[name] is not None:
                value = row[name] * measures.factor(row["measure"])
                text = f"{word} {measures.text(row[name], row['measure'])}{_apart(row)}"
                edges[value] = Edge(value, text, is_low=name == "limit_low")
    return list(edges.values())


def _apart(row: Mapping[str, Any]) -> str:
    """Say what sets this edge apart from another of the same check."""
    rule = rules().get(row["rule"])
    if rule is None:
        return ""
    coupling = "" if rule.coupling == "any" else f", {rule.coupling}"
    return f"{coupling}{', to watch' if rule.breach == 'watch' else ''}"


def _time_range(times: Sequence[datetime], ahead: datetime | None) -> tuple[datetime, datetime]:
    """Give a range of time, a day at least, that holds all ``times`` and reaches ``ahead`` if that is not too far."""
    first, last = min(times), max(times)
    if ahead is not None:
        last = max(last, min(ahead, last + max(last - first, timedelta(days=2))))
    pad = max(_TIME_PAD * (last - first), (timedelta(days=1) - (last - first)) / 2)
    return first - pad, last + pad


def _value_range(drawn: pl.DataFrame, *, from_zero: bool) -> tuple[float, float]:
    """Give a range, in the stored measure, that holds all values, intervals and edges."""
    columns = ("judged", "judged_lower", "judged_upper", "limit_low", "limit_high")
    ends = [x for name in columns for x in (drawn[name].min(), drawn[name].max()) if isinstance(x, float)]
    low, high = min(ends), max(ends)
    pad = 0.1 * (high - low) or 1.0
    return (low - pad if low < 0 or not from_zero else 0.0), high + pad
