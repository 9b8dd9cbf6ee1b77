"""What came true beside what was forecast."""

import plotly.graph_objects as go
import polars as pl

from airwatch.readiness.score import BINS
from dashboards.figures.layout import FigureDict, as_dict, base_layout, nothing
from dashboards.palette import Palette


def reliability_figure(bins: pl.DataFrame, *, palette: Palette) -> FigureDict:
    """Draw the share that passed over the mean chance of each bin, and the line of a good forecast.

    Parameters
    ----------
    bins : DataFrame
        Columns as `airwatch.readiness.score.BINS`.
    palette
        What it is shown in.
    """
    layout = base_layout(palette, height=420)
    axis = {"type": "linear", "range": [-0.03, 1.03], "tickformat": ".0%", "hoverformat": ".0%", "dtick": 0.2}
    for name, title in (("xaxis", "chance forecast"), ("yaxis", "share that passed")):
        kept = {key: value for key, value in layout[name].items() if key not in ("tickformatstops", "hoverformat")}
        layout[name] = kept | axis | {"title": {"text": title}, "showgrid": True}
    if bins.is_empty():
        layout["annotations"] = [nothing("nothing to score yet", palette)]
        return as_dict([], layout)
    rows = bins.select(BINS.keys()).to_dicts()
    traces = [
        go.Scatter(
            x=[0, 1],
            y=[0, 1],
            mode="lines",
            name="as forecast",
            line={"color": palette.faint, "width": 1, "dash": "dash"},
            hoverinfo="skip",
        ),
        go.Scatter(
            x=[row["mean_chance"] for row in rows],
            y=[row["share_passed"] for row in rows],
            mode="markers+text",
            name="came true, 95 % interval; n written beside",
            text=[f" {row['n']}" for row in rows],
            textposition="middle right",
            marker={"color": palette.ink, "size": 9},
            error_y={
                "type": "data",
                "symmetric": False,
                "array": [row["upper"] - row["share_passed"] for row in rows],
                "arrayminus": [row["share_passed"] - row["lower"] for row in rows],
                "color": palette.soft,
                "thickness": 1.5,
                "width": 4,
            },
            customdata=[[row["n"], row["n_passed"], row["lower"], row["upper"]] for row in rows],
            hovertemplate="forecast %{x:.0%}: %{customdata[1]} of %{customdata[0]} passed,"
            " %{customdata[2]:.0%} to %{customdata[3]:.0%}<extra></extra>",
        ),
    ]
    return as_dict(traces, layout)
