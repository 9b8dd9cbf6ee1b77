"""One alert: what is wrong, how that is known, what to look at, and what becomes of it."""

from collections.abc import Mapping
from typing import Any

import polars as pl
from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse

from airwatch.store.results import unit_of
from dashboards.access.needs import CallerInput
from dashboards.alert_readings import readings_showing, told_by
from dashboards.alert_words import (
    CHANGES,
    crossing_text,
    explanation_name,
    headline,
    rule_reason,
    state_text,
    suggested_change,
    sureness_text,
)
from dashboards.alerts import is_urgent, may_of, read_alert
from dashboards.api.alert_models import AlertDetails, Explanation, details_of
from dashboards.api.alerts import AlertId
from dashboards.inputs import ReaderInput, StoreInput
from dashboards.measures import Measures, usual_unit
from dashboards.pages.explanations import explanation_row
from dashboards.pages.history_rows import history_row
from dashboards.pages.reading_rows import ReadingRow, reading_rows
from dashboards.plan_words import state_name
from dashboards.plans import orders_with
from dashboards.templating import render
from dashboards.words import check_name

_WORTH_A_LOOK = 0.1  # the probability from which a second explanation is looked into if the first is not found

router = APIRouter()


@router.get("/alerts/{alert}")
def alert(
    request: Request, store: StoreInput, caller: CallerInput, alert: AlertId, reader: ReaderInput
) -> HTMLResponse:
    """Show one alert."""
    found = read_alert(store, alert)
    may = may_of(caller, found.may)
    row, details = found.row, details_of(found.row)
    registered = unit_of(store, row["fleet"], row["unit"])
    measures = Measures(reader.pressure or usual_unit([None if registered is None else str(registered["rule_set"])]))
    readings = readings_showing(store, row, details)
    figure = _figure(readings, row, details, measures)
    silenced_until = found.silenced_until
    moved = _moved(found.history, row["state"])
    explanations = [] if details is None else details.explanations
    return render(
        request,
        "alert.html",
        measures=measures,
        alert=row,
        headline=headline(row, details),
        summary=measures.sentence(row["summary"]),
        is_urgent=is_urgent(row["state"], is_silenced=silenced_until is not None),
        state=state_text(row["state"], moved),
        moved=moved,
        silenced_until=silenced_until,
        crossing=crossing_text(row, details, found.now, has_limit=figure is None or bool(figure.rule)),
        sureness=sureness_text(row, details),
        figure=figure,
        limit="" if figure is None else figure.limit.removeprefix("limits ").removeprefix("limit "),
        check=_check(readings),
        n_readings=readings.filter(pl.col("judged").is_not_null()).height,
        explanations=[explanation_row(explanation) for explanation in explanations],
        details=details,
        reason=rule_reason(details.reason or "") if details is not None else "",
        looks=_looks(details, explanations),
        changes=[(name, *CHANGES[name]) for name in may],
        suggested=suggested_change(row["state"], may),
        now=found.now,
        orders=[(order, state_name(order["state"])) for order in orders_with(store, alert)],
        history=[history_row(change, measures) for change in reversed(found.history.to_dicts())],
    )


def _moved(history: pl.DataFrame, state: str) -> dict[str, Any] | None:
    """Give the change that led to the state, None where it is not written down."""
    led = history.with_columns(before=pl.col("state").shift(1)).filter(
        (pl.col("state") == state) & pl.col("before").ne_missing(state)
    )
    return led.row(-1, named=True) if led.height else None


def _figure(
    readings: pl.DataFrame, row: Mapping[str, Any], details: AlertDetails | None, measures: Measures
) -> ReadingRow | None:
    told = told_by(readings, row["fault"], details)
    return (
        reading_rows(told.drop("judged", "judged_lower", "judged_upper", "test_kpa"), measures)[0]
        if told.height
        else None
    )


def _check(readings: pl.DataFrame) -> str:
    return check_name(readings["check"][0]) if readings.height else ""


def _looks(details: AlertDetails | None, explanations: list[Explanation]) -> list[tuple[str, str]]:
    """Give what to look at first: the explanation, and where to look for it."""
    told = [e for k, e in enumerate(explanations) if e.inspect and (k == 0 or e.probability >= _WORTH_A_LOOK)]
    if told:
        return [(explanation_name(e), e.inspect) for e in told]
    return [("", details.inspect)] if details is not None and details.inspect else []
