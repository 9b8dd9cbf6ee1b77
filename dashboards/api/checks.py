"""Readings of one check as a figure."""

from datetime import datetime
from typing import Annotated

import polars as pl
from fastapi import APIRouter, Path, Query

from airwatch.alerts.lifecycle import CLOSED
from airwatch.store.database import Store
from airwatch.store.results import alerts, readings_of
from dashboards.alert_readings import alert_edge, shown_in
from dashboards.api.alert_models import details_of
from dashboards.api.models import Figure
from dashboards.errors import NotFoundError
from dashboards.figures import in_zone, readings_figure
from dashboards.figures.alert import crossing_traces
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
    """Give the readings of one check over time as a Plotly figure, with their intervals and limits.

    Where an alert follows a trend, the time at which the limit is likely crossed is drawn along it.
    """
    require_unit(store, fleet, unit)
    readings = readings_of(store, fleet, unit, check)
    if test is not None:
        readings = readings.filter(pl.col("test") == test)
    if readings.is_empty():
        of_test = "" if test is None else f", test {test!r}"
        raise NotFoundError(f"Unit {unit!r} of fleet {fleet!r} has no reading of the check {check!r}{of_test}.")
    drawn, palette = with_judged(readings), PALETTES[scheme]
    forecasts = _forecasts(store, fleet, unit, drawn)
    beside = [
        trace for crossing, edge in forecasts for trace in crossing_traces(drawn, crossing, edge, measures, palette)
    ]
    ahead = max((t for crossing, _ in forecasts for t in crossing if t is not None), default=None)
    figure = readings_figure(drawn, measures=measures, palette=palette, beside=beside, ahead=ahead)
    return Figure(**in_zone(figure, reader))


def _forecasts(
    store: Store, fleet: str, unit: str, drawn: pl.DataFrame
) -> list[tuple[list[datetime | None], float | None]]:
    """Give when alerts that show in these readings expect the limit to be crossed, and the limit's edge."""
    found = []
    for row in alerts(store, fleet, unit).filter(~pl.col("state").is_in(CLOSED)).iter_rows(named=True):
        details = details_of(row)
        if row["crossing_likely"] is None or shown_in(row["fault"], details)[0] != drawn["check"][0]:
            continue
        crossing = [row[f"crossing_{which}"] for which in ("early", "likely", "late")]
        found.append((crossing, alert_edge(drawn, row["fault"], details)))
    return found
