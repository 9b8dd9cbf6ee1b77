"""The shop's plan: read, made, changed by hand, and as a feed."""

from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Response

from airwatch.store.database import Store
from dashboards.access.actor import Actor, ActorInput
from dashboards.access.needs import needs
from dashboards.api.body import PROBLEM, json_only
from dashboards.api.plan_models import FixAsked, MoveAsked, Plan, PlanAsked, PlannedJob
from dashboards.errors import NotFoundError
from dashboards.inputs import StoreInput, utc
from dashboards.plan_changes import PlanWanted, fix_job, make_plan, move_jobs
from dashboards.plans import Job, ReadPlan, Visit, read_plan, shop_for
from pipelines.plan import exported

ShopName = Annotated[str | None, Query(max_length=64, description="Which shop, where there are several.")]

_REFUSED: dict[int | str, dict[str, Any]] = {
    409: {**PROBLEM, "description": "It can't be planned so; the detail says why, and nothing is changed."},
    415: {**PROBLEM, "description": "The body is not application/json."},
}

router = APIRouter(tags=["plan"])


@router.get("/plan", summary="The plan that holds")
def plan(store: StoreInput, shop: ShopName = None) -> Plan:
    """Give the plan of a shop with each job's place and reason."""
    return plan_now(store, shop)


@router.post(
    "/plan",
    summary="Make a new plan",
    status_code=201,
    dependencies=[needs("plan"), Depends(json_only)],
    responses=_REFUSED,
)
def make(store: StoreInput, by: ActorInput, asked: PlanAsked) -> Plan:
    """Plan all alerts that ask for work, and bring work orders up to it. What is fixed or in work stays."""
    wanted = _wanted(by, asked)
    made = make_plan(store, wanted)
    by.note("plan.make", f"plan {made.number}", wanted.why, who=wanted.who)
    return plan_now(store, asked.shop)


@router.post(
    "/plan/moves",
    summary="Move jobs",
    status_code=201,
    dependencies=[needs("plan"), Depends(json_only)],
    responses=_REFUSED,
)
def move(store: StoreInput, by: ActorInput, asked: MoveAsked) -> Plan:
    """Put jobs of one vehicle into a bay and half day, where they stay, and plan the rest around them."""
    wanted = _wanted(by, asked)
    made = move_jobs(store, wanted, asked.jobs, asked.bay, utc(asked.start))
    by.note("plan.move", f"plan {made.number}", wanted.why, who=wanted.who)
    return plan_now(store, asked.shop)


@router.post(
    "/plan/fixes",
    summary="Fix a job or let it go",
    status_code=201,
    dependencies=[needs("plan"), Depends(json_only)],
    responses=_REFUSED,
)
def fix(store: StoreInput, by: ActorInput, asked: FixAsked) -> Plan:
    """Fix a job where it is, so that later plans leave it there, or let it go again."""
    wanted = _wanted(by, asked)
    made = fix_job(store, wanted, asked.job, is_fixed=asked.is_fixed)
    by.note("plan.fix", f"plan {made.number}", wanted.why, who=wanted.who)
    return plan_now(store, asked.shop)


@router.get(
    "/plan.ics",
    summary="Work orders as a calendar",
    response_class=Response,
    responses={200: {"content": {"text/calendar": {}}}},
)
def calendar(store: StoreInput, shop: ShopName = None) -> Response:
    """Give the work orders of a shop as a calendar to subscribe to (RFC 5545)."""
    return calendar_answer(store, shop)


@router.get(
    "/plan.csv", summary="Work orders as CSV", response_class=Response, responses={200: {"content": {"text/csv": {}}}}
)
def csv(store: StoreInput, shop: ShopName = None) -> Response:
    """Give the work orders of a shop as CSV."""
    name = shop_for(store, shop).shop
    return Response(exported(store, "csv", name), media_type="text/csv")


def calendar_answer(store: Store, shop: str | None) -> Response:
    """Answer with the calendar feed of a shop."""
    name = shop_for(store, shop).shop
    return Response(exported(store, "ics", name), media_type="text/calendar")


def plan_now(store: Store, shop: str | None) -> Plan:
    """Give the plan that holds.

    Raises
    ------
    NotFoundError
        There is none yet, or no such shop.
    """
    at = shop_for(store, shop)
    found = read_plan(store, at)
    if found is None:
        raise NotFoundError(f"Shop {at.shop} has no plan yet; make one: POST /api/v1/plan.")
    return Plan.model_validate({**found.row, "gap": found.gap, "jobs": _jobs(found)})


def _jobs(found: ReadPlan) -> list[PlannedJob]:
    of_plan = [(job, visit) for visit in found.visits for job in visit.jobs if "slot" in job.row]
    left: list[tuple[Job, Visit | None]] = [(job, None) for job in found.left_out]
    return [
        PlannedJob.model_validate(
            {
                **job.row,
                "fault": job.fault,
                "severity": job.severity,
                "work_order": None if visit is None or visit.order is None else visit.order["work_order"],
            }
        )
        for job, visit in [*of_plan, *left]
    ]


def _wanted(by: Actor, asked: PlanAsked) -> PlanWanted:
    begin = None if asked.begin is None else utc(asked.begin)
    return PlanWanted(asked.shop, by.written_as(asked.who), asked.why, begin, asked.days, asked.seconds, asked.of_plan)
