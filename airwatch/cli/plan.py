"""`airwatch plan`."""

import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from airwatch.cli import options
from airwatch.errors import PlanError
from airwatch.plan.orders import ACTIONS, Deed, current_orders
from airwatch.plan.work_order import sheet_text
from airwatch.store import plan as kept
from airwatch.store.database import Store
from pipelines import plan as planning

_TIME = click.DateTime(["%Y-%m-%dT%H:%M:%SZ", "%Y-%m-%dT%H:%MZ"])


def _asked(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add what every new plan needs."""
    for option in (
        click.option("--seconds", type=click.FloatRange(min=0.1), help="How long a better plan is looked for."),
        click.option("--days", type=click.IntRange(1, 60), default=planning.PLANNED_DAYS, show_default=True),
        click.option("--from", "begin", type=_TIME, help="The plan's begin, UTC; now by default."),
        click.option("--shop", help="Which shop, where there are several."),
        click.option("--why", default="", help="What the new plan is for."),
        click.option("--who", default="", help="Who makes it."),
    ):
        command = option(command)
    return options.db(command)


@click.group()
def plan() -> None:
    """Plan the shop's work: which unit comes into which bay when, and why."""


@plan.command()
@_asked
def make(db: Path, **asked: Any) -> None:
    """Make a new plan of all alerts that ask for work."""
    with Store.open(db, must_exist=True) as store:
        _say(planning.make(store, _of(asked)))


@plan.command()
@click.argument("jobs", nargs=-1, required=True, metavar="ALERT…")
@click.option("--bay", required=True)
@click.option("--start", type=_TIME, required=True, help="Begin of the half day, UTC.")
@_asked
def move(jobs: tuple[str, ...], bay: str, start: datetime, db: Path, **asked: Any) -> None:
    """Put jobs of one unit into a bay and half day; the others make room."""
    with Store.open(db, must_exist=True) as store:
        _say(planning.move_job(store, _of(asked), jobs, bay, start))


@plan.command()
@click.argument("job", metavar="ALERT")
@click.option("--free", is_flag=True, help="Let it go again.")
@_asked
def fix(job: str, db: Path, *, free: bool, **asked: Any) -> None:
    """Fix a job where it is, so that later plans leave it there."""
    with Store.open(db, must_exist=True) as store:
        _say(planning.fix_job(store, _of(asked), job, is_fixed=not free))


@plan.command()
@options.db
@click.option("--shop", help="Which shop, where there are several.")
def show(db: Path, shop: str | None) -> None:
    """Print the plan that holds: each job with its place and its reason, and the work orders."""
    with Store.open(db, must_exist=True) as store:
        _, at = planning.shop_of(store, shop)
        last = kept.newest_plan(store, at.shop)
        if last.is_empty():
            raise PlanError(f"shop {at.shop}: there is no plan yet; make one with airwatch plan make")
        row = last.row(0, named=True)
        gap = 0.0 if row["cost"] <= 0 else (row["cost"] - row["bound"]) / row["cost"]
        click.echo(
            f"plan {row['plan']} of {at.shop}, {row['recorded']:%Y-%m-%d %H:%M}Z by {row['who']}: {row['why']};"
            f" risk {row['risk']:.2f}, at most {gap:.1%} from the best"
        )
        for job in kept.plan_jobs(store, row["plan"]).iter_rows(named=True):
            place = "does not fit" if job["slot"] is None else f"{job['slot']:%Y-%m-%d %H:%M}Z {job['bay']}"
            click.echo(f"{place:<32} {job['vehicle']:<10} {job['job']}{' (fixed)' if job['is_fixed'] else ''}")
            click.echo(f"    {job['why']}")
        for order in current_orders(kept.order_changes(store)).filter(shop=at.shop).iter_rows(named=True):
            when = f"{order['start']:%Y-%m-%d %H:%M}Z to {order['end']:%Y-%m-%d %H:%M}Z"
            click.echo(
                f"work order {order['work_order']}  {order['state']:<9} {order['vehicle']:<10} {when} {order['bay']}"
            )


@plan.command()
@options.db
@click.option("--format", "fmt", type=click.Choice(["csv", "json", "ics"]), default="json", show_default=True)
@click.option("--shop", help="Which shop, where there are several.")
@click.option("-o", "--output", type=options.FILE, help="A file; standard output where none is named.")
def export(db: Path, fmt: str, shop: str | None, output: Path | None) -> None:
    """Write the work orders for other systems, or as a calendar."""
    with Store.open(db, must_exist=True) as store:
        text = planning.exported(store, fmt, shop)
    if output is None:
        sys.stdout.buffer.write(text)
        return
    try:
        output.write_bytes(text)
    except OSError as err:
        raise PlanError(f"{output}: the work orders can't be written: {err}; check the path") from err
    click.echo(f"wrote {output}")


@plan.command()
@click.argument("work_order", metavar="ORDER")
@options.db
def sheet(work_order: str, db: Path) -> None:
    """Print the sheet of a work order."""
    with Store.open(db, must_exist=True) as store:
        click.echo(sheet_text(planning.sheet(store, work_order)), nl=False)


@plan.command()
@click.argument("work_order", metavar="ORDER")
@click.argument("change", type=click.Choice(ACTIONS))
@options.db
@click.option("--who", default="", help="Who did it.")
@click.option("--why", default="", help="What was found and done; the reason.")
@click.option("--at", type=_TIME, help="When it was done, UTC; now by default.")
def order(work_order: str, change: str, db: Path, who: str, why: str, at: datetime | None) -> None:
    """Say that work on an order has begun, is done, or is cancelled."""
    with Store.open(db, must_exist=True) as store:
        planning.carry_out(store, Deed(work_order, change, who, at or kept.now_plain(), why))
    click.echo(f"work order {work_order}: {change.replace('_', ' ')}")


@plan.command()
@click.argument("file", type=options.FILE)
@options.db
@click.option("--who", default="", help="Who gives it.")
@click.option("--why", default="", help="What changed.")
def shop(file: Path, db: Path, who: str, why: str) -> None:
    """Take the description of a shop: bays, people, hours (see deploy/shop.example.toml)."""
    try:
        text = file.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise PlanError(f"{file}: can't be read: {err}; check the path") from err
    with Store.open(db) as store:
        at = planning.set_up(store, text, str(file), who=who, why=why)
    click.echo(f"shop {at.shop}: {len(at.bay)} bays, {len(at.person)} people")


@plan.command()
@click.argument("appointment", metavar="NAME")
@click.option("--bay", required=True)
@click.option("--start", type=_TIME, required=True, help="UTC.")
@click.option("--end", type=_TIME, required=True, help="UTC.")
@click.option("--fleet", help="Of the vehicle that comes, if one does.")
@click.option("--vehicle")
@click.option("--note", default="", help="What it is for.")
@click.option("--cancel", is_flag=True, help="Let it go again.")
@click.option("--shop", help="Which shop, where there are several.")
@options.db
@click.option("--who", default="", help="Who makes it.")
@click.option("--why", default="", help="Why.")
def book(db: Path, shop: str | None, who: str, why: str, *, cancel: bool, **booked: Any) -> None:
    """Keep a time of a bay for something else; plans leave it alone."""
    with Store.open(db, must_exist=True) as store:
        planning.book(store, shop, planning.Booked(**booked), is_kept=not cancel, who=who, why=why)
    click.echo(f"appointment {booked['appointment']}: {'cancelled' if cancel else 'kept'}")


@plan.command()
@click.argument("file", type=options.FILE)
@options.db
@click.option("--who", default="", help="Who says so.")
def times(file: Path, db: Path, who: str) -> None:
    """Take when vehicles are home or away, CSV: fleet,vehicle,start,end,state."""
    with Store.open(db, must_exist=True) as store:
        n_rows = planning.take_times(store, file, who=who)
    click.echo(f"took {n_rows} rows of {file}")


@plan.command()
@options.db
def held(db: Path) -> None:
    """Print how many repairs held for 30 days, by fault and shop."""
    with Store.open(db, must_exist=True) as store:
        found = planning.held(store, kept.now_plain())
    click.echo(
        f"{'fault':<26} {'shop':<12} {'held':>9} {'share':>6} {'95 % interval':>16} {'unproven':>9} {'waiting':>8}"
    )
    for row in found.iter_rows(named=True):
        share = "-" if row["share"] is None else f"{row['share']:.0%}"
        interval = f"{row['lower']:.0%} to {row['upper']:.0%}"
        count = f"{row['n_held']} of {row['n_repairs']}"
        counts = f"{count:>9} {share:>6} {interval:>16} {row['n_unproven']:>9} {row['n_waiting']:>8}"
        click.echo(f"{row['fault']:<26} {row['shop'] or '-':<12} {counts}")


def _of(asked: dict[str, Any]) -> planning.Asked:
    begin = asked.pop("begin")
    return planning.Asked(begin=kept.now_plain() if begin is None else begin, **asked)


def _say(made: planning.Made) -> None:
    reasons = made.plan.reasons
    n_left = reasons["slot"].null_count()
    click.echo(
        f"plan {made.number}: {reasons.height - n_left} jobs in {made.plan.visits.height} visits,"
        f" {n_left} do not fit; risk {made.plan.risk:.2f}, at most {made.plan.gap:.1%} from the best"
    )
    for row in reasons.iter_rows(named=True):
        if row["slot"] is None or row["is_late"]:
            click.echo(f"  {row['vehicle']} {row['job']}: {row['why']}")
    if made.n_elsewhere:
        click.echo(f"{made.n_elsewhere} units with alerts belong to none of the shops (registry, home_shop)")
