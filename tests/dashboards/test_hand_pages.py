"""Measurements by hand through page and API, in process."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from airwatch.hand.tables import shipped_tables
from airwatch.store.database import Store
from airwatch.store.registry import replace_units
from dashboards.alerts import data_now
from dashboards.app import create_app
from dashboards.hand_words import GROUPS
from tests.dashboards.accounts import nobody
from tests.hand.made import units

API = "/api/v1/units/north/K-1/hand"


@pytest.fixture
def shop(tmp_path: Path) -> Iterator[tuple[TestClient, Store]]:
    with Store.open(tmp_path / "shop.duckdb") as store:
        replace_units(store, units())
        yield TestClient(create_app(store, None, access=nobody()), raise_server_exceptions=False), store


def stroke(store: Store, id_: str, position: str, value: str, measure: str = "in", **more: object) -> dict[str, object]:
    taken = f"{data_now(store) - timedelta(minutes=3):%Y-%m-%dT%H:%M:%SZ}"
    row = {"id": id_, "taken_at": taken, "by": "Ada", "item": "stroke", "position": position}
    return {**row, "value": value, "measure": measure, **more}


def test_every_item_of_the_table_stands_in_one_group_of_the_form() -> None:
    shown = [item for _, _, items in GROUPS for item in items]
    assert sorted(shown) == sorted(shipped_tables().items)


def test_form_has_every_chamber_with_its_limit(shop: tuple[TestClient, Store]) -> None:
    page = shop[0].get("/units/north/K-1/hand").text
    # 49 CFR 393.47(e), clamp type: type 20 1 3/4 in, type 30 2 in
    assert page.count("limit 1 3/4 in (44.45 mm)") == 2
    assert page.count("limit 2 in (50.8 mm)") == 4
    assert "never clears a vehicle" in page


def test_entries_land_once_are_judged_and_count_in_the_share(shop: tuple[TestClient, Store]) -> None:
    client, store = shop
    sent = {"entries": [stroke(store, "a", "1L", "1 1/2"), stroke(store, "b", "2R", "2 1/2")]}
    first = client.post(f"{API}/entries", json=sent).json()
    assert [(row["id"], row["verdict"]) for row in first["landed"]] == [("a", "pass"), ("b", "fail")]
    again = client.post(f"{API}/entries", json=sent).json()
    assert (again["landed"], sorted(again["there_already"])) == ([], ["a", "b"])
    share = client.get(f"{API}/share").json()
    assert (share["count"], share["n_brakes"], share["n_measured"], share["verdict"]) == (1.0, 6, 2, "unknown")
    with_trailer = client.get(f"{API}/share", params={"trailer": "R-1"}).json()
    assert with_trailer["n_brakes"] == 10
    page = client.get("/units/north/K-1/hand").text
    assert "1 of 6 brakes (17 %)" in page
    assert "beyond limit (at most 2 in)" in page


def test_odd_value_is_asked_back_and_lands_when_confirmed(shop: tuple[TestClient, Store]) -> None:
    client, store = shop
    sent = {"entries": [stroke(store, "a", "1L", "3", "mm")]}
    asked = client.post(f"{API}/entries", json=sent).json()
    (question,) = asked["questions"]
    assert (question["id"], question["field"], question["may_insist"]) == ("a", "value", True)
    assert question["would_be"]
    assert client.get(f"{API}/entries").json()["entries"] == []
    landed = client.post(f"{API}/entries", json={**sent, "confirmed": ["a"]}).json()
    assert [row["id"] for row in landed["landed"]] == ["a"]
    assert "asked back and confirmed" in client.get("/units/north/K-1/hand").text


def test_correction_and_taking_back_keep_who_when_and_why(shop: tuple[TestClient, Store]) -> None:
    client, store = shop
    client.post(f"{API}/entries", json={"entries": [stroke(store, "a", "1L", "2")]})
    mended = {"entry": stroke(store, "b", "1L", "1 1/2"), "who": "Bo", "why": "read the wrong mark"}
    assert client.post(f"{API}/entries/a/corrections", json=mended).json()["landed"][0]["id"] == "b"
    other = {**mended, "entry": stroke(store, "c", "1L", "1 1/4")}
    refused = client.post(f"{API}/entries/a/corrections", json=other)
    assert (refused.status_code, refused.headers["content-type"]) == (409, "application/problem+json")
    nobody = client.post(f"{API}/entries/b/taking-back", json={"id": "d", "who": "", "why": "x"})
    assert nobody.status_code == 422
    history = client.post(f"{API}/entries/b/taking-back", json={"id": "d", "who": "Bo", "why": "other unit"}).json()
    assert [(row["id"], row["who"], row["reason"]) for row in history["versions"]] == [
        ("a", "Ada", None),
        ("b", "Bo", "read the wrong mark"),
        ("d", "Bo", "other unit"),
    ]
    assert client.get(f"{API}/entries").json()["entries"] == []
    page = client.get("/units/north/K-1/hand").text
    assert "taken back" in page
    assert "read the wrong mark" in page
    assert client.get(f"{API}/entries/z").status_code == 404


def test_csv_is_asked_back_by_line(shop: tuple[TestClient, Store]) -> None:
    client, store = shop
    t = f"{data_now(store) - timedelta(hours=1):%Y-%m-%dT%H:%M:%SZ}"
    text = (
        "unit,taken_at,by,item,position,value,measure,finding,note\n"
        f"K-1,{t},Ada,stroke,1L,1 1/2,in,,\nK-1,{t},Ada,stroke,1R,3,mm,,\n"
    )
    csv = {"Content-Type": "text/csv"}
    said = client.post("/api/v1/hand/imports", content=text, headers=csv).json()
    assert len(said["landed"]) == 1
    assert [(one["line"], one["may_insist"]) for one in said["questions"]] == [(3, True)]
    id_ = said["questions"][0]["id"]
    said = client.post("/api/v1/hand/imports", params={"confirmed": id_}, content=text, headers=csv).json()
    assert ([row["id"] for row in said["landed"]], len(said["there_already"])) == ([id_], 1)
    wrong = client.post("/api/v1/hand/imports", content="a,b\n", headers=csv)
    assert (wrong.status_code, wrong.json()["detail"][:11]) == (422, "File line 1")
    assert client.post("/api/v1/hand/imports", json={}).status_code == 415
    assert client.get("/hand/import").status_code == 200


def test_units_that_are_not_there_have_no_page(shop: tuple[TestClient, Store]) -> None:
    assert shop[0].get("/units/north/K-9/hand").status_code == 404
