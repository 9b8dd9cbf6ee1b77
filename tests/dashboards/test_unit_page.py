"""The unit page: notes, wheel ends, explanations, history."""

import polars as pl
import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, expect

from airwatch.derive.frames import READINGS
from airwatch.store.database import Store
from dashboards.app import create_app
from dashboards.axles import axle_sketch
from tests.dashboards.accounts import nobody
from tests.dashboards.conftest import serving

NOTES = "/api/v1/units/north/K-leak/notes"


@pytest.fixture
def changing(changed_store: Store) -> TestClient:
    with TestClient(create_app(changed_store, None, access=nobody())) as answering:
        yield answering


def test_a_note_is_corrected_by_another_and_both_stay(changing: TestClient) -> None:
    first = changing.post(NOTES, json={"who": "A. Diaz", "text": "gauge replaced  "}).json()
    assert (first["text"], first["corrects"], first["corrected_by"]) == ("gauge replaced", None, None)
    second = changing.post(NOTES, json={"who": "A. Diaz", "text": "gauge hose replaced", "corrects": first["note"]})
    assert second.status_code == 201
    told = changing.get(NOTES).json()["notes"]
    assert [(note["text"], note["corrected_by"]) for note in told] == [
        ("gauge replaced", second.json()["note"]),
        ("gauge hose replaced", None),
    ]
    page = changing.get("/units/north/K-leak").text
    assert page.index("Gauge hose replaced") < page.index('<li class="corrected"')
    again = changing.post(NOTES, json={"who": "A. Diaz", "text": "no", "corrects": first["note"]})
    assert again.status_code == 409
    assert "it is corrected already" in again.json()["detail"]


@pytest.mark.parametrize(
    ("body", "status", "says"),
    [
        ({"who": "A. Diaz", "text": "  "}, 422, "write something"),
        ({"who": "", "text": "x"}, 422, "who"),
        ({"who": "A. Diaz", "text": "x\u0000y"}, 422, "text"),
        ({"who": "A. Diaz", "text": "x", "corrects": "nothing"}, 409, "has no such note"),
    ],
)
def test_a_note_that_can_not_be_is_refused(changing: TestClient, body: dict[str, str], status: int, says: str) -> None:
    answer = changing.post(NOTES, json=body)
    assert answer.status_code == status
    assert says in answer.json()["detail"]


def test_notes_are_of_known_units_and_no_form_of_another_page_can_write_them(changing: TestClient) -> None:
    assert changing.post(NOTES.replace("K-leak", "K-404"), json={"who": "A", "text": "x"}).status_code == 404
    assert changing.post(NOTES, content="who=A&text=x", headers={"content-type": "text/plain"}).status_code == 415
    assert changing.get(NOTES).json()["total"] == 0


def fault(part: str | None, state: str, value: float) -> dict[str, object]:
    return {"check": "abs_fault", "measure": "count", "verdict": "fail", "part": part, "state": state, "value": value}


def test_wheel_ends_are_marked_by_state_with_the_chambers_of_the_registry() -> None:
    rows = [fault("axle 2 left", "active", 3.0), fault("axle 1 right", "cleared", 1.0), fault(None, "active", 1.0)]
    readings = pl.DataFrame(rows, schema=READINGS)
    registered = {"kind": "tractor", "axles": 3, "chambers": "1L:20;1R:20;2L:30L;3R:30"}
    sketch = axle_sketch(readings, registered)
    wheels = {wheel.name: (wheel.state, wheel.count, wheel.chamber) for wheel in sketch.wheels}
    assert len(wheels) == 6
    assert wheels["axle 2 left"] == ("active", 3, "30 long")
    assert wheels["axle 1 right"] == ("cleared", 1, "20")
    assert wheels["axle 3 right"] == ("none", 0, "30")
    assert sketch.elsewhere == [("no part named", "active")]
    assert not sketch.is_assumed


def test_axles_that_are_not_registered_are_assumed_and_never_fewer_than_codes_name() -> None:
    readings = pl.DataFrame([fault("axle 4 left", "active", 1.0)], schema=READINGS)
    assert len(axle_sketch(readings, None).wheels) == 8
    few = axle_sketch(readings, {"kind": "bus", "axles": 2, "chambers": None})
    assert len(few.wheels) == 8
    assert axle_sketch(readings.clear(), {"kind": "bus", "axles": None, "chambers": None}).is_assumed


def test_explanations_and_history_are_on_the_page(client: TestClient) -> None:
    page = client.get("/units/north/K-leak").text
    assert "What explains it, with what speaks for and against" in page
    assert "Leak, primary tank: opened" in page
    assert "Axle 1 left: 2 codes, intermittent." in client.get("/units/north/K-watch").text


@pytest.mark.browser
def test_a_note_is_written_and_corrected_on_the_page(browser: Browser, changed_store: Store) -> None:
    with serving(changed_store) as address:
        page = browser.new_page()
        page.goto(f"{address}units/north/K-quiet")
        page.get_by_role("textbox", name="Note").fill("drain valve weeps")
        page.get_by_label("Who writes").fill("A. Diaz")
        page.get_by_role("button", name="Write down").click()
        expect(page.locator(".told")).to_contain_text("Drain valve weeps")
        page.get_by_role("button", name="Correct this note").click()
        page.get_by_role("textbox", name="Note").fill("drain valve replaced")
        page.get_by_label("Who writes").fill("A. Diaz")
        page.get_by_role("button", name="Write down").click()
        expect(page.locator(".told li").first).to_contain_text("Drain valve replaced")
        expect(page.locator(".told .corrected")).to_contain_text("Drain valve weeps")
        page.close()
