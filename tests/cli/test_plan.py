"""`airwatch plan`: help, one line of error, and the way from a set-up to an export."""

import json
from pathlib import Path

import polars as pl
import pytest

from airwatch.alerts.frames import ALERTS
from airwatch.store.alerts import write_alerts
from airwatch.store.database import Store
from tests.conftest import Command
from tests.plan.orders import alert, alerts

EXAMPLE = Path(__file__).parents[2] / "deploy" / "shop.example.toml"
NEW = ("--who", "R. Okafor", "--why", "monday", "--from", "2031-03-03T06:00Z", "--seconds", "0.5")


@pytest.fixture
def db(tmp_path: Path) -> Path:
    path = tmp_path / "a.duckdb"
    with Store.open(path) as store:
        write_alerts(store, pl.DataFrame(schema=ALERTS), alerts(alert("a"), alert("b", "K-2")), [])
    return path


def test_from_a_set_up_to_an_export(command: Command, db: Path) -> None:
    done = command("plan", "shop", EXAMPLE, "--db", db, "--who", "R. Okafor", "--why", "new")
    assert (done.status, done.out) == (0, b"shop ridge: 2 bays, 2 people\n")
    made = command("plan", "make", "--db", db, *NEW)
    assert made.status == 0, made.error
    assert made.out.startswith(b"plan 1: 2 jobs in 2 visits, 0 do not fit; risk ")
    moved = command("plan", "move", "b", "--bay", "bay 1", "--start", "2031-03-04T13:00Z", "--db", db, *NEW)
    assert moved.status == 0, moved.error
    fixed = command("plan", "fix", "a", "--db", db, *NEW)
    assert fixed.status == 0, fixed.error
    shown = command("plan", "show", "--db", db).out.decode()
    assert "plan 3 of ridge" in shown
    assert "2031-03-04 13:00Z bay 1" in shown
    assert shown.count("(fixed)") == 2
    orders = json.loads(command("plan", "export", "--db", db).out)["work_orders"]
    assert {row["vehicle"] for row in orders} == {"K-1", "K-2"}
    sheet = command("plan", "sheet", orders[0]["work_order"], "--db", db)
    assert b"CAUTIONS" in sheet.out
    done = command(
        "plan", "order", orders[0]["work_order"], "done", "--db", db, "--who", "M. Lindqvist", "--why", "hose"
    )
    assert done.status == 0, done.error
    written = command("plan", "export", "--format", "ics", "-o", "work.ics", "--db", db)
    assert written.status == 0
    assert Path("work.ics").read_bytes().startswith(b"BEGIN:VCALENDAR\r\n")
    assert command("plan", "export", "--format", "csv", "--db", db).out.count(b"\n") == 3


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("show",), "no shop is set up; describe it first: airwatch plan shop FILE"),
        (("make", *NEW), "no shop is set up"),
        (("shop", "none.toml"), "none.toml: can't be read"),
        (("sheet", "x"), "work order x: there is none"),
        (("order", "x", "done", "--who", "a", "--why", "b"), "work order x: there is none"),
    ],
)
def test_what_can_not_be_done_is_one_line(command: Command, db: Path, arguments: tuple[str, ...], says: str) -> None:
    done = command("plan", *arguments, "--db", db)
    assert done.status == 1
    assert done.error.startswith(f"airwatch: {says}")
    assert done.error.count("\n") == 1


def test_without_a_plan_there_is_nothing_to_show(command: Command, db: Path) -> None:
    command("plan", "shop", EXAMPLE, "--db", db, "--who", "R. Okafor", "--why", "new")
    assert "there is no plan yet" in command("plan", "show", "--db", db).error
    assert "needs who gives it and why" in command("plan", "shop", EXAMPLE, "--db", db).error
    assert "it has no place in the plan" in command("plan", "fix", "a", "--db", db, *NEW).error


@pytest.mark.parametrize("name", ["make", "move", "fix", "show", "export", "sheet", "order", "shop"])
def test_each_command_explains_itself(command: Command, name: str) -> None:
    done = command("plan", name, "--help")
    assert done.status == 0
    assert b"--db" in done.out
