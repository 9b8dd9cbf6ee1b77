"""The plan as pages and API read it: its visits with their work orders, on the half days and bays of the shop."""

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any
from zoneinfo import ZoneInfo

import polars as pl

from airwatch.alerts.frames import GRAVITY
from airwatch.plan.orders import current_orders
from airwatch.plan.shop import Shop, Slot, is_open, slots
from airwatch.store import plan as kept
from airwatch.store.database import Store
from airwatch.store.results import alerts as all_alerts
from dashboards.errors import BadRequestError, NotFoundError
from pipelines import plan as planning


@dataclass(frozen=True, slots=True)
class ShopClock:
    """Times as the clock on the shop's wall shows them."""

    zone: ZoneInfo

    def local(self, t: datetime) -> datetime:
        """Turn a time of the store (UTC without a zone) into one on the wall."""
        return t.replace(tzinfo=UTC).astimezone(self.zone)

    def day(self, t: datetime) -> str:
        """Write the day."""
        at = self.local(t)
        return f"{at:%a} {at.day} {at:%b}"

    def clock(self, t: datetime) -> str:
        """Write the hour and minute."""
        return f"{self.local(t):%H:%M}"

    def stamp(self, t: datetime) -> str:
        """Write day, hour and minute."""
        return f"{self.day(t)} {self.clock(t)}"

    def span(self, start: datetime, end: datetime) -> str:
        """Write from when to when, the day once where it is the same."""
        same = self.local(start).date() == self.local(end).date()
        return f"{self.stamp(start)} to {self.clock(end) if same else self.stamp(end)}"


@dataclass(frozen=True, slots=True)
class Job:
    """One job of a plan: its row of `airwatch.store.plan.PLAN_JOBS` with the alert's fault, trailer and severity.

    The last three are None where readings took the alert back.
    """

    row: dict[str, Any]
    fault: str | None
    trailer: str | None
    severity: str | None


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit of a vehicle; ``order`` is its row of `ORDER_CHANGES`, None where it has none."""

    number: int
    fleet: str
    vehicle: str
    bay: str
    slot: datetime
    jobs: list[Job]
    order: dict[str, Any] | None

    @property
    def state(self) -> str:
        """The state of its work order."""
        return "planned" if self.order is None else str(self.order["state"])

    @property
    def end(self) -> datetime:
        """When it ends; that of its half day is not known here, so its begin where it has no order."""
        return self.slot if self.order is None else self.order["end"]

    @property
    def severity(self) -> str | None:
        """That of its gravest job."""
        return gravest(self.jobs)

    @property
    def fixed(self) -> str:
        """Whether its jobs are fixed there, in words."""
        n_fixed = sum(bool(job.row["is_fixed"]) for job in self.jobs)
        return "" if not n_fixed else "fixed" if n_fixed == len(self.jobs) else "partly fixed"

    @property
    def can_move(self) -> bool:
        """Whether it may be put elsewhere."""
        return self.state == "planned"


@dataclass(frozen=True, slots=True)
class Cell:
    """One half day of one bay; ``notes`` say what else takes it."""

    bay: str
    slot: Slot
    visits: list[Visit]
    notes: list[str]
    is_open: bool


@dataclass(frozen=True, slots=True)
class Week:
    """Days with their half days, and by bay the cells."""

    days: list[tuple[date, list[Slot]]]
    rows: list[tuple[str, list[Cell]]]


@dataclass(frozen=True, slots=True)
class ReadPlan:
    """The plan that holds: its row of `airwatch.store.plan.PLANS`, visits by time, and what does not fit."""

    shop: Shop
    row: dict[str, Any]
    visits: list[Visit]
    left_out: list[Job]

    @property
    def gap(self) -> float:
        """How far it can be from the best plan, as a share of its cost."""
        cost, bound = self.row["cost"], self.row["bound"]
        return 0.0 if cost <= 0 else max(0.0, (cost - bound) / cost)

    @property
    def jobs(self) -> Iterator[Job]:
        """All of its jobs, those that do not fit last."""
        for visit in self.visits:
            yield from visit.jobs
        yield from self.left_out


def clock_of(shop: Shop) -> ShopClock:
    """Give the clock of a shop."""
    return ShopClock(ZoneInfo(shop.time_zone))


def shop_names(store: Store) -> list[str]:
    """Give the names of all shops that are set up."""
    return kept.setups(store)["shop"].to_list()


def shop_for(store: Store, name: str | None) -> Shop:
    """Give a shop; the only one where none is named.

    Raises
    ------
    NotFoundError
        There is none, or none of that name.
    BadRequestError
        There are several, and none was named.
    """
    names = shop_names(store)
    if not names:
        raise NotFoundError(
            "No shop is set up; describe it first: airwatch plan shop FILE (see deploy/shop.example.toml)."
        )
    if name is None and len(names) > 1:
        raise BadRequestError(f"There are {len(names)} shops; name one with shop: {', '.join(names)}.")
    if name is not None and name not in names:
        raise NotFoundError(f"There is no shop {name!r}; there is {', '.join(names)}.")
    return planning.shop_of(store, name)[1]


def orders_of(store: Store, shop: str | None) -> pl.DataFrame:
    """Give work orders as they are now, of one shop or of all; columns as `airwatch.plan.orders.ORDER_CHANGES`."""
    orders = current_orders(kept.order_changes(store))
    return orders if shop is None else orders.filter(shop=shop)


def orders_with(store: Store, job: str) -> list[dict[str, Any]]:
    """Give the work orders that an alert is or was a job of, the last one first."""
    found = orders_of(store, None).filter(pl.col("jobs").list.contains(job))
    return found.sort("recorded", descending=True).rows(named=True)


def read_plan(store: Store, shop: Shop) -> ReadPlan | None:
    """Give the plan of a shop that holds, None if there is none yet."""
    found = kept.newest_plan(store, shop.shop)
    if found.is_empty():
        return None
    row = found.row(0, named=True)
    alerts = {alert["id"]: alert for alert in all_alerts(store).iter_rows(named=True)}
    jobs = [_job(job, alerts) for job in kept.plan_jobs(store, row["plan"]).iter_rows(named=True)]
    orders = orders_of(store, shop.shop).rows(named=True)
    placed = [job for job in jobs if job.row["slot"] is not None]
    visits = _visits(placed, orders, alerts)
    left_out = sorted(
        (job for job in jobs if job.row["slot"] is None),
        key=lambda job: (-GRAVITY.get(job.severity or "", -1), job.row["vehicle"]),
    )
    return ReadPlan(shop, row, visits, left_out)


def gravest(jobs: list[Job]) -> str | None:
    """Give the gravest severity of some jobs, None where none has one."""
    known = [job.severity for job in jobs if job.severity is not None]
    return max(known, key=lambda severity: GRAVITY[severity], default=None)


def half_days(plan: ReadPlan) -> list[Slot]:
    """Give the half days of a plan by time, and those in which it has visits since the shop changed its hours."""
    begin, end = plan.row["begin"], plan.row["end"]
    usual = [slot for slot in slots(plan.shop, begin, (end - begin).days + 2) if slot.start < end]
    known = {slot.start for slot in usual}
    clock = clock_of(plan.shop)
    others = {
        visit.slot: Slot(visit.slot, visit.end, clock.local(visit.slot).date(), "")
        for visit in plan.visits
        if visit.slot not in known
    }
    return sorted([*usual, *others.values()], key=lambda slot: slot.start)


def weeks(store: Store, plan: ReadPlan) -> list[Week]:
    """Lay a plan out: week by week the bays as rows and the half days as columns."""
    booked = kept.appointments(store, plan.shop.shop).rows(named=True)
    bays = list(dict.fromkeys([*(bay.name for bay in plan.shop.bay), *(visit.bay for visit in plan.visits)]))
    found = []
    for _, of_week in groupby(half_days(plan), key=lambda slot: slot.day.isocalendar()[:2]):
        columns = list(of_week)
        days = [(day, list(of_day)) for day, of_day in groupby(columns, key=lambda slot: slot.day)]
        rows = [(bay, [_cell(plan, bay, slot, booked) for slot in columns]) for bay in bays]
        found.append(Week(days, rows))
    return found


def _job(row: dict[str, Any], alerts: Mapping[str, Mapping[str, Any]]) -> Job:
    alert = alerts.get(row["job"], {})
    return Job(row, alert.get("fault"), alert.get("trailer"), alert.get("severity"))


def _visits(placed: list[Job], orders: list[dict[str, Any]], alerts: Mapping[str, Mapping[str, Any]]) -> list[Visit]:
    """Put the jobs of a vehicle that come together into one visit; orders in work that the plan goes around follow."""

    def place(job: Job) -> tuple[Any, ...]:
        return tuple(job.row[name] for name in ("slot", "bay", "fleet", "vehicle"))

    # of those written down with the same plan, the one that it keeps; another may be cancelled for it
    by_age = sorted(orders, key=lambda one: (one["recorded"], one["state"] != "cancelled"))
    of_job = {job: order for order in by_age for job in order["jobs"]}
    found: list[tuple[str, str, str, datetime, list[Job], dict[str, Any] | None]] = []
    for (slot, bay, fleet, vehicle), jobs in groupby(sorted(placed, key=place), key=place):
        together = list(jobs)
        found.append((fleet, vehicle, bay, slot, together, of_job.get(together[0].row["job"])))
    shown = {order["work_order"] for *_, order in found if order is not None}
    for order in orders:
        if order["state"] == "in_work" and order["work_order"] not in shown:
            jobs_there = [
                _job(
                    {"job": job, "is_fixed": False, "why": "Work on it has begun.", "vehicle": order["vehicle"]}, alerts
                )
                for job in order["jobs"]
            ]
            found.append((order["fleet"], order["vehicle"], order["bay"], order["slot"], jobs_there, order))
    found.sort(key=lambda one: (one[3], one[2], one[5]["start"] if one[5] else one[3], one[1]))
    return [Visit(number, *one) for number, one in enumerate(found, 1)]


def _cell(plan: ReadPlan, bay: str, slot: Slot, booked: list[dict[str, Any]]) -> Cell:
    mine = [visit for visit in plan.visits if visit.bay == bay]
    notes = [f"{visit.vehicle} goes on" for visit in mine if visit.slot < slot.start < visit.end]
    notes += [
        one["note"] or one["vehicle"] or "booked"
        for one in booked
        if one["bay"] == bay and one["start"] < slot.end and one["end"] > slot.start
    ]
    known = next((one for one in plan.shop.bay if one.name == bay), None)
    return Cell(
        bay,
        slot,
        [visit for visit in mine if visit.slot == slot.start],
        notes,
        known is not None and is_open(known, slot),
    )
