"""The small fleet with a shop of two bays and alerts enough to plan."""

from datetime import timedelta

import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.store.alerts import write_alerts
from airwatch.store.database import Store
from pipelines import plan as planning
from tests.dashboards.alert_rows import history_row
from tests.dashboards.small_fleet import NEWEST, fill
from tests.plan.orders import alert, alerts

SHOP = """
shop = "ridge"
time_zone = "America/Chicago"
hours.monday = ["07:00-12:00", "12:30-17:00"]
hours.tuesday = ["07:00-12:00", "12:30-17:00"]
hours.wednesday = ["07:00-12:00", "12:30-17:00"]
hours.thursday = ["07:00-12:00", "12:30-17:00"]
hours.friday = ["07:00-12:00", "12:30-17:00"]
[[bay]]
name = "bay 1"
equipment = ["pit"]
[[bay]]
name = "bay 2"
closed = [2031-02-12]
[[person]]
name = "R. Okafor"
skills = ["air", "abs", "compressor"]
[[person]]
name = "M. Lindqvist"
skills = ["air"]
works = ["monday", "tuesday", "wednesday", "thursday"]
"""
WHO = {"who": "R. Okafor", "why": "week 6", "seconds": 0.3}
MONDAY_NOON, TUESDAY = "2031-02-10T18:30:00Z", "2031-02-11T13:00:00Z"
"""Half days of the shop, whose clock is six hours behind UTC in winter."""


def fill_shop(store: Store) -> None:
    """Fill a store: a bundle of two jobs on K-leak, a job for which parts are ordered, one nobody has the skill for."""
    fill(store)
    planning.set_up(store, SHOP, "shop.toml", who="R. Okafor", why="new")
    times = {"opened": NEWEST, "updated": NEWEST}
    rows = (
        alert("applied", "K-leak", fault="leak_applied", severity="medium", **times),
        alert("watch", "K-watch", fault="governor_cut_out_high", severity="low", circuit=None, details="{}", **times),
        alert("quiet", "K-quiet", fault="leak_secondary", severity="medium", circuit="secondary", **times),
    )
    write_alerts(store, pl.DataFrame(schema=ALERTS), alerts(*rows), [])


def repair_that_held(store: Store) -> None:
    """Write down a repair of K-leak that readings verified two months before the newest data."""
    then = NEWEST - timedelta(days=60)
    for row in (
        history_row("opened", then - timedelta(days=1), "open", alert="old"),
        history_row("repaired", then, "repaired", alert="old"),
        history_row("verified", then + timedelta(days=3), "verified", alert="old", who="airwatch"),
    ):
        nothing = pl.DataFrame(schema=ALERTS)
        write_alerts(store, nothing, nothing, [row])
