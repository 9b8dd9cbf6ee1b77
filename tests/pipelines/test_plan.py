"""The plan from a store and back into it: made, changed, carried out, exported, told."""

import csv
import io
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from icalendar import Calendar

from airwatch.alerts.frames import ALERTS
from airwatch.alerts.lifecycle import Step
from airwatch.errors import AlertError, PlanError
from airwatch.notify.config import parse_config
from airwatch.plan.orders import Deed, current_orders
from airwatch.registry import SCHEMA
from airwatch.store import plan as kept
from airwatch.store.alerts import alert_of, history_of, write_alerts
from airwatch.store.database import Store
from airwatch.store.registry import replace_units
from pipelines import plan as planning
from pipelines.alerts import take_steps
from pipelines.notify import Notifier
from pipelines.plan import Asked
from pipelines.serve import Telling, tell_once
from tests.plan.orders import alert, alerts
from tests.plan.small import BEGIN, MORNING, NOON, day
from tests.webhook import Webhook

SHOP = """
shop = "ridge"
time_zone = "UTC"
hours.monday = ["07:00-12:00", "12:30-17:00"]
hours.tuesday = ["07:00-12:00", "12:30-17:00"]
hours.wednesday = ["07:00-12:00", "12:30-17:00"]
hours.thursday = ["07:00-12:00", "12:30-17:00"]
hours.friday = ["07:00-12:00", "12:30-17:00"]
[[bay]]
name = "bay 1"
equipment = ["pit"]
[[person]]
name = "R. Okafor"
skills = ["air", "abs", "compressor"]
"""
ASKED = Asked(None, "R. Okafor", "monday's plan", BEGIN, seconds=0.5)


def put(store: Store, *rows: dict[str, object]) -> None:
    """Write alerts into a store."""
    write_alerts(store, pl.DataFrame(schema=ALERTS), alerts(*rows), [])


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "a.duckdb") as opened:
        planning.set_up(opened, SHOP, "shop.toml", who="R. Okafor", why="new")
        put(
            opened,
            alert("a"),
            alert("b", "K-2", severity="low", details="{}"),
            alert("c", "K-3", fault="compressor_weak"),
        )
        yield opened


def state(store: Store, job: str) -> str:
    return str(alert_of(store, job)["state"].item())


def orders(store: Store) -> pl.DataFrame:
    return current_orders(kept.order_changes(store))


def test_a_plan_is_stored_with_its_orders_and_its_alerts_are_planned(store: Store) -> None:
    made = planning.make(store, ASKED)
    assert (made.number, made.n_elsewhere) == (1, 0)
    assert orders(store).select("vehicle", "state", "bay").rows() == [
        ("K-1", "planned", "bay 1"), ("K-2", "planned", "bay 1"), ("K-3", "planned", "bay 1")
    ]  # fmt: skip
    assert [state(store, job) for job in "abc"] == ["planned"] * 3
    last = history_of(store, ["a"]).row(-1, named=True)
    assert last["who"] == "R. Okafor"
    assert "bay 1, 2031-03-03 07:00Z (work order" in last["reason"]
    stored = kept.newest_plan(store, "ridge").row(0, named=True)
    assert stored["bound"] <= stored["cost"] + 1e-9
    assert (stored["why"], stored["setup"]) == ("monday's plan", 1)


def test_parts_are_ordered_once_and_not_anew_with_each_plan(store: Store) -> None:
    planning.make(store, ASKED)
    first = kept.plan_jobs(store, 1).filter(job="c")["parts_here"].item()
    planning.make(store, Asked(None, "R. Okafor", "tuesday", day(1) - timedelta(hours=1), seconds=0.5))
    assert kept.plan_jobs(store, 2).filter(job="c")["parts_here"].item() == first


def test_a_move_is_kept_by_later_plans_until_it_is_let_go(store: Store) -> None:
    planning.make(store, ASKED)
    order = orders(store).filter(vehicle="K-2")["work_order"].item()
    planning.move_job(store, ASKED, ["b"], "bay 1", day(3))
    assert orders(store).filter(vehicle="K-2").select("work_order", "slot", "sequence").row(0) == (order, day(3), 1)
    planning.make(store, ASKED)
    assert kept.plan_jobs(store, 3).filter(job="b").select("slot", "is_fixed").row(0) == (day(3), True)
    planning.fix_job(store, ASKED, "b", is_fixed=False)
    assert kept.plan_jobs(store, 4).filter(job="b")["is_fixed"].item() is False
    planning.fix_job(store, ASKED, "b", is_fixed=True)
    fixed = kept.plan_jobs(store, 5).filter(job="b").row(0, named=True)
    assert fixed["is_fixed"]
    assert fixed["slot"] == kept.plan_jobs(store, 4).filter(job="b")["slot"].item()


def test_a_move_that_can_not_be_changes_nothing(store: Store) -> None:
    planning.make(store, ASKED)
    with pytest.raises(PlanError, match=r"^job c \(K-3\): compressor or its kit not here before Thu 6 Mar 06:00"):
        planning.move_job(store, ASKED, ["c"], "bay 1", MORNING)
    assert kept.plans(store).height == 1
    assert kept.order_changes(store).height == 3


def test_work_begun_stays_where_it_is_and_work_done_awaits_its_proof(store: Store) -> None:
    planning.make(store, ASKED)
    order = orders(store).filter(vehicle="K-1")["work_order"].item()
    planning.carry_out(store, Deed(order, "in_work", "M. Lindqvist", MORNING, ""))
    planning.make(store, ASKED)
    assert orders(store).filter(vehicle="K-1").select("state", "slot").row(0) == ("in_work", MORNING)
    assert "a" not in kept.plan_jobs(store, 2)["job"].to_list()
    planning.carry_out(store, Deed(order, "done", "M. Lindqvist", NOON, "drain valve renewed"))
    assert state(store, "a") == "repaired"
    last = history_of(store, ["a"]).filter(change="repaired").row(0, named=True)
    assert (last["at"], last["who"]) == (NOON, "M. Lindqvist")
    assert "drain valve renewed" in last["reason"]
    planning.make(store, ASKED)
    assert orders(store).filter(vehicle="K-1")["state"].item() == "done"


def test_a_cancelled_order_is_planned_anew_while_its_alert_stands(store: Store) -> None:
    planning.make(store, ASKED)
    order = orders(store).filter(vehicle="K-1")["work_order"].item()
    planning.carry_out(store, Deed(order, "cancelled", "M. Lindqvist", MORNING, "unit is out"))
    assert state(store, "a") == "planned"
    assert history_of(store, ["a"]).row(-1, named=True)["change"] == "noted"
    planning.make(store, ASKED)
    assert orders(store).filter(vehicle="K-1")["state"].to_list().count("planned") == 1


def test_steps_of_one_deed_are_taken_all_or_none(store: Store) -> None:
    now = datetime.now(UTC)
    with pytest.raises(AlertError, match="alert x: there is no such alert"):
        take_steps(store, [Step("a", "planned", "R. Okafor", now, "bay 1"), Step("x", "noted", "R. Okafor", now, "y")])
    with pytest.raises(AlertError, match="alert b: noted needs a reason"):
        take_steps(store, [Step("a", "planned", "R. Okafor", now, "bay 1"), Step("b", "noted", "R. Okafor", now, "")])
    assert history_of(store, ["a", "b"]).is_empty()
    take_steps(store, [Step("b", "noted", "R. Okafor", now, "y"), Step("a", "planned", "R. Okafor", now, "bay 1")])
    assert [state(store, job) for job in "abc"] == ["planned", "open", "open"]
    assert sorted(history_of(store, ["a", "b"])["change"].to_list()) == ["noted", "planned"]


def test_appointments_of_the_store_are_kept_clear(store: Store) -> None:
    booked = [("x", "bay 1", MORNING, NOON.replace(hour=17), None, None, "hoist inspected")]
    frame = pl.DataFrame(booked, schema=kept.APPOINTMENTS, orient="row")
    kept.add_appointment(store, "ridge", frame, state="kept", who="R. Okafor", why="yearly")
    planning.make(store, ASKED)
    assert orders(store)["slot"].min() == day(1)


def test_units_go_to_their_own_shop_and_those_without_one_are_counted(store: Store) -> None:
    planning.set_up(store, SHOP.replace("ridge", "quay"), "quay.toml", who="R. Okafor", why="second shop")
    homes = {"K-1": "ridge", "K-2": "quay"}
    rows = [
        {"unit": u, "fleet": "north", "kind": "tractor", "rule_set": "us", "home_shop": s} for u, s in homes.items()
    ]
    replace_units(store, pl.DataFrame(rows, schema=SCHEMA))
    with pytest.raises(PlanError, match="there are 2 shops; name one with --shop: quay, ridge"):
        planning.make(store, ASKED)
    made = planning.make(store, Asked("quay", "R. Okafor", "quay's plan", BEGIN, seconds=0.5))
    assert made.plan.reasons["job"].to_list() == ["b"]
    assert made.n_elsewhere == 1


@pytest.mark.parametrize(("who", "why"), [("", "x"), ("x", " ")])
def test_a_plan_of_nobody_or_for_nothing_is_refused(store: Store, who: str, why: str) -> None:
    with pytest.raises(PlanError, match="a plan needs who makes it and why"):
        planning.make(store, Asked(None, who, why, BEGIN))


def test_exports_hold_the_same_orders(store: Store) -> None:
    planning.make(store, ASKED)
    rows = json.loads(planning.exported(store, "json", None))["work_orders"]
    lines = list(csv.DictReader(io.StringIO(planning.exported(store, "csv", None).decode())))
    events = Calendar.from_ical(planning.exported(store, "ics", None)).walk("VEVENT")
    assert [row["work_order"] for row in rows] == [line["work_order"] for line in lines]
    assert len(events) == len(rows) == 3
    first = rows[0]
    assert (first["vehicle"], first["jobs"], first["start"]) == ("K-1", ["a"], "2031-03-03T07:00:00Z")
    assert (lines[0]["jobs"], lines[0]["start"]) == ("a", "2031-03-03T07:00:00Z")
    assert events[0]["DTSTART"].dt == datetime.fromisoformat("2031-03-03T07:00:00+00:00")


def test_the_sheet_of_a_stored_order(store: Store) -> None:
    planning.make(store, ASKED)
    order = orders(store).filter(vehicle="K-1")["work_order"].item()
    sheet = planning.sheet(store, order)
    assert (sheet.vehicle, sheet.jobs[0].job) == ("K-1", "a")
    with pytest.raises(PlanError, match="work order x: there is none"):
        planning.sheet(store, "x")


NOTIFY = """
time_zone = "UTC"
[role.shop]
changes = ["planned", "in_work", "cancelled", "repaired"]
[[person]]
name = "yard system"
role = "shop"
channels.hook = { url = "json://127.0.0.1:%d/work" }
"""


def test_each_change_of_state_is_posted_to_a_webhook_once(store: Store, webhook: Webhook, tmp_path: Path) -> None:
    telling = Telling(
        Notifier.open(parse_config(NOTIFY % webhook.port, tmp_path / "n.toml"), {}), "https://x.example.org"
    )
    planning.make(store, ASKED)
    order = orders(store).filter(vehicle="K-1")["work_order"].item()
    told = []
    for change in (None, "in_work", "done"):
        if change is not None:
            planning.carry_out(
                store, Deed(order, change, "M. Lindqvist", datetime.now(UTC).replace(tzinfo=None), "hose")
            )
        n_before = len(webhook.posted)
        tell_once(store, telling)
        assert tell_once(store, telling) == 0
        told.append(" ".join(str(body["title"]) for _, body in webhook.posted[n_before:]))
    assert told[0].count("work is planned") == 3
    assert told[1] == "K-1: air leak, primary tank (high, work on it has begun)"
    assert "repair reported" in told[2]
