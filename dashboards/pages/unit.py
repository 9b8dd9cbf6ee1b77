"""One unit."""

from datetime import timedelta
from typing import Any

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.store.database import Store
from airwatch.store.quality import quality_of
from airwatch.store.results import alerts, newest_data, newest_readings_of, readings_of, sample_span, unit_of
from dashboards.inputs import FleetName, MeasuresInput, StoreInput, UnitName, require_unit
from dashboards.need import silent_for
from dashboards.pages.facts import registry_facts
from dashboards.pages.reading_rows import reading_rows
from dashboards.templating import render
from dashboards.words import CHECKS

_FIRST_SHOWN = timedelta(days=3)
_DAYS_SHOWN = 14
_SPANS = (("6 h", 6), ("24 h", 24), ("3 days", 72), ("7 days", 168))

router = APIRouter()


@router.get("/units/{fleet}/{unit}")
def unit(
    request: Request, store: StoreInput, fleet: FleetName, unit: UnitName, measures: MeasuresInput
) -> HTMLResponse:
    """Show what is known of one unit."""
    require_unit(store, fleet, unit)
    span = sample_span(store, fleet, unit)
    found = set(readings_of(store, fleet, unit)["check"].to_list())
    order = [*CHECKS, *sorted(found - CHECKS.keys())]
    return render(
        request,
        "unit.html",
        measures=measures,
        fleet=fleet,
        unit=unit,
        facts=registry_facts(unit_of(store, fleet, unit), measures),
        alerts=list(alerts(store, fleet, unit).iter_rows(named=True)),
        readings=reading_rows(newest_readings_of(store, fleet, unit), measures),
        checks=[check for check in order if check in found],
        span=span,
        silent_for=silent_for(span[1] if span else None, newest_data(store)),
        shown_from=None if span is None else max(span[0], span[1] - _FIRST_SHOWN),
        spans=_SPANS,
        days=_newest_days(store, fleet, unit),
    )


def _newest_days(store: Store, fleet: str, unit: str) -> list[dict[str, Any]]:
    days = quality_of(store, fleet, unit).sort("day", "stream", descending=True)
    return list(days.head(_DAYS_SHOWN).iter_rows(named=True))
