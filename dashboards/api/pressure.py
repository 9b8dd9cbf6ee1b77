"""Pressure histories, thinned to what a screen can show."""

from datetime import datetime
from typing import Annotated

import msgspec
import polars as pl
from fastapi import APIRouter, Query, Response

from airwatch.store.results import newest_readings
from dashboards.api.models import PressureFigure, PressureHistory, PressureMarks
from dashboards.api.times import rfc3339
from dashboards.figures import Edge, pressure_figure
from dashboards.figures.pressure import LONGEST_LANES, event_traces, phase_traces, rest_shapes
from dashboards.histories import Histories, History
from dashboards.inputs import (
    End,
    FleetName,
    HistoriesInput,
    MeasuresInput,
    Start,
    StoreInput,
    UnitName,
    ZoneInput,
    require_unit,
    time_span,
)
from dashboards.marks import unit_marks
from dashboards.measures import Measures
from dashboards.palette import PALETTES, Scheme

Points = Annotated[
    int, Query(ge=10, le=20_000, description="About the most rows to give; beyond it the history is thinned.")
]
Colours = Annotated[Scheme, Query(description="Colours for light or dark pages.")]

router = APIRouter(tags=["pressure"])


@router.get("/units/{fleet}/{unit}/pressure", summary="Pressure history", response_model=PressureHistory)
def pressure(
    store: StoreInput,
    histories: HistoriesInput,
    fleet: FleetName,
    unit: UnitName,
    start: Start = None,
    end: End = None,
    points: Points = 2000,
) -> Response:
    """Give pressures between two times, by default all.

    Thinning cuts them into half as many equal intervals as there are points, and keeps the least and greatest of each.
    """
    require_unit(store, fleet, unit)
    history = _read(histories, (fleet, unit), start, end, points)
    columns = history.frame.with_columns(pl.col("t").dt.strftime("%Y-%m-%dT%H:%M:%S%.3fZ"))
    return _json({**_about(history), **columns.to_dict(as_series=False)})


@router.get(
    "/units/{fleet}/{unit}/pressure/figure", summary="Pressure history as a figure", response_model=PressureFigure
)
def figure(
    store: StoreInput,
    histories: HistoriesInput,
    fleet: FleetName,
    unit: UnitName,
    measures: MeasuresInput,
    reader: ZoneInput,
    start: Start = None,
    end: End = None,
    points: Points = 2000,
    scheme: Colours = "light",
) -> Response:
    """Give the pressure history as a Plotly figure, with the limits of the governor's cut-out.

    Traces without `x` share `t`.
    """
    require_unit(store, fleet, unit)
    history = _read(histories, (fleet, unit), start, end, points)
    drawn = pressure_figure(
        history.frame,
        start=history.start,
        end=history.end,
        edges=_cut_out_edges(newest_readings(store, fleet, unit), measures),
        measures=measures,
        palette=PALETTES[scheme],
        reader=reader,
    )
    return _json({**drawn, **_about(history)})


@router.get("/units/{fleet}/{unit}/pressure/marks", summary="Phases and events over a pressure history")
def marks(
    store: StoreInput,
    histories: HistoriesInput,
    fleet: FleetName,
    unit: UnitName,
    reader: ZoneInput,
    start: Start = None,
    end: End = None,
    scheme: Colours = "light",
) -> PressureMarks:
    """Give what the unit was doing and what happened, as traces and shapes to add to the figure of the same span.

    Phases are given for spans of up to fifty hours.
    """
    require_unit(store, fleet, unit)
    first, last = time_span(start, end, histories.span(fleet, unit) or _NO_SPAN)
    phases, events = unit_marks(store, fleet, unit, first, last)
    look = {"reader": reader, "palette": PALETTES[scheme]}
    return PressureMarks(
        data=[*phase_traces(phases, **look), *event_traces(events, **look)],  # type: ignore[arg-type]
        shapes=rest_shapes(phases, **look),  # type: ignore[arg-type]
        has_phases=last - first <= LONGEST_LANES,
    )


_NO_SPAN = (datetime(1970, 1, 1), datetime(1970, 1, 1))  # noqa: DTZ001 as in the store


def _read(
    histories: Histories, whose: tuple[str, str], start: datetime | None, end: datetime | None, points: int
) -> History:
    first, last = time_span(start, end, histories.span(*whose) or _NO_SPAN)
    return histories.read(*whose, start=first, end=last, points=points)


def _about(history: History) -> dict[str, object]:
    return {
        "start": rfc3339(history.start),
        "end": rfc3339(history.end),
        "n_samples": history.n_samples,
        "is_thinned": history.is_thinned,
    }


def _json(body: dict[str, object]) -> Response:
    """Write an answer of many numbers without looking at each: its columns are typed already."""
    return Response(msgspec.json.encode(body), media_type="application/json")


def _cut_out_edges(newest: pl.DataFrame, measures: Measures) -> list[Edge]:
    """Give the edges that judged the newest cut-out."""
    cut_outs = newest.filter(pl.col("check") == "governor_cut_out").sort("end", descending=True)
    if cut_outs.is_empty():
        return []
    row = cut_outs.row(0, named=True)
    edges = ((row["limit_low"], "cut-out at least", True), (row["limit_high"], "cut-out at most", False))
    return [
        Edge(kpa * measures.factor("kPa"), f"{word} {measures.text(kpa, 'kPa')}", is_low)
        for kpa, word, is_low in edges
        if kpa is not None
    ]
