"""Plans and work orders through the API, in process."""

import csv
import io
import threading
from datetime import datetime
from typing import Any

import pytest
from fastapi.testclient import TestClient
from icalendar import Calendar

from airwatch.plan.orders import ACTIONS
from airwatch.store import plan as kept
from airwatch.store.alerts import alert_of, history_of
from airwatch.store.database import Store
from dashboards.app import create_app
from pipelines import plan as planning
from tests.dashboards.accounts import nobody
from tests.dashboards.alert_rows import LEAK, WEAK
from tests.dashboards.shop_fleet import SHOP, TUESDAY, WHO, repair_that_held
from tests.dashboards.test_api import STAMP, problem

PLAN, MOVES, FIXES, ORDERS = "/api/v1/plan", "/api/v1/plan/moves", "/api/v1/plan/fixes", "/api/v1/work-orders"


@pytest.fixture
def client(shop_store: Store) -> TestClient:
    return TestClient(create_app(shop_store, None, access=nobody()), raise_server_exceptions=False)


@pytest.fixture
def planned(client: TestClient) -> TestClient:
    assert client.post(PLAN, json=WHO).status_code == 201
    return client


def jobs(body: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["job"]: row for row in body["jobs"]}


def order_of(client: TestClient, job: str) -> str:
    return str(jobs(client.get(PLAN).json())[job]["work_order"])


def move(client: TestClient, job: str, **place: object) -> Any:
    return client.post(MOVES, json={**WHO, "jobs": [job], "bay": "bay 2", "start": TUESDAY, **place})


def done(**more: object) -> dict[str, object]:
    return {"change": "done", "who": "M. Lindqvist", "reason": "drain valve renewed", **more}


def test_without_a_shop_it_is_said_how_to_set_one_up(empty_client: TestClient) -> None:
    for path in (PLAN, f"{PLAN}.ics", f"{PLAN}.csv"):
        answer = empty_client.get(path)
        assert answer.status_code == 404
        assert "airwatch plan shop FILE" in problem(answer)
    assert empty_client.post(PLAN, json=WHO).status_code == 404
    assert empty_client.get(ORDERS).json()["total"] == 0
    assert empty_client.get("/api/v1/held").json() == {"held": []}


def test_without_a_plan_it_is_said_how_to_make_one(client: TestClient) -> None:
    answer = client.get(PLAN)
    assert answer.status_code == 404
    assert problem(answer) == "Shop ridge has no plan yet; make one: POST /api/v1/plan."


def test_a_plan_gives_places_reasons_and_how_good_it_is(client: TestClient) -> None:
    answer = client.post(PLAN, json=WHO)
    assert answer.status_code == 201
    body = answer.json()
    assert body == client.get(PLAN).json()
    assert (body["plan"], body["shop"], body["who"], body["why"]) == (1, "ridge", "R. Okafor", "week 6")
    assert body["begin"] == "2031-02-07T11:59:59.000Z"  # the newest data time: the clock is behind these data
    assert body["bound"] <= body["cost"] + 1e-9
    assert body["gap"] == pytest.approx((body["cost"] - body["bound"]) / body["cost"])
    placed = jobs(body)
    assert set(placed) == {LEAK, WEAK, "applied", "watch", "quiet"}
    assert placed[LEAK]["slot"] == "2031-02-07T13:00:00.000Z"  # the gravest comes in first, 07:00 in Chicago
    assert (placed[LEAK]["fault"], placed[LEAK]["severity"], placed[LEAK]["is_fixed"]) == (
        "leak_primary",
        "high",
        False,
    )
    assert placed[LEAK]["why"].startswith("Its limit is crossed already")
    assert STAMP.match(placed[WEAK]["parts_here"])
    assert placed[WEAK]["slot"] >= placed[WEAK]["parts_here"]
    assert all(row["work_order"] for row in placed.values())
    assert alert_states(client) == {"planned"}


def alert_states(client: TestClient) -> set[str]:
    return {row["state"] for row in client.get("/api/v1/alerts").json()["alerts"]}


def test_a_move_stays_and_the_rest_is_planned_around_it(planned: TestClient) -> None:
    before = jobs(planned.get(PLAN).json())
    answer = move(planned, "watch", of_plan=1)
    assert answer.status_code == 201
    body = answer.json()
    assert body["plan"] == 2
    moved = jobs(body)["watch"]
    assert (moved["bay"], moved["slot"], moved["is_fixed"]) == ("bay 2", "2031-02-11T13:00:00.000Z", True)
    assert moved["work_order"] == before["watch"]["work_order"]
    again = jobs(planned.post(PLAN, json=WHO).json())["watch"]
    assert (again["bay"], again["slot"]) == (moved["bay"], moved["slot"])


def test_others_make_room_for_a_move(planned: TestClient) -> None:
    first = "2031-02-07T13:00:00Z"
    assert {jobs(planned.get(PLAN).json())[job]["slot"] for job in (LEAK, "quiet")} == {"2031-02-07T13:00:00.000Z"}
    body = move(planned, "watch", bay="bay 1", start=first).json()
    placed = jobs(body)
    assert placed["watch"]["slot"] == placed[LEAK]["slot"]  # the gravest stays
    assert placed["quiet"]["slot"] > placed[LEAK]["slot"]  # 2 + 2 + 1.5 h are more than the five of the half day
    assert "K-watch" in placed["quiet"]["why"]


def test_visits_brought_together_keep_one_order(planned: TestClient) -> None:
    before = {order_of(planned, job) for job in (LEAK, "applied")}
    assert len(before) == 2
    placed = jobs(move(planned, LEAK, jobs=[LEAK, "applied"]).json())
    kept_order = placed[LEAK]["work_order"]
    assert placed["applied"]["work_order"] == kept_order
    states = {row["work_order"]: row["state"] for row in planned.get(ORDERS).json()["work_orders"]}
    assert (states[kept_order], [states[one] for one in before - {kept_order}]) == ("planned", ["cancelled"])


@pytest.mark.parametrize(
    ("place", "says"),
    [
        ({"start": "2031-02-12T13:00:00Z"}, "K-watch: bay 2 is not to be had on 12 Feb; choose another place."),
        ({"start": "2031-02-11T13:01:00Z"}, "No half day begins at 2031-02-11 13:01Z"),
        ({"start": "2031-02-11T07:00:00-06:00", "bay": "bay 9"}, "bay 9"),
        ({"jobs": ["nowhere"]}, "It is not among those to be planned; load the page again."),
        ({"jobs": [WEAK], "start": "2031-02-10T13:00:00Z"}, "K-weak: bay 2 has no pit"),
        ({"of_plan": 7}, "Plan 7 is not the one that holds any more"),
    ],
)
def test_a_move_that_can_not_be_is_refused_with_its_reason(
    planned: TestClient, shop_store: Store, place: dict[str, object], says: str
) -> None:
    answer = move(planned, "watch", **place)
    assert answer.status_code == 409
    assert says in problem(answer)
    assert kept.plans(shop_store).height == 1


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ({"who": " "}, "who: fill it in"),
        ({"why": ""}, "why: fill it in"),
        ({"who": "airwatch"}, "who: airwatch stands for changes that readings made"),
        ({"why": "a\x00"}, "why: control characters"),
        ({"days": 0}, "days"),
        ({"begin": "tomorrow"}, "begin: a time is written like"),
        ({"bay": "bay 1"}, "bay: extra inputs"),
    ],
)
def test_a_plan_of_nobody_or_for_nothing_is_refused(client: TestClient, body: dict[str, object], says: str) -> None:
    answer = client.post(PLAN, json={**WHO, **body})
    assert answer.status_code == 422
    assert says in problem(answer)


@pytest.mark.parametrize("path", [PLAN, MOVES, FIXES, f"{ORDERS}/x/changes"])
def test_forms_from_elsewhere_write_nothing(client: TestClient, path: str) -> None:
    assert client.post(path, content="{}", headers={"Content-Type": "text/plain"}).status_code == 415


def test_a_job_is_fixed_and_let_go(planned: TestClient) -> None:
    fixed = planned.post(FIXES, json={**WHO, "job": "quiet", "is_fixed": True}).json()
    assert jobs(fixed)["quiet"]["is_fixed"] is True
    freed = planned.post(FIXES, json={**WHO, "job": "quiet", "is_fixed": False}).json()
    assert jobs(freed)["quiet"]["is_fixed"] is False
    assert freed["plan"] == 3
    assert planned.post(FIXES, json={**WHO, "job": "nowhere", "is_fixed": True}).status_code == 409


def test_two_plans_are_not_made_at_a_time(planned: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    begun, go_on = threading.Event(), threading.Event()
    make = planning.make

    def slow(store: Store, asked: planning.Asked) -> planning.Made:
        begun.set()
        assert go_on.wait(60)
        return make(store, asked)

    monkeypatch.setattr(planning, "make", slow)
    answers: list[int] = []
    first = threading.Thread(target=lambda: answers.append(planned.post(PLAN, json=WHO).status_code))
    first.start()
    assert begun.wait(60)
    second = move(planned, "watch")
    assert planned.get(PLAN).json()["plan"] == 1  # reading goes on meanwhile
    go_on.set()
    first.join(60)
    assert (second.status_code, answers) == (409, [201])
    assert "Another plan is being made" in problem(second)


def test_with_several_shops_one_is_named(planned: TestClient, shop_store: Store) -> None:
    planning.set_up(shop_store, SHOP.replace('"ridge"', '"quay"'), "quay.toml", who="R. Okafor", why="second shop")
    answer = planned.get(PLAN)
    assert answer.status_code == 422
    assert problem(answer) == "There are 2 shops; name one with shop: quay, ridge."
    assert planned.get(PLAN, params={"shop": "ridge"}).json()["plan"] == 1
    assert planned.get(PLAN, params={"shop": "hill"}).status_code == 404
    assert planned.get(ORDERS, params={"shop": "quay"}).json()["total"] == 0


def test_feed_and_csv_hold_the_same_orders_as_the_list(planned: TestClient) -> None:
    listed = planned.get(ORDERS).json()["work_orders"]
    feed = planned.get(f"{PLAN}.ics")
    assert feed.headers["content-type"].startswith("text/calendar")
    assert feed.content == planned.get("/plan.ics").content
    events = Calendar.from_ical(feed.content).walk("VEVENT")
    begins = {str(event["DTSTART"].dt.astimezone(None).timestamp()) for event in events}
    assert begins == {str(datetime.fromisoformat(row["start"]).timestamp()) for row in listed}
    table = planned.get(f"{PLAN}.csv")
    assert table.headers["content-type"].startswith("text/csv")
    assert [row["work_order"] for row in csv.DictReader(io.StringIO(table.text))] == [r["work_order"] for r in listed]


def test_orders_are_listed_by_state_and_page(planned: TestClient) -> None:
    body = planned.get(ORDERS, params={"size": 2}).json()
    assert len(body["work_orders"]) == 2
    assert body["total"] == planned.get(ORDERS, params={"state": "planned"}).json()["total"]
    assert planned.get(ORDERS, params={"state": "done"}).json()["total"] == 0
    assert planned.get(f"{ORDERS}/nowhere").status_code == 404


def test_an_order_has_its_sheet_its_changes_and_what_may_be_done(planned: TestClient) -> None:
    body = planned.get(f"{ORDERS}/{order_of(planned, LEAK)}").json()
    (job,) = body["sheet"]
    assert job["first"][0].startswith("primary tank and its drain")
    assert job["explained"][0]["probability"] == pytest.approx(0.9179, abs=1e-4)
    assert any("at most 3 psi/min" in limit for row in job["fill"] for limit in row["limits"])
    assert any("Chock the wheels" in caution for caution in body["cautions"])
    assert [row["change"] for row in body["changes"]] == ["planned"]
    assert body["may"] == list(ACTIONS)
    assert body["before_after"] == []


def test_done_work_repairs_its_alerts_and_what_may_follow_is_checked(planned: TestClient, shop_store: Store) -> None:
    order = f"{ORDERS}/{order_of(planned, LEAK)}"
    begun = planned.post(f"{order}/changes", json={"change": "in_work", "who": "M. Lindqvist"})
    assert begun.status_code == 201
    assert begun.json()["may"] == ["done", "cancelled"]
    again = planned.post(f"{order}/changes", json={"change": "in_work", "who": "M. Lindqvist"})
    assert again.status_code == 409
    assert problem(again) == "It is in work and can't be in work; that follows on planned."
    unsaid = planned.post(f"{order}/changes", json=done(reason=""))
    assert unsaid.status_code == 422
    assert problem(unsaid) == "Done needs a reason; say what was found or done."
    ahead = planned.post(f"{order}/changes", json=done(at="2031-03-01T00:00:00Z"))
    assert ahead.status_code == 422
    assert "lies in the future" in problem(ahead)
    body = planned.post(f"{order}/changes", json=done(at="2031-02-07T11:30:00Z")).json()
    assert (body["state"], body["may"]) == ("done", [])
    assert body["changes"][-1]["at"] == "2031-02-07T11:30:00.000Z"
    assert alert_of(shop_store, LEAK)["state"].item() == "repaired"
    assert "drain valve renewed" in history_of(shop_store, [LEAK]).row(-1, named=True)["reason"]
    assert planned.post(f"{ORDERS}/nowhere/changes", json=done()).status_code == 404


def test_a_cancelled_order_leaves_its_alert_to_the_next_plan(planned: TestClient) -> None:
    order = order_of(planned, "watch")
    body = planned.post(f"{ORDERS}/{order}/changes", json=done(change="cancelled", reason="unit is out")).json()
    assert body["state"] == "cancelled"
    assert jobs(planned.post(PLAN, json=WHO).json())["watch"]["work_order"] not in (None, order)


def test_readings_before_and_after_the_work_are_compared_with_an_interval(planned: TestClient) -> None:
    """Two readings of 30 and 31, and one of 32 kPa/min, each with a half width of 1.

    The change of means is 1.5; errors that are independent add in quadrature (JCGM 100:2008, 5.1.2): the half width is
    sqrt(1/2 + 1).
    """
    order = order_of(planned, LEAK)
    body = planned.post(f"{ORDERS}/{order}/changes", json=done(at="2031-02-06T07:30:00Z")).json()
    (row,) = body["before_after"]
    assert (row["job"], row["check"], row["n_before"], row["n_after"]) == (LEAK, "leak_static", 2, 1)
    assert (row["before"], row["after"], row["change"]) == (30.5, 32.0, 1.5)
    assert row["upper"] - row["change"] == pytest.approx(1.5**0.5)
    assert row["change"] - row["lower"] == pytest.approx(1.5**0.5)


def test_repairs_that_held_are_counted_by_fault_and_shop(planned: TestClient, shop_store: Store) -> None:
    """One of one: Clopper and Pearson's lower limit is 0.025, that share to the power of one over one."""
    repair_that_held(shop_store)
    (row,) = [row for row in planned.get("/api/v1/held").json()["held"] if row["fault"] == "leak_primary"]
    assert (row["shop"], row["n_repairs"], row["n_held"], row["share"]) == ("ridge", 1, 1, 1.0)
    assert row["lower"] == pytest.approx(0.025)
    assert row["upper"] == 1.0
