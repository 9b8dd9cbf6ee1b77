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


@pytest.mark.parametrize(
    "name", ["make", "move", "fix", "show", "export", "sheet", "order", "shop", "book", "times", "held"]
)
def test_each_command_explains_itself(command: Command, name: str) -> None:
    done = command("plan", name, "--help")
    assert done.status == 0
    assert b"--db" in done.out


def test_appointments_and_home_times_are_taken(command: Command, db: Path) -> None:
    command("plan", "shop", EXAMPLE, "--db", db, "--who", "R. Okafor", "--why", "new")
    span = ("--start", "2031-03-03T13:00Z", "--end", "2031-03-03T23:00Z")
    told = ("--db", db, "--who", "R. Okafor", "--why", "yearly")
    for bay in ("bay 1", "bay 2"):
        assert command("plan", "book", f"hoist {bay}", "--bay", bay, *span, *told).status == 0
    command("plan", "make", "--db", db, *NEW)
    orders = json.loads(command("plan", "export", "--db", db).out)["work_orders"]
    assert min(row["start"] for row in orders) == "2031-03-04T13:00:00Z"
    Path("times.csv").write_text(
        "fleet,vehicle,start,end,state\nnorth,K-1,2031-03-03T00:00:00Z,2031-03-06T00:00:00Z,away\n"
    )
    done = command("plan", "times", "times.csv", "--db", db, "--who", "dispatch")
    assert (done.status, done.out) == (0, b"took 1 rows of times.csv\n")
    command("plan", "make", "--db", db, *NEW)
    orders = json.loads(command("plan", "export", "--db", db).out)["work_orders"]
    assert min(row["start"] for row in orders if row["vehicle"] == "K-1") >= "2031-03-06"
    assert b"fault" in command("plan", "held", "--db", db).out


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("north,K-1,2031-03-03T00:00:00Z,2031-03-02T00:00:00Z,away", "line 3: it ends before it starts"),
        ("north,K-1,yesterday,2031-03-02T00:00:00Z,away", "line 3: start and end are written like"),
        ("north,K-1,2031-03-01T00:00:00Z,2031-03-02T00:00:00Z,lost", "line 3: state is home, away or unknown"),
        ("north,,2031-03-01T00:00:00Z,2031-03-02T00:00:00Z,home", "line 3: fleet and vehicle are needed"),
    ],
)
def test_a_row_of_home_times_that_is_wrong_is_named(command: Command, db: Path, row: str, says: str) -> None:
    good = "north,K-2,2031-03-01T00:00:00Z,2031-03-02T00:00:00Z,home"
    Path("times.csv").write_text(f"fleet,vehicle,start,end,state\n{good}\n{row}\n")
    done = command("plan", "times", "times.csv", "--db", db, "--who", "dispatch")
    assert done.status == 1
    assert says in done.error
    with Store.open(db) as store:
        assert store.frame("FROM air.unit_times").is_empty()


@pytest.mark.parametrize(
    ("bay", "start", "who", "says"),
    [
        ("bay 9", "2031-03-03T13:00Z", "x", "there is no bay 'bay 9'; the shop has bay 1, bay 2"),
        ("bay 1", "2031-03-04T13:00Z", "x", "it ends before it starts"),
        ("bay 1", "2031-03-03T13:00Z", "", "it needs who makes it and why"),
    ],
)
def test_an_appointment_that_can_not_be_is_refused(
    command: Command, db: Path, bay: str, start: str, who: str, says: str
) -> None:
    command("plan", "shop", EXAMPLE, "--db", db, "--who", "R. Okafor", "--why", "new")
    span = ("--start", start, "--end", "2031-03-03T23:00Z")
    done = command("plan", "book", "hoist", "--bay", bay, *span, "--db", db, "--who", who, "--why", "yearly")
    assert done.status == 1
    assert says in done.error
