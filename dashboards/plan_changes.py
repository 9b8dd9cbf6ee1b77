"""Plans and work orders that people ask for: the one place where pages and API write them."""

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime

import polars as pl

from airwatch.errors import AlertError, PlanError
from airwatch.plan.orders import ACTIONS, Deed, deed_done
from airwatch.store import plan as kept
from airwatch.store.database import Store
from dashboards.alerts import data_now
from dashboards.changes import LATEST
from dashboards.errors import BadRequestError, ConflictError, ForbiddenError, NotFoundError, as_sentence
from dashboards.plans import orders_of, shop_for
from pipelines import plan as planning

_JOB = re.compile(r"^job \S+(?: \((?P<vehicle>.+?)\))?: ")
_ON_A_TERMINAL = "; see airwatch plan show"

_planning = threading.Lock()  # a plan starts from the one before: two at a time would not know of each other


@dataclass(frozen=True, slots=True)
class PlanWanted:
    """Who wants a plan of which shop, and why.

    ``of_plan`` is the number of the plan that they looked at, None where they looked at none; times are UTC without a
    zone; ``begin`` None stands for now.
    """

    shop: str | None
    who: str
    why: str
    begin: datetime | None = None
    days: int = planning.PLANNED_DAYS
    seconds: float | None = None
    of_plan: int | None = None


def make_plan(store: Store, wanted: PlanWanted) -> planning.Made:
    """Make a plan; this takes up to about ten seconds.

    Raises
    ------
    NotFoundError, BadRequestError
        The shop is not there, or must be named.
    ConflictError
        It can't be made, or another one is being made.
    """
    return _plan(store, wanted, lambda asked: planning.make(store, asked))


def move_jobs(store: Store, wanted: PlanWanted, jobs: list[str], bay: str, start: datetime) -> planning.Made:
    """Put jobs of one vehicle into a bay and half day, and plan the rest around them.

    Raises
    ------
    NotFoundError, BadRequestError
        The shop is not there, or must be named.
    ConflictError
        The jobs can't be there, or the plan is another one by now; nothing is changed.
    """
    return _plan(store, wanted, lambda asked: planning.move_job(store, asked, jobs, bay, start))


def fix_job(store: Store, wanted: PlanWanted, job: str, *, is_fixed: bool) -> planning.Made:
    """Fix a job where it is, or let it go, and plan the rest around it.

    Raises
    ------
    NotFoundError, BadRequestError
        The shop is not there, or must be named.
    ConflictError
        The job has no place, or the plan is another one by now; nothing is changed.
    """
    return _plan(store, wanted, lambda asked: planning.fix_job(store, asked, job, is_fixed=is_fixed))


def change_order(store: Store, deed: Deed) -> None:
    """Write down what somebody did to a work order.

    Raises
    ------
    NotFoundError
        There is no such order.
    ConflictError
        The change does not follow on its state.
    BadRequestError
        The change lacks something, or lies in the future.
    """
    _whole(store)
    before = order_row(store, deed.work_order)
    now = data_now(store)
    if deed.at > now + LATEST:
        raise BadRequestError(
            f"at: {deed.at:%Y-%m-%d %H:%M} UTC lies in the future, it is {now:%Y-%m-%d %H:%M} UTC;"
            " write down what has been done."
        )
    try:
        planning.carry_out(store, deed)
    except (PlanError, AlertError) as err:
        refused = BadRequestError if deed.change in allowed(before, now) else ConflictError
        raise refused(_sentence(str(err).removeprefix(f"work order {deed.work_order}: "))) from err


def order_row(store: Store, work_order: str) -> pl.DataFrame:
    """Give a work order as it is now, one row; columns as `airwatch.plan.orders.ORDER_CHANGES`.

    Raises
    ------
    NotFoundError
        There is none.
    """
    found = orders_of(store, None).filter(work_order=work_order)
    if found.is_empty():
        raise NotFoundError(f"There is no work order {work_order!r}; see /work-orders for those there are.")
    return found


def allowed(order: pl.DataFrame, now: datetime) -> list[str]:
    """Give what may be done to a work order, one row as `order_row` gives it."""
    return [change for change in ACTIONS if _is_allowed(order, change, now)]


def _is_allowed(order: pl.DataFrame, change: str, now: datetime) -> bool:
    try:
        deed_done(order, Deed(order["work_order"].item(), change, "who", now, "why"), now)
    except PlanError:
        return False
    return True


def _plan(store: Store, wanted: PlanWanted, plan_it: Callable[[planning.Asked], planning.Made]) -> planning.Made:
    _whole(store)
    shop = shop_for(store, wanted.shop)
    begin = wanted.begin or data_now(store)
    asked = planning.Asked(shop.shop, wanted.who, wanted.why, begin, wanted.days, wanted.seconds)
    with _alone():
        last = kept.newest_plan(store, shop.shop)
        if wanted.of_plan is not None and last["plan"].to_list() != [wanted.of_plan]:
            raise ConflictError(
                f"Plan {wanted.of_plan} is not the one that holds any more; load the page again and look first."
            )
        try:
            return plan_it(asked)
        except PlanError as err:
            raise ConflictError(_sentence(str(err))) from err


def _whole(store: Store) -> None:
    """Refuse whoever sees some fleets only: a shop's plan and its orders are of all fleets that it serves."""
    if not store.sees_all:
        raise ForbiddenError("A plan is of all fleets that a shop serves; only an account for all fleets changes it.")


@contextmanager
def _alone() -> Iterator[None]:
    if not _planning.acquire(blocking=False):
        raise ConflictError("Another plan is being made; wait some seconds, load the page again and look first.")
    try:
        yield
    finally:
        _planning.release()


def _sentence(says: str) -> str:
    """Write what was refused as a sentence for a page: with the vehicle in place of an alert's id."""
    text = _JOB.sub(lambda found: f"{found['vehicle']}: " if found["vehicle"] else "", says)
    text = text.replace("in_work", "in work").replace(_ON_A_TERMINAL, "; load the page again")
    return as_sentence(text)
