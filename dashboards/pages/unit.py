"""One unit."""

from datetime import datetime, timedelta
from typing import Any

import polars as pl
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.store.alerts import history_of
from airwatch.store.database import Store
from airwatch.store.notes import notes_of
from airwatch.store.quality import quality_of
from airwatch.store.results import alerts, newest_readings, unit_of
from dashboards.alert_words import crossing_text, headline, sureness_text
from dashboards.alerts import by_need, is_urgent, now_after, silences_of
from dashboards.api.alert_models import details_of
from dashboards.axles import axle_sketch
from dashboards.data_state import silent_for
from dashboards.inputs import BoardInput, FleetName, HistoriesInput, ReaderInput, StoreInput, UnitName, require_unit
from dashboards.measures import Measures, usual_unit
from dashboards.newest import newest_of_each
from dashboards.pages.explanations import explanation_row
from dashboards.pages.facts import registry_facts
from dashboards.pages.history_rows import history_row
from dashboards.pages.reading_rows import reading_rows
from dashboards.templating import render
from dashboards.words import CHECKS, fault_name

_FIRST_SHOWN = timedelta(days=2)
_DAYS_SHOWN = 14
_MOST_EXPLANATIONS = 3
_MOST_TOLD = 200
_SPANS = (("6 h", 6), ("24 h", 24), ("2 days", 48), ("7 days", 168), ("30 days", 720))

router = APIRouter()


@router.get("/units/{fleet}/{unit}")
def unit(
    request: Request,
    store: StoreInput,
    board: BoardInput,
    histories: HistoriesInput,
    fleet: FleetName,
    unit: UnitName,
    reader: ReaderInput,
) -> HTMLResponse:
    """Show what is known of one unit."""
    require_unit(store, fleet, unit)
    span, registered = histories.span(fleet, unit), unit_of(store, fleet, unit)
    newest = newest_of_each(newest_readings(store, fleet, unit))
    measures = Measures(reader.pressure or usual_unit([None if registered is None else str(registered["rule_set"])]))
    found, newest_of_all = alerts(store, fleet, unit), board.current().newest
    return render(
        request,
        "unit.html",
        measures=measures,
        fleet=fleet,
        unit=unit,
        facts=registry_facts(registered, measures),
        alerts=_alerts(store, found, measures, now_after(newest_of_all)),
        readings=reading_rows(newest, measures),
        checks=_checks(newest),
        axles=axle_sketch(newest, registered),
        span=span,
        silent_for=silent_for(span[1] if span else None, newest_of_all),
        shown_from=None if span is None else max(span[0], span[1] - _FIRST_SHOWN),
        spans=_SPANS,
        days=_newest_days(store, fleet, unit, span),
        told=_told(store, found, fleet, unit, measures),
    )


def _told(store: Store, found: pl.DataFrame, fleet: str, unit: str, measures: Measures) -> list[dict[str, Any]]:
    """Give what became of the unit's alerts and what people wrote, the newest first."""
    faults = dict(found.select("id", "fault").iter_rows())
    changes = [
        {
            "at": row["recorded"],
            "who": row["who"],
            "what": f"{fault_name(row['fault'])}: {row['change']}",
            "alert": row["alert"] if row["alert"] in faults else None,
            "text": history_row(row, measures).reason,
            "note": None,
            "corrects": None,
            "corrected_by": None,
        }
        for row in history_of(store, list(faults)).iter_rows(named=True)
    ]
    notes = [
        {"at": row["recorded"], "who": row["who"], "what": "note", "alert": None, **row}
        for row in notes_of(store, fleet, unit).iter_rows(named=True)
    ]
    return sorted([*changes, *notes], key=lambda row: row["at"], reverse=True)[:_MOST_TOLD]


def _alerts(store: Store, found: pl.DataFrame, measures: Measures, now: datetime) -> list[dict[str, Any]]:
    silenced = silences_of(store, found, now)
    rows = []
    for row in by_need(found, silenced).iter_rows(named=True):
        details, until = details_of(row), silenced.get(row["id"])
        words = {
            "headline": headline(row, details),
            "summary": measures.sentence(row["summary"]),
            "sureness": sureness_text(row, details),
            "crossing": crossing_text(row, details, now),
            "silenced_until": until,
            "explanations": [explanation_row(e) for e in details.explanations[:_MOST_EXPLANATIONS]] if details else [],
            "is_urgent": is_urgent(row["state"], is_silenced=until is not None),
        }
        rows.append({**row, **words})
    return rows


def _checks(readings: pl.DataFrame) -> list[tuple[str, str | None]]:
    """Give each check that has readings, in order, with each of its tests where it has several."""
    found = readings.select("check", "test").unique().rows()
    place = {check: at for at, check in enumerate(CHECKS)}
    return sorted(found, key=lambda row: (place.get(row[0], len(place)), row[0], row[1] or ""))


def _newest_days(store: Store, fleet: str, unit: str, span: tuple[datetime, datetime] | None) -> list[dict[str, Any]]:
    since = None if span is None else (span[1] - timedelta(days=_DAYS_SHOWN)).date()
    days = quality_of(store, fleet, unit, since).sort("day", "stream", descending=True)
    return list(days.head(_DAYS_SHOWN).iter_rows(named=True))
