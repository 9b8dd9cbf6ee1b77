"""Work orders: the list, the sheet of each to print, and how many repairs held."""

from collections.abc import Mapping
from math import ceil, floor
from typing import Annotated, Any, Literal

import polars as pl
from fastapi import APIRouter, Query, Request
from fastapi.responses import HTMLResponse

from airwatch.alerts.held import HELD_FOR_DAYS
from airwatch.plan.orders import STATES, OrderState
from airwatch.plan.work_order import SheetJob
from airwatch.store import plan as kept
from airwatch.store.alerts import alert_of
from airwatch.store.results import alerts as all_alerts
from dashboards.alert_words import percent
from dashboards.alert_words import state_text as alert_state_text
from dashboards.alerts import data_now
from dashboards.api.work_orders import OrderId
from dashboards.fleet import cut
from dashboards.inputs import PageMeasuresInput, PageNumber, StoreInput
from dashboards.measures import Measures
from dashboards.plan_changes import allowed, order_row
from dashboards.plan_words import CHANGES, HISTORY, state_name
from dashboards.plans import ShopClock, clock_of, orders_of, shop_for, shop_names
from dashboards.repair_proof import proof_of
from dashboards.templating import render
from dashboards.words import check_name, fault_name
from pipelines import plan as planning

ROWS = 50

router = APIRouter()


@router.get("/work-orders")
def work_orders(
    request: Request,
    store: StoreInput,
    measures: PageMeasuresInput,
    page: PageNumber = 1,
    state: OrderState | Literal[""] = "",
    shop: Annotated[str, Query(max_length=64)] = "",
) -> HTMLResponse:
    """Show one page of the work orders, those to come first."""
    whole = orders_of(store, None)
    found = whole
    for name, wanted in (("state", state), ("shop", shop)):
        if wanted:
            found = found.filter(pl.col(name) == wanted)
    order = {"in_work": 0, "planned": 1, "done": 2, "cancelled": 3}
    ordered = found.sort(pl.col("state").replace_strict(order, return_dtype=pl.Int8), "start", "work_order")
    part = cut(ordered, page=page, size=ROWS)
    if page > part.last:
        part = cut(ordered, page=part.last, size=ROWS)
    clocks = {name: clock_of(shop_for(store, name)) for name in part.rows["shop"].unique().to_list()}
    faults = dict(all_alerts(store).select("id", "fault").iter_rows())
    return render(
        request,
        "work_orders.html",
        measures=measures,
        part=part,
        rows=[_listed(row, clocks[row["shop"]], faults) for row in part.rows.iter_rows(named=True)],
        n_orders=whole.height,
        n_planned=whole.filter(state="planned").height,
        n_in_work=whole.filter(state="in_work").height,
        states=[(name, state_name(name)) for name in STATES],
        shops=sorted({*whole["shop"].to_list(), *([shop] if shop else [])}),
        state=state,
        shop=shop,
        has_shop=bool(shop_names(store)),
    )


@router.get("/work-orders/{work_order}")
def work_order(request: Request, store: StoreInput, measures: PageMeasuresInput, work_order: OrderId) -> HTMLResponse:
    """Show one work order: the sheet, what is done about it, what became of it, and the proof."""
    found = order_row(store, work_order)
    row = found.row(0, named=True)
    now, clock = data_now(store), clock_of(shop_for(store, row["shop"]))
    sheet = planning.sheet(store, work_order)
    changes = kept.order_changes(store).filter(pl.col("work_order") == work_order)
    alerts = [alert for job in row["jobs"] for alert in alert_of(store, job).iter_rows(named=True)]
    return render(
        request,
        "work_order.html",
        measures=measures,
        order=row,
        sheet=sheet,
        clock=clock,
        when=clock.span(row["start"], row["end"]),
        state=state_name(row["state"]),
        jobs=[_job(job, alerts, measures) for job in sheet.jobs],
        n_gone=len(row["jobs"]) - len(sheet.jobs),
        changes=[(name, *CHANGES[name]) for name in allowed(found, now)],
        history=[{**one, "change": HISTORY[one["change"]]} for one in reversed(changes.to_dicts())],
        compared=[_compared(one, alerts, measures) for one in proof_of(store, row).iter_rows(named=True)],
    )


@router.get("/held")
def held(request: Request, store: StoreInput, measures: PageMeasuresInput) -> HTMLResponse:
    """Show by fault and shop how many repairs held."""
    found = planning.held(store, data_now(store))
    rows = [
        {
            **row,
            "name": fault_name(row["fault"]),
            "lower_percent": floor(100 * row["lower"]),  # outwards, so that the interval is never made narrower
            "upper_percent": ceil(100 * row["upper"]),
            "lower_x": round(100 * row["lower"], 1),
            "width_x": round(100 * (row["upper"] - row["lower"]), 1),
            "share_x": None if row["share"] is None else round(100 * row["share"], 1),
        }
        for row in found.iter_rows(named=True)
    ]
    return render(request, "held.html", measures=measures, rows=rows, days=round(HELD_FOR_DAYS))


def _listed(row: Mapping[str, Any], clock: ShopClock, faults: Mapping[str, str]) -> dict[str, Any]:
    return {
        **row,
        "when": clock.span(row["start"], row["end"]),
        "state_name": state_name(row["state"]),
        "faults": [fault_name(faults[job]) for job in row["jobs"] if job in faults],
    }


def _job(job: SheetJob, alerts: list[dict[str, Any]], measures: Measures) -> dict[str, Any]:
    alert = next(alert for alert in alerts if alert["id"] == job.job)
    return {
        "id": job.job,
        "name": fault_name(job.fault),
        "severity": job.severity,
        "summary": measures.sentence(job.summary),
        "told": job.told,
        "alert_state": alert_state_text(alert["state"], None),
        "explained": [
            {
                "name": fault_name(one.fault) if one.fault != "none" else "No leak: use of air",
                "circuit": one.circuit,
                "probability": percent(one.probability),
                "says": measures.sentence(one.says),
                "evidence": one.evidence,
            }
            for one in job.explained
        ],
        "first": job.first,
        "parts": job.parts,
        "fill": job.fill,
    }


def _compared(row: Mapping[str, Any], alerts: list[dict[str, Any]], measures: Measures) -> dict[str, Any]:
    measure = row["measure"]
    fault = next((alert["fault"] for alert in alerts if alert["id"] == row["job"]), "")
    where = [row[name] for name in ("circuit", "test", "part") if row[name]]
    coupled = {None: "", "": "bobtail"}.get(row["coupled"], f"with {row['coupled']}")
    has_interval = row["lower"] is not None
    return {
        "fault": fault_name(fault),
        "check": check_name(row["check"]),
        "where": ", ".join([*where, *([coupled] if coupled else [])]),
        "before": measures.text(row["before"], measure),
        "after": measures.text(row["after"], measure),
        "n_before": row["n_before"],
        "n_after": row["n_after"],
        "change": _signed(row["change"], measure, measures),
        "interval": f"{_signed(row['lower'], measure, measures)} to {_signed(row['upper'], measure, measures)}"
        if has_interval
        else "",
        "is_clear": has_interval and (row["lower"] > 0 or row["upper"] < 0),
    }


def _signed(value: float, measure: str, measures: Measures) -> str:
    text = measures.text(value, measure)
    return text if text.startswith("-") else f"+{text}"
