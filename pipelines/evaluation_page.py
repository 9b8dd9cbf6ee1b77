"""An evaluation as a page of plots."""

from pathlib import Path

import plotly.graph_objects as go
import polars as pl
from plotly.subplots import make_subplots

from airwatch.alerts.score import by_fault
from airwatch.errors import StoreError
from pipelines.evaluate import Evaluation

_COLOURS = {"right": "#3b6e8f", "wrong": "#c2571a", "missed": "#8a8a8a"}  # told apart without red and green
_OUTCOMES = ("right", "wrong", "missed")


def write_page(done: Evaluation, path: Path) -> None:
    """Write a page with outcomes by fault, delays, leads and confidences.

    Raises
    ------
    StoreError
        The file can't be written.
    """
    try:
        figure(done).write_html(path, include_plotlyjs=True, full_html=True)
    except OSError as err:
        raise StoreError(f"{path}: the page can't be written: {err}; check the path") from err


def figure(done: Evaluation) -> go.Figure:
    """Draw outcomes by fault, delay from begin to alert, lead before the limit, and confidence by outcome."""
    faults = by_fault(done.matched)
    fig = make_subplots(
        rows=2,
        cols=2,
        subplot_titles=(
            "Outcomes by fault",
            "Days from the fault's begin to the alert",
            "Days from the alert to the limit crossed in fact, ramps",
            "Confidence of right and wrong alerts",
        ),
    )
    for outcome in _OUTCOMES:
        fig.add_bar(
            x=faults["fault"].to_list(), y=faults[outcome].to_list(), name=outcome, marker_color=_COLOURS[outcome],
            row=1, col=1,
        )  # fmt: skip
    right = done.matched.filter(outcome="right")
    for onset, symbol in (("step", "circle"), ("ramp", "diamond"), ("intermittent", "x")):
        part = right.filter(onset=onset)
        fig.add_scatter(
            x=part["fault"].to_list(), y=part["after_days"].to_list(), mode="markers", name=onset,
            marker={"symbol": symbol, "size": 9}, row=1, col=2,
        )  # fmt: skip
    leads = right.filter(pl.col("lead_days").is_not_null()).sort("lead_days")
    fig.add_bar(
        x=leads["lead_days"].to_list(), y=(leads["unit"] + " " + leads["fault"]).to_list(), orientation="h",
        marker_color=_COLOURS["right"], showlegend=False, row=2, col=1,
    )  # fmt: skip
    for outcome in ("right", "wrong"):
        fig.add_histogram(
            x=done.matched.filter(outcome=outcome)["confidence"].to_list(),
            xbins={"start": 0.0, "end": 1.05, "size": 0.1},
            marker_color=_COLOURS[outcome],
            showlegend=False,
            row=2,
            col=2,
        )
    s = done.score
    fig.update_layout(
        barmode="stack",
        height=1000,
        template="plotly_white",
        title=(
            f"{s.n_labels} faults, {s.n_alerts} alerts, {s.n_right} right;"
            " a reading finds work, it never clears a vehicle"
        ),
    )
    return fig
