"""One unit."""

from datetime import timedelta
from typing import Any

import polars as pl
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.store.database import Store
from airwatch.store.heard import newest_data
from airwatch.store.quality import quality_of
from airwatch.store.results import alerts, readings_of, sample_span, unit_of
from dashboards.alert_words import crossing_text, headline, sureness_text
from dashboards.alerts import by_need, data_now, is_urgent, silences_of
from dashboards.api.alert_models import details_of
from dashboards.data_state import silent_for
from dashboards.inputs import FleetName, ReaderInput, StoreInput, UnitName, require_unit
from dashboards.measures import Measures, usual_unit
from dashboards.newest import newest_of_each
from dashboards.pages.facts import registry_facts
from dashboards.pages.reading_rows import reading_rows
from dashboards.templating import render
from dashboards.words import CHECKS

_FIRST_SHOWN = timedelta(days=3)
_DAYS_SHOWN = 14
_SPANS = (("6 h", 6), ("24 h", 24), ("3 days", 72), ("7 days", 168))

router = APIRouter()


@router.get("/units/{fleet}/{unit}")
def unit(request: Request, store: StoreInput, fleet: FleetName, unit: UnitName, reader: ReaderInput) -> HTMLResponse:
    """Show what is known of one unit."""
    require_unit(store, fleet, unit)
    span = sample_span(store, fleet, unit)
    registered, readings = unit_of(store, fleet, unit), readings_of(store, fleet, unit)
    measures = Measures(reader.pressure or usual_unit([None if registered is None else str(registered["rule_set"])]))
    return render(
        request,
        "unit.html",
        measures=measures,
        fleet=fleet,
        unit=unit,
        facts=registry_facts(registered, measures),
        alerts=_alerts(store, fleet, unit, measures),
        readings=reading_rows(newest_of_each(readings), measures),
        checks=_checks(readings),
        span=span,
        silent_for=silent_for(span[1] if span else None, newest_data(store)),
        shown_from=None if span is None else max(span[0], span[1] - _FIRST_SHOWN),
        spans=_SPANS,
        days=_newest_days(store, fleet, unit),
    )


def _alerts(store: Store, fleet: str, unit: str, measures: Measures) -> list[dict[str, Any]]:
    found, now = alerts(store, fleet, unit), data_now(store)
    silenced = silences_of(store, found)
    rows = []
    for row in by_need(found, silenced).iter_rows(named=True):
        details, until = details_of(row), silenced.get(row["id"])
        words = {
            "headline": headline(row, details),
            "summary": measures.sentence(row["summary"]),
            "sureness": sureness_text(row, details),
            "crossing": crossing_text(row, details, now),
            "silenced_until": until,
            "is_urgent": is_urgent(row["state"], is_silenced=until is not None),
        }
        rows.append({**row, **words})
    return rows


def _checks(readings: pl.DataFrame) -> list[tuple[str, str | None]]:
    """Give each check that has readings, in order, with each of its tests where it has several."""
    found = readings.select("check", "test").unique().rows()
    place = {check: at for at, check in enumerate(CHECKS)}
    return sorted(found, key=lambda row: (place.get(row[0], len(place)), row[0], row[1] or ""))


def _newest_days(store: Store, fleet: str, unit: str) -> list[dict[str, Any]]:
    days = quality_of(store, fleet, unit).sort("day", "stream", descending=True)
    return list(days.head(_DAYS_SHOWN).iter_rows(named=True))
