"""Alerts of all units, and changes to them."""

from collections.abc import Mapping
from datetime import datetime
from typing import Annotated, Any

import polars as pl
from fastapi import APIRouter, Depends, Path, Query

from airwatch.access.caller import Caller
from airwatch.alerts.lifecycle import AlertState
from airwatch.store.database import Store
from airwatch.store.results import alerts as stored_alerts
from dashboards.access.actor import ActorInput
from dashboards.access.needs import CallerInput, needs
from dashboards.alert_readings import alert_edge, readings_showing
from dashboards.alerts import StoredAlert, may_of, read_alert, silences_of
from dashboards.api.alert_models import Alert, AlertDetail, ChangeAsked, HistoryEntry, Severity, details_of
from dashboards.api.body import PROBLEM, json_only
from dashboards.api.models import AlertPage, Figure
from dashboards.api.tables import TABLE, FormatInput, as_file
from dashboards.changes import change_alert
from dashboards.figures import alert_figure, in_zone
from dashboards.fleet import cut
from dashboards.inputs import MeasuresInput, PageNumber, PageSize, StoreInput, ZoneInput, utc
from dashboards.palette import PALETTES, Scheme

AlertId = Annotated[str, Path(max_length=64, description="id of the alert.", examples=["772011b3fce89477"])]

router = APIRouter(tags=["alerts"])


@router.get("/alerts", summary="Alerts", responses=TABLE, response_model=AlertPage)
def alerts(
    store: StoreInput,
    form: FormatInput,
    fleet: Annotated[str | None, Query(max_length=64, description="Only this fleet.")] = None,
    unit: Annotated[str | None, Query(max_length=64, description="Only units of this name.")] = None,
    state: Annotated[AlertState | None, Query(description="Only alerts in this state.")] = None,
    severity: Annotated[Severity | None, Query(description="Only alerts of this severity.")] = None,
    fault: Annotated[str | None, Query(max_length=64, description="Only this fault.")] = None,
    page: PageNumber = 1,
    size: PageSize = 500,
) -> Any:
    """Give alerts by unit and fault."""
    found = stored_alerts(store, fleet, unit)
    for name, wanted in (("state", state), ("severity", severity), ("fault", fault)):
        if wanted is not None:
            found = found.filter(pl.col(name) == wanted)
    part = cut(found, page=page, size=size)
    if form != "json":
        return as_file(part, form, "alerts")
    return AlertPage(page=page, size=size, total=part.total, alerts=as_alerts(store, part.rows))


@router.get("/alerts/{alert}", summary="One alert")
def alert(store: StoreInput, caller: CallerInput, alert: AlertId) -> AlertDetail:
    """Give one alert with its explanations, its history, and the changes that you can make to it."""
    return _detail(read_alert(store, alert), caller)


@router.get("/alerts/{alert}/figure", summary="Readings that show an alert's fault as a figure")
def figure(
    store: StoreInput,
    alert: AlertId,
    measures: MeasuresInput,
    reader: ZoneInput,
    scheme: Annotated[Scheme, Query(description="Colours for light or dark pages.")] = "light",
) -> Figure:
    """Give the readings that show the fault over time as a Plotly figure.

    With their intervals and the limit, when the alert was opened, repaired and so on, and when the limit is likely
    crossed.
    """
    found = read_alert(store, alert)
    details = details_of(found.row)
    readings = readings_showing(store, found.row, details)
    drawn = alert_figure(
        readings,
        history=found.history,
        crossing=[found.row[f"crossing_{which}"] for which in ("early", "likely", "late")],
        edge=alert_edge(readings, found.row["fault"], details),
        measures=measures,
        palette=PALETTES[scheme],
    )
    return Figure(**in_zone(drawn, reader))


@router.post(
    "/alerts/{alert}/changes",
    summary="Change an alert",
    status_code=201,
    dependencies=[needs("alert.change"), Depends(json_only)],
    responses={
        409: {**PROBLEM, "description": "The change does not follow on the state that the alert is in."},
        415: {**PROBLEM, "description": "The body is not application/json."},
    },
)
def change(store: StoreInput, by: ActorInput, alert: AlertId, asked: ChangeAsked) -> AlertDetail:
    """Write down what somebody did, and give the alert as it is then.

    A repair is checked at once against the readings since: the alert may come back open. `verified` is not among the
    changes: readings alone verify a repair.
    """
    return _detail(
        change_alert(
            store,
            by,
            alert,
            asked.change,
            who=asked.who,
            reason=asked.reason,
            at=_stored(asked.at),
            until=_stored(asked.until),
        ),
        by.caller,
    )


def as_alerts(store: Store, frame: pl.DataFrame) -> list[Alert]:
    """Turn alerts of the store into those of the API."""
    silenced = silences_of(store, frame)
    return [Alert.model_validate(_row(row, silenced.get(row["id"]))) for row in frame.iter_rows(named=True)]


def _detail(found: StoredAlert, caller: Caller) -> AlertDetail:
    return AlertDetail.model_validate(
        {
            **_row(found.row, found.silenced_until),
            "history": [HistoryEntry.model_validate(row) for row in found.history.iter_rows(named=True)],
            "may": may_of(caller, found.may),
        }
    )


def _row(row: Mapping[str, Any], silenced_until: datetime | None) -> dict[str, Any]:
    return {**row, "details": details_of(row), "silenced_until": silenced_until}


def _stored(t: datetime | None) -> datetime | None:
    return None if t is None else utc(t)
