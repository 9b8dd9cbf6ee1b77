"""Work orders: what a plan makes of them, and what people do to them. Pure."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from hashlib import blake2b
from typing import Any, Literal, get_args

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.frames import require
from airwatch.errors import PlanError
from airwatch.plan.frames import VISITS

OrderState = Literal["planned", "in_work", "done", "cancelled"]
STATES: tuple[OrderState, ...] = get_args(OrderState)

ORDER_CHANGES = pl.Schema(
    {
        "work_order": pl.String(),
        "sequence": pl.Int64(),
        "recorded": TIME,
        "at": TIME,
        "who": pl.String(),
        "change": pl.String(),
        "state": pl.String(),
        "reason": pl.String(),
        "plan": pl.Int64(),
        "shop": pl.String(),
        "fleet": pl.String(),
        "vehicle": pl.String(),
        "jobs": pl.List(pl.String()),
        "bay": pl.String(),
        "slot": TIME,
        "start": TIME,
        "end": TIME,
        "work_h": pl.Float64(),
        "people": pl.List(pl.String()),
    }
)
"""One row a change of a work order, never altered, with all of it as it is then; ``sequence`` counts them from 0."""

_MAY: Mapping[str, tuple[OrderState, ...]] = {
    "in_work": ("planned",),
    "done": ("planned", "in_work"),
    "cancelled": ("planned", "in_work"),
}
ACTIONS = tuple(_MAY)
"""What people may do to a work order."""

_PLACED = ("jobs", "bay", "slot", "start", "end", "work_h", "people")


@dataclass(frozen=True, slots=True)
class Deed:
    """What somebody did to a work order; ``at`` is when it was done, UTC without a zone."""

    work_order: str
    change: str
    who: str
    at: datetime
    reason: str


def current_orders(changes: pl.DataFrame) -> pl.DataFrame:
    """Give each work order as its last change left it; columns as `ORDER_CHANGES`, sorted by begin and id."""
    require(changes, ORDER_CHANGES, "current_orders")
    last = changes.sort("work_order", "sequence").group_by("work_order", maintain_order=True).last()
    return last.select(ORDER_CHANGES.keys()).sort("start", "work_order")


def orders_after(
    orders: pl.DataFrame, visits: pl.DataFrame, *, plan: int, shop: str, who: str, recorded: datetime
) -> pl.DataFrame:
    """Say what a new plan changes in the work orders.

    An order goes on as long as its vehicle has a visit with some of its jobs: the one that shares most. An order whose
    vehicle has none any more is cancelled, a visit without an order gets one. What is in work or over is not touched.

    Parameters
    ----------
    orders : DataFrame
        As `current_orders` gives them.
    visits : DataFrame
        Columns as `airwatch.plan.frames.VISITS`.
    plan : int
        The number of the new plan.
    shop, who : str
        Whose plan it is, and who made it.
    recorded : datetime
        UTC without a zone.

    Returns
    -------
    DataFrame
        Columns as `ORDER_CHANGES`: rows to be added.
    """
    require(visits, VISITS, "orders_after")
    shared = {"recorded": recorded, "at": recorded, "who": who, "plan": plan, "shop": shop}
    open_orders = orders.filter(state="planned", shop=shop).rows(named=True)
    left = visits.rows(named=True)
    pairs = sorted(
        (
            (-len(set(order["jobs"]) & set(visit["jobs"])), order["work_order"], visit["visit"])
            for order in open_orders
            for visit in left
            if (order["fleet"], order["vehicle"]) == (visit["fleet"], visit["vehicle"])
            and set(order["jobs"]) & set(visit["jobs"])
        ),
    )
    visit_of: dict[str, int] = {}
    for _, order, visit in pairs:
        if order not in visit_of and visit not in visit_of.values():
            visit_of[order] = visit
    by_number = {visit["visit"]: visit for visit in left}
    rows: list[dict[str, Any]] = []
    for order in open_orders:
        found = by_number.get(visit_of.get(order["work_order"], -1))
        if found is None:
            says = f"plan {plan} has no visit for it any more"
            rows.append({**order, **shared, "change": "cancelled", "state": "cancelled", "reason": says})
        elif any(found[name] != order[name] for name in _PLACED):
            says = f"plan {plan} puts it elsewhere"
            rows.append({**order, **_placed(found), **shared, "change": "moved", "state": "planned", "reason": says})
    for row in rows:
        row["sequence"] += 1
    taken = set(visit_of.values())
    for visit in left:
        if visit["visit"] not in taken:
            key = f"{visit['fleet']}/{visit['vehicle']}/{'/'.join(sorted(visit['jobs']))}/{recorded.isoformat()}"
            rows.append(
                {
                    "work_order": blake2b(key.encode(), digest_size=6).hexdigest(),
                    "sequence": 0,
                    "change": "planned",
                    "state": "planned",
                    "reason": f"plan {plan}",
                    "fleet": visit["fleet"],
                    "vehicle": visit["vehicle"],
                    **_placed(visit),
                    **shared,
                }
            )
    return pl.DataFrame(rows, schema=ORDER_CHANGES)


def deed_done(orders: pl.DataFrame, deed: Deed, recorded: datetime) -> pl.DataFrame:
    """Give the row that says what somebody did to a work order.

    Raises
    ------
    PlanError
        There is no such order, the change does not follow on its state, or it lacks who or why.
    """
    found = orders.filter(work_order=deed.work_order).rows(named=True)
    name = f"work order {deed.work_order}"
    if not found:
        raise PlanError(f"{name}: there is none; see airwatch plan show")
    if deed.change not in _MAY:
        raise PlanError(f"{name}: {deed.change!r} is no change; use one of {', '.join(ACTIONS)}")
    (order,) = found
    if order["state"] not in _MAY[deed.change]:
        follows = ", ".join(_MAY[deed.change])
        raise PlanError(f"{name}: it is {order['state']} and can't be {deed.change}; that follows on {follows}")
    if not deed.who.strip():
        raise PlanError(f"{name}: {deed.change} needs who did it; fill in the name")
    if not deed.reason.strip() and deed.change != "in_work":
        raise PlanError(f"{name}: {deed.change} needs a reason; say what was found or done")
    row = {
        **order,
        "sequence": order["sequence"] + 1,
        "recorded": recorded,
        "at": deed.at,
        "who": deed.who.strip(),
        "change": deed.change,
        "state": deed.change,
        "reason": deed.reason.strip(),
    }
    return pl.DataFrame([row], schema=ORDER_CHANGES)


def in_work(orders: pl.DataFrame) -> pl.DataFrame:
    """Give ``appointment, bay, start, end, fleet, vehicle, note`` of orders in work, which keep their bay."""
    return orders.filter(state="in_work").select(
        "bay", "start", "end", "fleet", "vehicle", appointment="work_order", note=pl.lit("in work")
    )


def jobs_in(orders: pl.DataFrame, states: Sequence[str]) -> list[str]:
    """Give the jobs of orders in some states."""
    jobs = orders.filter(pl.col("state").is_in(list(states)))["jobs"]
    return sorted({job for of_order in jobs.to_list() for job in of_order})


def _placed(visit: Mapping[str, Any]) -> dict[str, Any]:
    return {name: visit[name] for name in _PLACED}
