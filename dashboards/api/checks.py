"""Readings of one check as a figure."""

from typing import Annotated

import polars as pl
from fastapi import APIRouter, Path, Query

from airwatch.store.results import readings_of
from dashboards.api.models import Figure
from dashboards.errors import NotFoundError
from dashboards.figures import in_zone, readings_figure
from dashboards.inputs import FleetName, MeasuresInput, StoreInput, UnitName, ZoneInput, require_unit
from dashboards.judged import with_judged
from dashboards.palette import PALETTES, Scheme

router = APIRouter(tags=["readings"])


@router.get("/units/{fleet}/{unit}/checks/{check}/figure", summary="Readings of one check as a figure")
def figure(
    store: StoreInput,
    fleet: FleetName,
    unit: UnitName,
    measures: MeasuresInput,
    reader: ZoneInput,
    check: Annotated[str, Path(description="Check, as in a reading.", examples=["build_up_time"])],
    test: Annotated[str | None, Query(max_length=64, description="Only this test of the check.")] = None,
    scheme: Annotated[Scheme, Query(description="Colours for light or dark pages.")] = "light",
) -> Figure:
    """Give the readings of one check over time as a Plotly figure, with their intervals and limits."""
    require_unit(store, fleet, unit)
    readings = readings_of(store, fleet, unit).filter(pl.col("check") == check)
    if test is not None:
        readings = readings.filter(pl.col("test") == test)
    if readings.is_empty():
        of_test = "" if test is None else f", test {test!r}"
        raise NotFoundError(f"Unit {unit!r} of fleet {fleet!r} has no reading of the check {check!r}{of_test}.")
    drawn = readings_figure(with_judged(readings), measures=measures, palette=PALETTES[scheme])
    return Figure(**in_zone(drawn, reader))
