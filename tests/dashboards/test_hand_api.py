"""Measurements by hand and campaigns over the API: sent, asked back, corrected, judged; forecast and scored."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from fastapi.testclient import TestClient

from airwatch.store.database import Store
from airwatch.store.registry import replace_units
from dashboards.app import create_app
from tests.dashboards.accounts import nobody
from tests.hand.made import units

OF_UNIT = "/api/v1/units/north/K-1/hand"
NOW = datetime.now(UTC)
TAKEN = f"{NOW - timedelta(hours=2):%Y-%m-%dT%H:%M:%SZ}"  # entries are forgotten with age, so it must be of late


@pytest.fixture
def client(tmp_path: Path) -> Iterator[TestClient]:
    with Store.open(tmp_path / "hand.duckdb") as store:
        replace_units(store, units())
        yield TestClient(create_app(store, None, access=nobody()), raise_server_exceptions=False)


def stroke(id_: str, position: str, value: Any, measure: str = "in") -> dict[str, Any]:
    return {
        "id": id_, "taken_at": TAKEN, "by": "Ada", "item": "stroke", "position": position, "value": value,
        "measure": measure,
    }  # fmt: skip


def send(client: TestClient, *entries: dict[str, Any], confirmed: tuple[str, ...] = ()) -> dict[str, Any]:
    answer = client.post(f"{OF_UNIT}/entries", json={"entries": list(entries), "confirmed": list(confirmed)})
    assert answer.status_code == 200, answer.text
    found: dict[str, Any] = answer.json()
    return found


def test_a_stroke_is_judged_by_its_chamber_and_lands_once(client: TestClient) -> None:
    """A type 30 clamp chamber's limit is 2 in (49 CFR 393.47(e)): 2 1/4 in is beyond it, 1 3/4 in is not."""
    first = send(client, stroke("a", "2L", "2 1/4"), stroke("b", "2R", "1 3/4"))
    assert {row["id"]: row["verdict"] for row in first["landed"]} == {"a": "fail", "b": "pass"}
    again = send(client, stroke("a", "2L", "2 1/4"))
    assert (again["landed"], again["there_already"]) == ([], ["a"])
    held = client.get(f"{OF_UNIT}/entries").json()["entries"]
    assert sorted(row["id"] for row in held) == ["a", "b"]


def test_what_looks_like_another_unit_is_asked_back_and_can_be_insisted_on(client: TestClient) -> None:
    odd = send(client, stroke("a", "2L", 45, "in"))  # 45 mm, typed as inches
    assert odd["landed"] == []
    assert odd["questions"]
    small = send(client, stroke("b", "2R", 4, "mm"))  # possible, and hardly ever true
    assert [row["id"] for row in small["questions"]] == ["b"]
    sure = send(client, stroke("b", "2R", 4, "mm"), confirmed=("b",))
    assert [row["id"] for row in sure["landed"]] == ["b"]


def test_a_correction_keeps_what_was_there(client: TestClient) -> None:
    send(client, stroke("a", "2L", "2 1/4"))
    asked = {"entry": stroke("a2", "2L", "1 1/4"), "who": "Ada", "why": "read at the wrong mark"}
    answer = client.post(f"{OF_UNIT}/entries/a/corrections", json=asked)
    assert answer.status_code == 200, answer.text
    assert [row["id"] for row in client.get(f"{OF_UNIT}/entries").json()["entries"]] == ["a2"]
    versions = client.get(f"{OF_UNIT}/entries/a2").json()["versions"]
    assert [row["id"] for row in versions] == ["a", "a2"]
    assert versions[1]["reason"] == "read at the wrong mark"
    twice = client.post(f"{OF_UNIT}/entries/a/corrections", json=asked | {"entry": stroke("a3", "2L", "1")})
    assert twice.status_code == 409


def test_two_of_ten_brakes_make_the_share(client: TestClient) -> None:
    """A fifth of a vehicle's brakes defective puts it out of service: two of ten (trade press; see the table)."""
    send(client, stroke("a", "2L", "2 1/2"), stroke("b", "2R", "2 1/2"))
    share = client.get(f"{OF_UNIT}/share", params={"trailer": "R-1"}).json()
    assert share["n_brakes"] == 10
    assert share["verdict"] == "fail"


def test_a_csv_names_the_line_that_can_not_be_read(client: TestClient) -> None:
    header = "unit,taken_at,by,item,position,value,measure,finding,note\n"
    good = f"K-1,{TAKEN},Ada,stroke,2L,1 3/4,in,,\n"
    csv = {"Content-Type": "text/csv"}
    answer = client.post("/api/v1/hand/imports", content=header + good, headers=csv)
    assert answer.status_code == 200, answer.text
    assert len(answer.json()["landed"]) == 1
    bad = client.post(
        "/api/v1/hand/imports", content=header + good + "K-1,yesterday,Ada,stroke,2L,1,in,,\n", headers=csv
    )
    assert bad.status_code == 422
    assert "line 3" in bad.json()["detail"]
    assert client.post("/api/v1/hand/imports", content="x", headers={"Content-Type": "text/plain"}).status_code == 415


def test_a_campaign_goes_from_set_up_to_its_score(client: TestClient) -> None:
    asked = {
        "id": "week", "fleet": "north", "name": "Spring check week", "first_day": f"{NOW + timedelta(days=3):%Y-%m-%d}",
        "last_day": f"{NOW + timedelta(days=7):%Y-%m-%d}", "items": ["stroke", "hoses"], "who": "Ada",
    }  # fmt: skip
    assert client.post("/api/v1/campaigns", json=asked).status_code == 201
    assert client.get("/api/v1/campaigns/week/forecast").status_code == 404
    made = client.post("/api/v1/campaigns/week/forecast", json={})
    assert made.status_code == 200, made.text
    answers = {(row["unit"], row["item"]): row["chance"] for row in made.json()["rows"]}
    assert answers["K-1", "hoses"] is None  # nobody looked: unknown is an answer
    send(client, stroke("s1", "1L", "1 1/4"), stroke("s2", "1R", "1 1/4"))
    send(client, *[stroke(f"s{p}", p, "2 1/2") for p in ("2L", "2R", "3L", "3R")])
    again = client.post("/api/v1/campaigns/week/forecast", json={}).json()
    chance = {(row["unit"], row["item"]): row["chance"] for row in again["rows"]}["K-1", "stroke"]
    assert chance is not None
    assert chance < 0.1
    outcome = {
        "id": "o1",
        "unit": "K-1",
        "item": "stroke",
        "passed": False,
        "seen_at": f"{NOW + timedelta(days=4):%Y-%m-%dT%H:%M:%SZ}",
    }
    recorded = client.post("/api/v1/campaigns/week/outcomes", json={"who": "Ada", "outcomes": [outcome]})
    assert recorded.json() == {"recorded": 1}
    scored = client.get("/api/v1/campaigns/week/score").json()
    assert scored["brier"]["score"] == pytest.approx(chance**2)
    figure = client.get("/api/v1/campaigns/week/score/figure").json()
    assert figure["data"]
