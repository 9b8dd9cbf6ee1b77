"""Units and what was measured of them."""

from dataclasses import replace
from typing import Annotated, Any

import polars as pl
from fastapi import APIRouter, Query

from airwatch.store.quality import quality_of
from airwatch.store.results import alerts, newest_readings, readings_of, unit_of
from dashboards.api.alerts import as_alerts
from dashboards.api.models import (
    QualityDay,
    QualityPage,
    Reading,
    ReadingPage,
    Registered,
    UnitDetail,
    UnitPage,
    UnitRow,
)
from dashboards.api.tables import TABLE, FormatInput, as_file
from dashboards.data_state import DataState
from dashboards.fleet import Order, cut, in_order, matching
from dashboards.inputs import (
    BoardInput,
    End,
    FleetName,
    HistoriesInput,
    PageNumber,
    PageSize,
    Start,
    StoreInput,
    UnitName,
    Words,
    require_unit,
    utc,
)
from dashboards.judged import with_judged
from dashboards.measures import Measures
from dashboards.need import Need
from dashboards.newest import newest_of_each

router = APIRouter(tags=["units"])


@router.get("/units", summary="Units in order of need", responses=TABLE, response_model=UnitPage)
def units(
    board: BoardInput,
    form: FormatInput,
    page: PageNumber = 1,
    size: PageSize = 100,
    q: Words = "",
    need: Annotated[Need | None, Query(description="Only units of this need.")] = None,
    data: Annotated[DataState | None, Query(description="Only units whose data come in like this.")] = None,
    fleet: Annotated[str | None, Query(max_length=64, description="Only this fleet.")] = None,
    shop: Annotated[str | None, Query(max_length=200, description="Only units of this home shop.")] = None,
    kind: Annotated[str | None, Query(max_length=64, description="Only tractors, say.")] = None,
    order: Annotated[Order, Query(description="What the units are sorted by.")] = "need",
) -> Any:
    """Give the units, those that need somebody first."""
    whole = board.current().fleet(Measures())
    found = matching(whole.units, q=q, need=need, data=data, fleet=fleet, shop=shop, kind=kind)
    part = cut(in_order(found, order), page=page, size=size)
    if form != "json":
        return as_file(part, form, "units")
    rows = [UnitRow.model_validate(row) for row in part.rows.iter_rows(named=True)]
    return UnitPage(page=page, size=size, total=part.total, newest=whole.newest, counts=whole.counts, units=rows)


@router.get("/units/{fleet}/{unit}", summary="One unit")
def unit(store: StoreInput, histories: HistoriesInput, fleet: FleetName, unit: UnitName) -> UnitDetail:
    """Give the registry's row, the alerts and the newest readings of one unit."""
    require_unit(store, fleet, unit)
    registered, span = unit_of(store, fleet, unit), histories.span(fleet, unit)
    return UnitDetail(
        fleet=fleet,
        unit=unit,
        registered=None if registered is None else Registered.model_validate(registered),
        first_t=span[0] if span else None,
        last_t=span[1] if span else None,
        alerts=as_alerts(store, alerts(store, fleet, unit)),
        newest_readings=as_readings(newest_of_each(newest_readings(store, fleet, unit))),
    )


@router.get(
    "/units/{fleet}/{unit}/quality", summary="What came in of one unit", responses=TABLE, response_model=QualityPage
)
def quality(
    store: StoreInput,
    fleet: FleetName,
    unit: UnitName,
    form: FormatInput,
    page: PageNumber = 1,
    size: PageSize = 500,
) -> Any:
    """Give what came in by stream and day, and what is out of the ordinary: no finding is not the same as no data."""
    require_unit(store, fleet, unit)
    part = cut(quality_of(store, fleet, unit), page=page, size=size)
    if form != "json":
        return as_file(part, form, f"{fleet}-{unit}-quality")
    days = [QualityDay.model_validate(row) for row in part.rows.iter_rows(named=True)]
    return QualityPage(page=page, size=size, total=part.total, days=days)


@router.get(
    "/units/{fleet}/{unit}/readings", summary="Readings of one unit", responses=TABLE, response_model=ReadingPage
)
def readings(
    store: StoreInput,
    fleet: FleetName,
    unit: UnitName,
    form: FormatInput,
    check: Annotated[str | None, Query(max_length=64, description="Only this check.")] = None,
    start: Start = None,
    end: End = None,
    page: PageNumber = 1,
    size: PageSize = 500,
) -> Any:
    """Give the readings of one unit that ended between two times, by time."""
    require_unit(store, fleet, unit)
    found = readings_of(store, fleet, unit, check)
    if start is not None:
        found = found.filter(pl.col("end") >= utc(start))
    if end is not None:
        found = found.filter(pl.col("end") <= utc(end))
    part = cut(found, page=page, size=size)
    if form != "json":
        return as_file(replace(part, rows=with_judged(part.rows)), form, f"{fleet}-{unit}-readings")
    return ReadingPage(page=page, size=size, total=part.total, readings=as_readings(part.rows))


def as_readings(frame: pl.DataFrame) -> list[Reading]:
    """Turn readings of the store into those of the API."""
    return [Reading.model_validate(row) for row in with_judged(frame).iter_rows(named=True)]
