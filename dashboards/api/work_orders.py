"""Work orders, their sheets, and what people do to them; how many repairs held."""

from typing import Annotated

import polars as pl
from fastapi import APIRouter, Depends, Path, Query

from airwatch.plan.orders import Deed, OrderState
from airwatch.store import plan as kept
from airwatch.store.database import Store
from dashboards.access.actor import ActorInput
from dashboards.access.needs import needs
from dashboards.alerts import data_now
from dashboards.api.body import PROBLEM, json_only
from dashboards.api.plan import ShopName
from dashboards.api.plan_models import (
    Compared,
    HeldShare,
    HeldTable,
    OrderChangeAsked,
    OrderEntry,
    SheetJob,
    WorkOrder,
    WorkOrderDetail,
    WorkOrderPage,
)
from dashboards.fleet import cut
from dashboards.inputs import PageNumber, PageSize, StoreInput, utc
from dashboards.plan_changes import allowed, change_order, order_row
from dashboards.plans import orders_of, shop_for
from dashboards.repair_proof import proof_of
from pipelines import plan as planning

OrderId = Annotated[str, Path(max_length=64, description="id of the work order.", examples=["5f0c9a61d27e"])]


router = APIRouter(tags=["work orders"])


@router.get("/work-orders", summary="Work orders")
def work_orders(
    store: StoreInput,
    shop: ShopName = None,
    state: Annotated[OrderState | None, Query(description="Only orders in this state.")] = None,
    page: PageNumber = 1,
    size: PageSize = 500,
) -> WorkOrderPage:
    """Give work orders by begin, of all shops unless one is named."""
    found = orders_of(store, None if shop is None else shop_for(store, shop).shop)
    if state is not None:
        found = found.filter(state=state)
    part = cut(found, page=page, size=size)
    rows = [WorkOrder.model_validate(row) for row in part.rows.iter_rows(named=True)]
    return WorkOrderPage(page=page, size=size, total=part.total, work_orders=rows)


@router.get("/work-orders/{work_order}", summary="One work order")
def work_order(store: StoreInput, work_order: OrderId) -> WorkOrderDetail:
    """Give one work order with its sheet, its changes, and the readings before and after its repairs."""
    return _detail(store, work_order)


@router.post(
    "/work-orders/{work_order}/changes",
    summary="Change a work order",
    status_code=201,
    dependencies=[needs("plan"), Depends(json_only)],
    responses={
        409: {**PROBLEM, "description": "The change does not follow on the state that the order is in."},
        415: {**PROBLEM, "description": "The body is not application/json."},
    },
)
def change(store: StoreInput, by: ActorInput, work_order: OrderId, asked: OrderChangeAsked) -> WorkOrderDetail:
    """Write down what somebody did, and give the order as it is then.

    Done work makes its alerts repaired from when it was done; readings since then verify or reopen them.
    """
    at = data_now(store) if asked.at is None else utc(asked.at)
    who = by.written_as(asked.who)
    change_order(store, Deed(work_order, asked.change, who, at, asked.reason))
    by.note(f"work_order.{asked.change}", work_order, asked.reason, who=who)
    return _detail(store, work_order)


@router.get("/held", summary="How many repairs held")
def held(store: StoreInput) -> HeldTable:
    """Give by fault and shop the share of repairs that readings had verified and not reopened 30 days later."""
    found = planning.held(store, data_now(store))
    return HeldTable(held=[HeldShare.model_validate(row) for row in found.iter_rows(named=True)])


def _detail(store: Store, work_order: str) -> WorkOrderDetail:
    found = order_row(store, work_order)
    row = found.row(0, named=True)
    sheet = planning.sheet(store, work_order)
    changes = kept.order_changes(store).filter(pl.col("work_order") == work_order)
    return WorkOrderDetail.model_validate(
        {
            **row,
            "sheet": [SheetJob.model_validate(job, from_attributes=True) for job in sheet.jobs],
            "cautions": list(sheet.cautions),
            "changes": [OrderEntry.model_validate(one) for one in changes.iter_rows(named=True)],
            "may": allowed(found, data_now(store)),
            "before_after": [Compared.model_validate(one) for one in proof_of(store, row).iter_rows(named=True)],
        }
    )
