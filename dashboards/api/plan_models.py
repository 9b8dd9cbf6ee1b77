"""What the API answers about plans and work orders, and takes as changes to them."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from airwatch.plan.orders import OrderState
from dashboards.api.alert_models import Severity
from dashboards.api.models import Page
from dashboards.api.times import Utc
from dashboards.api.written import GivenTime, Who, Why, has_no_control_characters
from pipelines.plan import PLANNED_DAYS

OrderChange = Literal["in_work", "done", "cancelled"]
"""What people may do to a work order; `airwatch.plan.orders.ACTIONS`."""


class PlannedJob(BaseModel):
    """One alert as a job of a plan: where it is, and why."""

    job: Annotated[str, Field(description="id of the alert.")]
    fleet: str
    vehicle: str
    fault: Annotated[str | None, Field(description="null: readings took the alert back since.")]
    severity: Severity | None
    bay: Annotated[str | None, Field(description="null: it does not fit.")]
    slot: Annotated[Utc | None, Field(description="Begin of its half day; null: it does not fit.")]
    is_fixed: Annotated[bool, Field(description="Somebody put it there, and later plans leave it there.")]
    parts_here: Annotated[Utc | None, Field(description="When the last of its parts is there; null: none is awaited.")]
    chance_before: Annotated[
        float | None, Field(description="Probability that its limit is crossed before it is in the bay.")
    ]
    risk: Annotated[float | None, Field(description="Of waiting until then, in the plan's measure.")]
    day_later: Annotated[float | None, Field(description="How much a day later would add to it.")]
    is_late: Annotated[bool, Field(description="It misses the campaign before which it should be done.")]
    why: str
    work_order: Annotated[str | None, Field(description="id of its work order.")]


class Plan(BaseModel):
    """The plan of a shop that holds.

    Risk and cost are in crossings: 1 is the certainty that one unit of low severity crosses its limit on the road.
    """

    plan: Annotated[int, Field(description="Its number; each change makes a new plan.")]
    shop: str
    recorded: Utc
    who: str
    why: str
    begin: Utc
    end: Utc
    risk: Annotated[float, Field(description="Of waiting.")]
    cost: Annotated[float, Field(description="Risk, and the disturbance of taking units off the road.")]
    bound: Annotated[float, Field(description="No plan costs less.")]
    gap: Annotated[float, Field(description="How far it can be from the best plan, as a share of its cost.")]
    seconds: Annotated[float, Field(description="How long it was looked for.")]
    found_by: str
    jobs: Annotated[list[PlannedJob], Field(description="By time; those that do not fit last.")]


class PlanAsked(BaseModel):
    """A new plan that somebody asks for. It takes up to about ten seconds."""

    model_config = ConfigDict(extra="forbid")

    who: Who = None
    why: Why
    shop: Annotated[str | None, Field(max_length=64, description="Which shop, where there are several.")] = None
    begin: Annotated[
        GivenTime | None, Field(description="The plan's begin, RFC 3339; now by default, or the newest data time.")
    ] = None
    days: Annotated[int, Field(ge=1, le=60, description="Days of the shop's calendar.")] = PLANNED_DAYS
    seconds: Annotated[
        float | None, Field(ge=0.1, le=60, description="How long a better plan is looked for; null: as set up.")
    ] = None
    of_plan: Annotated[
        int | None, Field(description="Number of the plan that was looked at: refused if it holds no more.")
    ] = None


class MoveAsked(PlanAsked):
    """Jobs of one vehicle that somebody wants in another place."""

    jobs: Annotated[
        list[Annotated[str, Field(max_length=64)]],
        Field(min_length=1, max_length=20, description="ids of alerts of one vehicle."),
    ]
    bay: Annotated[str, Field(max_length=64, description="Which bay.", examples=["bay 1"])]
    start: Annotated[GivenTime, Field(description="Begin of the half day, RFC 3339.")]


class FixAsked(PlanAsked):
    """A job that somebody fixes where it is, or lets go."""

    job: Annotated[str, Field(max_length=64, description="id of the alert.")]
    is_fixed: Annotated[bool, Field(description="false: later plans may move it again.")]


class WorkOrder(BaseModel):
    """One work order as it is now."""

    work_order: str
    sequence: Annotated[int, Field(description="How often it was changed.")]
    state: OrderState
    shop: str
    plan: Annotated[int, Field(description="Number of the plan that placed it last.")]
    fleet: str
    vehicle: str
    jobs: Annotated[list[str], Field(description="ids of its alerts.")]
    bay: str
    start: Utc
    end: Utc
    work_h: Annotated[float, Field(description="Hours in the bay.")]
    people: list[str]
    recorded: Annotated[Utc, Field(description="When the last change was written down.")]
    who: Annotated[str, Field(description="Who made the last change.")]


class WorkOrderPage(Page):
    """Work orders by begin."""

    work_orders: list[WorkOrder]


class OrderEntry(BaseModel):
    """One change of a work order; entries are added and never altered."""

    sequence: int
    at: Annotated[Utc, Field(description="When it was done.")]
    recorded: Annotated[Utc, Field(description="When it was written down.")]
    who: str
    change: str
    state: OrderState
    reason: str
    plan: int
    bay: str
    start: Utc
    end: Utc


class FillIn(BaseModel):
    """A value to write down in the bay, with its limits in words."""

    what: str
    measure: str
    limits: list[str]


class SheetExplanation(BaseModel):
    """What the readings speak for."""

    fault: str
    circuit: str | None
    probability: float
    says: str
    evidence: list[str]


class SheetJob(BaseModel):
    """One job on the sheet."""

    job: Annotated[str, Field(description="id of the alert.")]
    fault: str
    severity: Severity
    summary: str
    told: Annotated[str, Field(description="When its limit is crossed, in words.")]
    explained: list[SheetExplanation]
    first: Annotated[list[str], Field(description="What to check first, in this order.")]
    parts: list[str]
    fill: list[FillIn]


class Compared(BaseModel):
    """Readings of one check in the same conditions before and after a repair."""

    job: Annotated[str, Field(description="id of the alert.")]
    check: str
    circuit: str | None
    test: str | None
    part: str | None
    coupled: Annotated[str | None, Field(description="The trailer; empty: bobtail; null: not known.")]
    measure: str
    n_before: int
    n_after: int
    before: Annotated[float, Field(description="Mean.")]
    after: float
    change: Annotated[float, Field(description="After less before.")]
    lower: Annotated[float | None, Field(description="95 % interval of the change, likewise upper.")]
    upper: float | None


class WorkOrderDetail(WorkOrder):
    """One work order with its sheet, its changes, and the proof of its repairs."""

    sheet: list[SheetJob]
    cautions: list[str]
    changes: Annotated[list[OrderEntry], Field(description="In the order in which they were written down.")]
    may: Annotated[list[OrderChange], Field(description="Changes that can be made from this state.")]
    before_after: Annotated[list[Compared], Field(description="Of done work, once there are readings since.")]


class OrderChangeAsked(BaseModel):
    """A change of a work order that somebody asks for."""

    model_config = ConfigDict(extra="forbid")

    change: Annotated[OrderChange, Field(description="Which can be made now is in the order's `may`.")]
    who: Who = None
    reason: Annotated[
        str,
        Field(max_length=2000, description="What was found and done; only in_work can do without."),
        AfterValidator(has_no_control_characters),
    ] = ""
    at: Annotated[
        GivenTime | None,
        Field(description="When it was done, RFC 3339; now by default, or the newest data time if that is later."),
    ] = None


class HeldShare(BaseModel):
    """How many repairs of one fault at one shop held for 30 days, of those whose outcome is known."""

    fault: str
    shop: Annotated[str | None, Field(description="Home shop of the units; null: they have none.")]
    n_repairs: int
    n_held: int
    share: Annotated[float | None, Field(description="null: no outcome is known.")]
    lower: Annotated[float, Field(description="95 % interval (Clopper-Pearson), likewise upper.")]
    upper: float
    n_unproven: Annotated[int, Field(description="Older repairs of which no reading says anything; not counted.")]
    n_waiting: Annotated[int, Field(description="Repairs whose 30 days are not over; not counted.")]


class HeldTable(BaseModel):
    """By fault and shop how many repairs held."""

    held: list[HeldShare]
