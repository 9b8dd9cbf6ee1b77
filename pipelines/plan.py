"""Plans made, changed and carried out: what the store has goes in, a new version of the plan comes out."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import msgspec
import polars as pl

from airwatch.alerts.held import held_shares
from airwatch.alerts.lifecycle import Step
from airwatch.contract.columns import TIME
from airwatch.errors import PlanError
from airwatch.plan.calendar_feed import calendar_feed
from airwatch.plan.frames import APPOINTMENTS, PLACES, UNIT_TIMES
from airwatch.plan.jobs import TO_PLAN, jobs_of
from airwatch.plan.make import Plan, make_plan, move
from airwatch.plan.orders import Deed, current_orders, deed_done, in_work, jobs_in, orders_after
from airwatch.plan.problem import Given
from airwatch.plan.shop import Shop, parse_shop, slots
from airwatch.plan.work_order import Sheet, sheet_of
from airwatch.store import plan as kept
from airwatch.store.alerts import alert_of, alerts_of
from airwatch.store.database import Store
from airwatch.store.registry import current as registered_units
from airwatch.store.results import alerts as all_alerts
from airwatch.store.results import unit_of
from pipelines.alerts import take_step, take_steps

PLANNED_DAYS = 14

_RFC3339 = "%Y-%m-%dT%H:%M:%SZ"


@dataclass(frozen=True, slots=True)
class Asked:
    """Who wants a plan, and why; ``begin`` is UTC without a zone, ``seconds`` how long a better one is looked for."""

    shop: str | None
    who: str
    why: str
    begin: datetime
    days: int = PLANNED_DAYS
    seconds: float | None = None

    def check(self) -> None:
        """Refuse a plan of nobody.

        Raises
        ------
        PlanError
            It lacks who or why.
        """
        if not self.who.strip() or not self.why.strip():
            raise PlanError("a plan needs who makes it and why; give --who and --why")


@dataclass(frozen=True, slots=True)
class Made:
    """A plan as it was stored: its number, and how many units were left out because they belong to no shop."""

    number: int
    plan: Plan
    n_elsewhere: int


@dataclass(frozen=True, slots=True)
class Booked:
    """An appointment; times are UTC without a zone, fleet and vehicle None where it is of no vehicle."""

    appointment: str
    bay: str
    start: datetime
    end: datetime
    fleet: str | None = None
    vehicle: str | None = None
    note: str = ""


def shop_of(store: Store, name: str | None) -> tuple[int, Shop]:
    """Give the number of a shop's description, and it; the only shop where none is named.

    Raises
    ------
    PlanError
        There is no such shop, or several and none was named.
    """
    found = kept.setups(store)
    if found.is_empty():
        raise PlanError("no shop is set up; describe it first: airwatch plan shop FILE (see deploy/shop.example.toml)")
    names = found["shop"].to_list()
    if name is None and len(names) > 1:
        raise PlanError(f"there are {len(names)} shops; name one with --shop: {', '.join(names)}")
    row = found.filter(shop=name or names[0])
    if row.is_empty():
        raise PlanError(f"there is no shop {name!r}; there is {', '.join(names)}")
    return row["setup"][0], parse_shop(row["description"][0], f"shop {row['shop'][0]}")


def set_up(store: Store, description: str, where: str, *, who: str, why: str) -> Shop:
    """Take a description of a shop, which holds from now on.

    Raises
    ------
    PlanError
        It can't be used, or lacks who or why.
    """
    shop = parse_shop(description, where)
    if not who.strip() or not why.strip():
        raise PlanError(f"{where}: a set-up needs who gives it and why; give --who and --why")
    kept.add_setup(store, shop.shop, description, who=who.strip(), why=why.strip())
    return shop


def make(store: Store, asked: Asked) -> Made:
    """Make a new plan and bring work orders and alerts up to it.

    Raises
    ------
    PlanError
        It can't be made; the text says why, and nothing is changed.
    """
    return _make(store, asked, lambda given: make_plan(given, seconds=asked.seconds))


def move_job(store: Store, asked: Asked, jobs: Sequence[str], bay: str, start: datetime) -> Made:
    """Put jobs where somebody wants them, and plan the rest around it.

    Raises
    ------
    PlanError
        They can't be there; the text says why, and nothing is changed.
    """
    return _make(store, asked, lambda given: move(given, jobs, bay, start, seconds=asked.seconds), fixed=jobs)


def fix_job(store: Store, asked: Asked, job: str, *, is_fixed: bool) -> Made:
    """Fix a job where it is, or let it go, and plan the rest around it.

    Raises
    ------
    PlanError
        It has no place in the plan, or the plan can't be made.
    """
    _, shop = shop_of(store, asked.shop)
    places = _places(store, shop.shop).filter(job=job)
    if places.is_empty():
        raise PlanError(f"job {job}: it has no place in the plan; see airwatch plan show")
    if not is_fixed:
        return _make(
            store, asked, lambda given: make_plan(_without_pin(given, job), seconds=asked.seconds), freed=[job]
        )
    row = places.row(0, named=True)
    return move_job(store, asked, [job], row["bay"], row["start"])


def carry_out(store: Store, deed: Deed) -> pl.DataFrame:
    """Write down what somebody did to a work order, and move its alerts on.

    Done work makes its alerts repaired, from when it was done; readings since then verify or reopen them. Begun and
    cancelled work is noted with them.

    Raises
    ------
    PlanError
        There is no such order, or the change can't be made.
    """
    with store.exclusive():
        row = deed_done(current_orders(kept.order_changes(store)), deed, kept.now_plain())
        kept.add_order_changes(store, row)
    order = row.row(0, named=True)
    where = f"work order {order['work_order']}, {order['bay']}"
    for job in order["jobs"]:
        found = alert_of(store, job)
        if found.is_empty():
            continue  # later messages took its finding back
        is_done = deed.change == "done" and found["state"][0] in TO_PLAN
        says = f"{deed.change.replace('_', ' ')}: {where}" + (f"; {order['reason']}" if order["reason"] else "")
        take_step(store, Step(job, "repaired" if is_done else "noted", order["who"], deed.at, says))
    return row


def book(store: Store, shop: str | None, booked: Booked, *, is_kept: bool, who: str, why: str) -> None:
    """Keep a time of a bay for something else, or let it go again.

    Raises
    ------
    PlanError
        The shop has no such bay, the end is not after the start, or it lacks who or why.
    """
    _, at = shop_of(store, shop)
    name = f"appointment {booked.appointment}"
    if booked.bay not in [bay.name for bay in at.bay]:
        raise PlanError(f"{name}: there is no bay {booked.bay!r}; the shop has {', '.join(b.name for b in at.bay)}")
    if not booked.start < booked.end:
        raise PlanError(f"{name}: it ends before it starts; swap start and end")
    if not who.strip() or not why.strip():
        raise PlanError(f"{name}: it needs who makes it and why; give --who and --why")
    row = pl.DataFrame([asdict(booked)], schema=APPOINTMENTS)
    state = "kept" if is_kept else "cancelled"
    kept.add_appointment(store, at.shop, row, state=state, who=who.strip(), why=why.strip())


def take_times(store: Store, path: Path, *, who: str) -> int:
    """Take from a CSV file when vehicles are home or away, and give the number of its rows.

    Its header is ``fleet,vehicle,start,end,state``; times are RFC 3339 with Z; state is `home`, `away`, or `unknown`,
    which takes back what was said of the same span.

    Raises
    ------
    PlanError
        The file can't be used; nothing of it is taken.
    """
    if not who.strip():
        raise PlanError(f"{path}: it needs who says so; give --who")
    try:
        text = pl.read_csv(path, infer_schema=False)
    except (OSError, pl.exceptions.PolarsError) as err:
        raise PlanError(f"{path}: can't be read as CSV: {' '.join(str(err).split())}; check the path") from err
    if text.columns != list(UNIT_TIMES):
        raise PlanError(f"{path} line 1: the header must be {','.join(UNIT_TIMES)}; got {','.join(text.columns)}")
    times = text.with_columns(pl.col("start", "end").str.to_datetime("%Y-%m-%dT%H:%M:%SZ", strict=False))
    checks = (
        (pl.col("fleet").is_null() | pl.col("vehicle").is_null(), "fleet and vehicle are needed"),
        (pl.col("start").is_null() | pl.col("end").is_null(), "start and end are written like 2031-03-03T06:00:00Z"),
        (pl.col("start") >= pl.col("end"), "it ends before it starts"),
        (~pl.col("state").is_in(["home", "away", "unknown"]), "state is home, away or unknown"),
    )
    for is_wrong, says in checks:
        wrong = times.select(is_wrong.fill_null(value=True)).to_series().arg_true()
        if wrong.len():
            raise PlanError(f"{path} line {wrong[0] + 2}: {says}")
    kept.add_unit_times(store, times.cast(UNIT_TIMES), who=who.strip())
    return times.height


def waiting_alerts(store: Store, shop: Shop) -> pl.DataFrame:
    """Give the alerts that ask for work in a shop; columns as `airwatch.alerts.frames.ALERTS`."""
    mine, _ = _of_shop(store, all_alerts(store), shop)
    return mine.filter(pl.col("state").is_in(TO_PLAN))


def held(store: Store, now: datetime) -> pl.DataFrame:
    """Give the share of repairs that held, by fault and shop; columns as `airwatch.alerts.held.HELD`."""
    return held_shares(kept.alert_history(store), registered_units(store), now)


def sheet(store: Store, work_order: str) -> Sheet:
    """Give the sheet of a work order.

    Raises
    ------
    PlanError
        There is none.
    """
    found = current_orders(kept.order_changes(store)).filter(work_order=work_order)
    if found.is_empty():
        raise PlanError(f"work order {work_order}: there is none; see airwatch plan show")
    order = found.row(0, named=True)
    of_order = pl.concat([alert_of(store, job) for job in order["jobs"]])
    return sheet_of(order, of_order, unit_of(store, order["fleet"], order["vehicle"]))


def exported(store: Store, fmt: str, shop: str | None) -> bytes:
    """Give the work orders of a shop for other systems: `csv`, `json` or `ics`."""
    _, at = shop_of(store, shop)
    orders = current_orders(kept.order_changes(store)).filter(shop=at.shop)
    if fmt == "ics":
        return calendar_feed(orders, at.shop)
    times = [name for name, dtype in orders.schema.items() if dtype == TIME]
    if fmt == "csv":
        text = orders.with_columns(
            *(pl.col(name).dt.strftime(_RFC3339) for name in times), pl.col("jobs", "people").list.join(";")
        )
        return text.write_csv().encode()
    rows = orders.with_columns(pl.col(name).dt.strftime(_RFC3339) for name in times).to_dicts()
    return msgspec.json.format(msgspec.json.encode({"shop": at.shop, "work_orders": rows}), indent=2) + b"\n"


def _make(
    store: Store,
    asked: Asked,
    plan_it: Callable[[Given], Plan],
    *,
    fixed: Sequence[str] = (),
    freed: Sequence[str] = (),
) -> Made:
    asked.check()
    setup, shop = shop_of(store, asked.shop)
    given, n_elsewhere = _given(store, shop, asked)
    plan = plan_it(given)
    pinned = (set(given.pins["job"]) | set(fixed)) - set(freed)
    with store.exclusive():
        number = kept.next_plan(store)
        recorded = kept.now_plain()
        orders = current_orders(kept.order_changes(store))
        changes = orders_after(
            orders, plan.visits, plan=number, shop=shop.shop, who=asked.who.strip(), recorded=recorded
        )
        kept.add_plan(
            store,
            pl.DataFrame(
                [
                    {
                        "plan": number, "shop": shop.shop, "setup": setup, "recorded": recorded,
                        "who": asked.who.strip(), "why": asked.why.strip(), "begin": plan.begin, "end": plan.end,
                        "risk": plan.risk, "cost": plan.cost, "bound": plan.bound, "seconds": plan.seconds,
                        "found_by": plan.found_by,
                    }
                ],
                schema=kept.PLANS,
            ),
            plan.reasons.join(given.jobs.select("job", "parts_here"), on="job", how="left").with_columns(
                plan=pl.lit(number, pl.Int64), is_fixed=pl.col("job").is_in(list(pinned)) & pl.col("slot").is_not_null()
            ),
            changes,
        )  # fmt: skip
    _tell_alerts(store, changes, asked.who)
    return Made(number, plan, n_elsewhere)


def _given(store: Store, shop: Shop, asked: Asked) -> tuple[Given, int]:
    orders = current_orders(kept.order_changes(store))
    alerts = all_alerts(store)
    mine, n_elsewhere = _of_shop(store, alerts, shop)
    busy = jobs_in(orders, ["in_work"])
    before = kept.newest_plan(store, shop.shop)
    last = pl.DataFrame(schema=kept.PLAN_JOBS) if before.is_empty() else kept.plan_jobs(store, before["plan"][0])
    parts: Mapping[str, datetime] = dict(last.drop_nulls("parts_here").select("job", "parts_here").iter_rows())
    jobs = jobs_of(mine.filter(~pl.col("id").is_in(busy)), shop, asked.begin, parts_here=parts)
    ahead = slots(shop, asked.begin, asked.days)
    starts = [slot.start for slot in ahead]
    bays = [bay.name for bay in shop.bay]
    placed = last.filter(pl.col("job").is_in(jobs["job"].to_list())).drop_nulls("slot")
    pins = placed.filter(pl.col("is_fixed") & pl.col("slot").is_in(starts) & pl.col("bay").is_in(bays))
    booked = pl.concat([kept.appointments(store, shop.shop), in_work(orders.filter(shop=shop.shop))], how="diagonal")
    return (
        Given(
            jobs=jobs,
            shop=shop,
            slots=ahead,
            begin=asked.begin,
            unit_times=kept.unit_times(store),
            appointments=booked.filter(pl.col("bay").is_in(bays)),
            pins=pins.select("job", "bay", start="slot").cast(PLACES),
            before=placed.select("job", "bay", start="slot").cast(PLACES),
        ),
        n_elsewhere,
    )


def _of_shop(store: Store, alerts: pl.DataFrame, shop: Shop) -> tuple[pl.DataFrame, int]:
    """Keep the alerts of units whose home the shop is; with one shop alone, of all units."""
    names = kept.setups(store)["shop"].to_list()
    if len(names) == 1:
        return alerts, 0
    homes = registered_units(store).select("fleet", "unit", "home_shop")
    at_home = alerts.join(homes, on=["fleet", "unit"], how="left", maintain_order="left")
    nowhere = at_home.filter(~pl.col("home_shop").is_in(names).fill_null(value=False))
    return at_home.filter(home_shop=shop.shop).drop("home_shop"), nowhere.select("fleet", "unit").n_unique()


def _places(store: Store, shop: str) -> pl.DataFrame:
    last = kept.newest_plan(store, shop)
    if last.is_empty():
        return pl.DataFrame(schema=PLACES)
    jobs = kept.plan_jobs(store, last["plan"][0]).drop_nulls("slot")
    return jobs.select("job", "bay", start="slot").cast(PLACES)


def _without_pin(given: Given, job: str) -> Given:
    return replace(given, pins=given.pins.filter(pl.col("job") != job))


def _tell_alerts(store: Store, changes: pl.DataFrame, who: str) -> None:
    """Make the alerts of new and moved work orders planned, and note it with those of cancelled ones."""
    named = [job for row in changes["jobs"].to_list() for job in row]
    states = dict(alerts_of(store, named).select("id", "state").iter_rows())
    asking = {job for job, state in states.items() if state in TO_PLAN}
    still = {job for row in changes.filter(state="planned")["jobs"].to_list() for job in row}
    steps = []
    for row in changes.iter_rows(named=True):
        at = row["recorded"].replace(tzinfo=UTC)
        for job in sorted(asking.intersection(row["jobs"])):
            if row["state"] == "planned":
                says = (
                    f"{row['bay']}, {row['start']:%Y-%m-%d %H:%M}Z (work order {row['work_order']}, plan {row['plan']})"
                )
                steps.append(Step(job, "planned", who, at, says))
            elif job not in still:
                says = f"work order {row['work_order']} is cancelled: {row['reason']}"
                steps.append(Step(job, "noted", who, at, says))
    take_steps(store, steps)
