"""Plans, set-ups, appointments and work orders in the store: added to, never altered."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest

from airwatch.plan.frames import APPOINTMENTS, UNIT_TIMES
from airwatch.plan.orders import ORDER_CHANGES, Deed, current_orders, deed_done, orders_after
from airwatch.store import plan as kept
from airwatch.store.database import Store
from tests.plan.orders import visit, visits
from tests.plan.small import BEGIN, MORNING, NOON


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "a.duckdb") as opened:
        yield opened


def count(store: Store, table: str) -> int:
    return store.frame(f"FROM air.{table}").height


def test_the_last_set_up_of_each_shop_holds_and_the_others_stay(store: Store) -> None:
    assert kept.setups(store).is_empty()
    assert kept.add_setup(store, "ridge", "first", who="R. Okafor", why="new shop") == 1
    assert kept.add_setup(store, "quay", "other", who="R. Okafor", why="new shop") == 2
    assert kept.add_setup(store, "ridge", "second", who="M. Lindqvist", why="a third bay") == 3
    assert kept.setups(store).select("shop", "setup", "description").rows() == [
        ("quay", 2, "other"),
        ("ridge", 3, "second"),
    ]
    assert count(store, "shop_setups") == 3


def test_an_appointment_is_kept_until_it_is_cancelled(store: Store) -> None:
    row = pl.DataFrame([("x", "bay 1", MORNING, NOON, None, None, "hoist")], schema=APPOINTMENTS, orient="row")
    kept.add_appointment(store, "ridge", row, state="kept", who="R. Okafor", why="yearly")
    assert kept.appointments(store, "ridge").equals(row)
    assert kept.appointments(store, "quay").is_empty()
    moved = row.with_columns(bay=pl.lit("bay 2"))
    kept.add_appointment(store, "ridge", moved, state="kept", who="R. Okafor", why="bay 1 is needed")
    assert kept.appointments(store, "ridge").equals(moved)
    kept.add_appointment(store, "ridge", moved, state="cancelled", who="R. Okafor", why="postponed")
    assert kept.appointments(store, "ridge").is_empty()
    assert count(store, "appointments") == 3


def test_the_last_word_on_when_a_vehicle_is_home_holds(store: Store) -> None:
    def say(state: str) -> None:
        row = pl.DataFrame([("north", "K-1", MORNING, NOON, state)], schema=UNIT_TIMES, orient="row")
        kept.add_unit_times(store, row, who="dispatch")

    for state, there in (("home", ["home"]), ("away", ["away"]), ("unknown", [])):
        say(state)
        assert kept.unit_times(store)["state"].to_list() == there
    assert count(store, "unit_times") == 3


def plan_row(number: int, shop: str = "ridge") -> pl.DataFrame:
    row = {
        "plan": number, "shop": shop, "setup": 1, "recorded": BEGIN + timedelta(minutes=number), "who": "R. Okafor",
        "why": "monday", "begin": BEGIN, "end": NOON, "risk": 1.5, "cost": 2.0, "bound": 1.9, "seconds": 0.5,
        "found_by": "search",
    }  # fmt: skip
    return pl.DataFrame([row], schema=kept.PLANS)


def job_row(number: int, job: str, slot: object) -> pl.DataFrame:
    row = {
        "plan": number, "job": job, "fleet": "north", "vehicle": "K-1", "bay": "bay 1" if slot else None, "slot": slot,
        "is_fixed": False, "is_late": False, "why": "because",
    }  # fmt: skip
    return pl.DataFrame([row], schema=kept.PLAN_JOBS)


def test_plans_have_versions_and_orders_their_story(store: Store) -> None:
    first = orders_after(
        pl.DataFrame(schema=ORDER_CHANGES), visits(visit(0, "K-1", ["a"])), plan=1, shop="ridge", who="R. Okafor",
        recorded=BEGIN,
    )  # fmt: skip
    assert kept.next_plan(store) == 1
    kept.add_plan(store, plan_row(1), pl.concat([job_row(1, "b", None), job_row(1, "a", MORNING)]), first)
    assert kept.next_plan(store) == 2
    second = orders_after(
        current_orders(kept.order_changes(store)), visits(visit(0, "K-1", ["a"], NOON)), plan=2, shop="ridge",
        who="R. Okafor", recorded=BEGIN,
    )  # fmt: skip
    kept.add_plan(store, plan_row(2), job_row(2, "a", NOON), second)
    kept.add_plan(store, plan_row(3, "quay"), job_row(3, "z", NOON), second.clear())
    assert kept.newest_plan(store, "ridge").equals(plan_row(2))
    assert kept.plans(store)["plan"].to_list() == [1, 2, 3]
    assert kept.plan_jobs(store, 1)["job"].to_list() == ["a", "b"]
    order = first["work_order"].item()
    done = deed_done(current_orders(kept.order_changes(store)), Deed(order, "done", "M. Lindqvist", NOON, "hose"), NOON)
    kept.add_order_changes(store, done)
    story = kept.order_changes(store)
    assert story.schema == ORDER_CHANGES
    assert story.select("change", "sequence").rows() == [("planned", 0), ("moved", 1), ("done", 2)]


def test_a_plan_is_written_whole_or_not_at_all(store: Store) -> None:
    broken = job_row(1, "a", MORNING).with_columns(why=pl.lit(None, pl.String))
    with pytest.raises(Exception, match="NOT NULL"):
        kept.add_plan(store, plan_row(1), broken, pl.DataFrame(schema=ORDER_CHANGES))
    assert kept.plans(store).is_empty()
