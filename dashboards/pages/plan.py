"""The shop's plan: bays and half days, each visit with its reasons, and what does not fit."""

from dataclasses import dataclass
from datetime import datetime
from itertools import groupby

from fastapi import APIRouter, Request, Response
from fastapi.responses import HTMLResponse

from airwatch.plan.shop import Shop, slots
from airwatch.store.database import Store
from dashboards.alerts import data_now
from dashboards.api.plan import ShopName, calendar_answer
from dashboards.inputs import PageMeasuresInput, StoreInput
from dashboards.plan_words import job_name, left_out_text, risk_text, state_name, why_text
from dashboards.plans import Job, ReadPlan, ShopClock, Visit, clock_of, read_plan, shop_for, shop_names, weeks
from dashboards.templating import render
from pipelines.plan import PLANNED_DAYS, waiting_alerts

router = APIRouter()


@dataclass(frozen=True, slots=True)
class JobLine:
    """One job in words; ``why`` are its reasons, one sentence each."""

    id: str
    name: str
    severity: str | None
    is_fixed: bool
    is_late: bool
    vehicle: str
    why: list[str]


@dataclass(frozen=True, slots=True)
class VisitLine:
    """One visit in words; ``ids`` are its alerts, space-joined; ``is_missed`` if it never began in its time."""

    visit: Visit
    when: str
    state: str
    is_missed: bool
    people: str
    jobs: list[JobLine]
    ids: str


@dataclass(frozen=True, slots=True)
class Choice:
    """A half day that a visit can be moved to: its begin, as the API takes it and in words."""

    value: str
    text: str


@router.get("/plan")
def plan(request: Request, store: StoreInput, measures: PageMeasuresInput, shop: ShopName = None) -> HTMLResponse:
    """Show the plan that holds."""
    names = shop_names(store)
    if not names:
        return render(request, "plan_empty.html", measures=measures)
    at = shop_for(store, shop or names[0])
    clock, now = clock_of(at), data_now(store)
    found = read_plan(store, at)
    lines = {} if found is None else {visit.number: _visit(visit, clock, now) for visit in found.visits}
    n_waiting, n_new = _waiting(store, at, found)
    return render(
        request,
        "plan.html",
        measures=measures,
        names=names,
        shop=at,
        clock=clock,
        plan=found,
        risk="" if found is None else risk_text(found),
        weeks=[] if found is None else weeks(store, found),
        lines=lines,
        days=_days(list(lines.values()), clock),
        left_out=[] if found is None else [_job(job, is_placed=False) for job in found.left_out],
        n_jobs=0 if found is None else sum(len(line.jobs) for line in lines.values()),
        n_waiting=n_waiting,
        n_new=n_new,
        choices=_choices(at, clock, now),
    )


@router.get("/plan.ics")
def calendar(store: StoreInput, shop: ShopName = None) -> Response:
    """Give the work orders of a shop as a calendar to subscribe to."""
    return calendar_answer(store, shop)


def _waiting(store: Store, shop: Shop, found: ReadPlan | None) -> tuple[int, int]:
    """Count the alerts that ask for work, and those of them that the plan does not know."""
    waiting = set(waiting_alerts(store, shop)["id"].to_list())
    known = set() if found is None else {job.row["job"] for job in found.jobs}
    return len(waiting), len(waiting - known)


def _days(lines: list[VisitLine], clock: ShopClock) -> list[tuple[str, list[VisitLine]]]:
    return [(day, list(of_day)) for day, of_day in groupby(lines, key=lambda line: clock.day(line.visit.slot))]


def _visit(visit: Visit, clock: ShopClock, now: datetime) -> VisitLine:
    order = visit.order
    is_missed = visit.can_move and visit.end < now
    return VisitLine(
        visit,
        clock.clock(visit.slot) if order is None else _when(order["start"], order["end"], clock),
        f"{state_name(visit.state)}, its time is past" if is_missed else state_name(visit.state),
        is_missed,
        "" if order is None else ", ".join(order["people"]),
        [_job(job) for job in visit.jobs],
        " ".join(job.row["job"] for job in visit.jobs),
    )


def _when(start: datetime, end: datetime, clock: ShopClock) -> str:
    same = clock.day(start) == clock.day(end)
    return f"{clock.clock(start)} to {clock.clock(end) if same else clock.stamp(end)}"


def _job(job: Job, *, is_placed: bool = True) -> JobLine:
    return JobLine(
        job.row["job"],
        job_name(job),
        job.severity,
        bool(job.row["is_fixed"]),
        bool(job.row.get("is_late")),
        job.row["vehicle"],
        why_text(job.row["why"]) if is_placed else [left_out_text(job.row["why"])],
    )


def _choices(shop: Shop, clock: ShopClock, now: datetime) -> list[Choice]:
    return [
        Choice(f"{slot.start:%Y-%m-%dT%H:%M:%SZ}", clock.stamp(slot.start)) for slot in slots(shop, now, PLANNED_DAYS)
    ]
