"""Pressure histories, thinned to what a screen can show."""

from dataclasses import dataclass
from datetime import datetime
from typing import Annotated

import polars as pl
from fastapi import APIRouter, Query

from airwatch.store.database import Store
from airwatch.store.results import count_samples, newest_readings, pressure_history, sample_span
from dashboards.api.models import PressureFigure, PressureHistory
from dashboards.figures import Edge, pressure_figure
from dashboards.inputs import End, FleetName, MeasuresInput, Start, StoreInput, UnitName, require_unit, time_span
from dashboards.measures import Measures
from dashboards.palette import PALETTES, Scheme

Points = Annotated[
    int, Query(ge=10, le=20_000, description="About the most rows to give; beyond it the history is thinned.")
]

router = APIRouter(tags=["pressure"])


@dataclass(frozen=True, slots=True)
class _History:
    frame: pl.DataFrame
    start: datetime
    end: datetime
    n_samples: int
    is_thinned: bool


@router.get("/units/{fleet}/{unit}/pressure", summary="Pressure history")
def pressure(
    store: StoreInput, fleet: FleetName, unit: UnitName, start: Start = None, end: End = None, points: Points = 2000
) -> PressureHistory:
    """Give pressures between two times, by default all.

    Thinning cuts them into half as many equal intervals as there are points, and keeps the least and greatest of each.
    """
    require_unit(store, fleet, unit)
    history = _read(store, (fleet, unit), start, end, points)
    columns = history.frame.to_dict(as_series=False)
    return PressureHistory(
        start=history.start, end=history.end, n_samples=history.n_samples, is_thinned=history.is_thinned, **columns
    )


@router.get("/units/{fleet}/{unit}/pressure/figure", summary="Pressure history as a figure")
def figure(
    store: StoreInput,
    fleet: FleetName,
    unit: UnitName,
    measures: MeasuresInput,
    start: Start = None,
    end: End = None,
    points: Points = 2000,
    scheme: Annotated[Scheme, Query(description="Colours for light or dark pages.")] = "light",
) -> PressureFigure:
    """Give the pressure history as a Plotly figure, with the limits of the governor's cut-out."""
    require_unit(store, fleet, unit)
    history = _read(store, (fleet, unit), start, end, points)
    drawn = pressure_figure(
        history.frame,
        start=history.start,
        end=history.end,
        edges=_cut_out_edges(newest_readings(store, fleet, unit), measures),
        measures=measures,
        palette=PALETTES[scheme],
    )
    return PressureFigure(
        **drawn, start=history.start, end=history.end, n_samples=history.n_samples, is_thinned=history.is_thinned
    )


def _read(store: Store, whose: tuple[str, str], start: datetime | None, end: datetime | None, points: int) -> _History:
    whole = sample_span(store, *whose) or (datetime(1970, 1, 1), datetime(1970, 1, 1))  # noqa: DTZ001 as in the store
    first, last = time_span(start, end, whole)
    n_samples = count_samples(store, *whose, start=first, end=last)
    frame = pressure_history(store, *whose, start=first, end=last, most_points=points)
    return _History(frame, first, last, n_samples, n_samples > points)


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
