"""All alerts in order of need."""

from itertools import groupby
from typing import Annotated, Any, Literal

import polars as pl
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from airwatch.alerts.lifecycle import STATES, AlertState
from airwatch.store.results import alerts as stored_alerts
from dashboards.alert_words import BANDS, headline, short_crossing
from dashboards.alerts import by_need, is_urgent, silences_of
from dashboards.api.alert_models import Severity, details_of
from dashboards.fleet import cut
from dashboards.inputs import PageMeasuresInput, PageNumber, StoreInput
from dashboards.measures import Measures
from dashboards.templating import render
from dashboards.words import fault_name

ROWS = 50
_SEVERITIES = ("high", "medium", "low")

router = APIRouter()


@router.get("/alerts")
def alerts(
    request: Request,
    store: StoreInput,
    measures: PageMeasuresInput,
    page: PageNumber = 1,
    state: AlertState | Literal[""] = "",
    severity: Severity | Literal[""] = "",
    fault: Annotated[str, Query(max_length=64)] = "",
    fleet: Annotated[str, Query(max_length=64)] = "",
) -> HTMLResponse:
    """Show one page of the alerts."""
    whole = stored_alerts(store)
    silenced = silences_of(store, whole)
    chosen = {"state": state, "severity": severity, "fault": fault, "fleet": fleet}
    ordered = by_need(whole, silenced)
    found = ordered
    for name, wanted in chosen.items():
        if wanted:
            found = found.filter(pl.col(name) == wanted)
    part = cut(found, page=page, size=ROWS)
    if page > part.last:
        part = cut(found, page=part.last, size=ROWS)
    rows = [{**row, **_words(row, measures), "silenced_until": silenced.get(row["id"])} for row in _rows(part.rows)]
    return render(
        request,
        "alerts.html",
        measures=measures,
        n_alerts=whole.height,
        n_waiting=ordered.filter(pl.col("band").is_in(["open", "taken"])).height,
        bands=[(BANDS[name], list(band)) for name, band in groupby(rows, key=lambda row: row["band"])],
        part=part,
        is_narrowed=any(chosen.values()),
        filters=[
            ("state", "State", state, [(name, name) for name in STATES]),
            ("severity", "Severity", severity, [(name, name) for name in _SEVERITIES]),
            ("fault", "Fault", fault, [(name, fault_name(name)) for name in _names(whole, "fault", fault)]),
            ("fleet", "Fleet", fleet, [(name, name) for name in _names(whole, "fleet", fleet)]),
        ],
    )


def _rows(frame: pl.DataFrame) -> list[dict[str, Any]]:
    return list(frame.iter_rows(named=True))


def _words(row: dict[str, Any], measures: Measures) -> dict[str, Any]:
    details = details_of(row)
    return {
        "headline": headline(row, details),
        "summary": measures.sentence(row["summary"]),
        "crossing": short_crossing(row, details),
        "is_urgent": is_urgent(row["state"], is_silenced=row["band"] == "silenced"),
    }


def _names(alerts: pl.DataFrame, column: str, chosen: str) -> list[str]:
    """Give the names that a column has, and the chosen one, which may have gone."""
    return sorted({*alerts[column].to_list(), *([chosen] if chosen else [])})
