"""Alerts of all units."""

from typing import Annotated, Literal

import polars as pl
from fastapi import APIRouter, Query

from airwatch.store.results import alerts as stored_alerts
from dashboards.api.models import Alert, AlertPage
from dashboards.fleet import cut
from dashboards.inputs import PageNumber, PageSize, StoreInput

State = Literal["open", "acknowledged", "planned", "repaired", "verified", "dismissed"]

router = APIRouter(tags=["alerts"])


@router.get("/alerts", summary="Alerts")
def alerts(
    store: StoreInput,
    fleet: Annotated[str | None, Query(max_length=64, description="Only this fleet.")] = None,
    unit: Annotated[str | None, Query(max_length=64, description="Only units of this name.")] = None,
    state: Annotated[State | None, Query(description="Only alerts in this state.")] = None,
    page: PageNumber = 1,
    size: PageSize = 500,
) -> AlertPage:
    """Give alerts by unit and fault."""
    found = stored_alerts(store, fleet, unit)
    if state is not None:
        found = found.filter(pl.col("state") == state)
    part = cut(found, page=page, size=size)
    rows = [Alert.model_validate(row) for row in part.rows.iter_rows(named=True)]
    return AlertPage(page=page, size=size, total=part.total, alerts=rows)
