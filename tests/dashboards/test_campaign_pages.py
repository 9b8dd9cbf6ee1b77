"""A campaign from set-up to score through the API, and its pages, in process."""

from datetime import timedelta
from pathlib import Path

from fastapi.testclient import TestClient

from airwatch.store.database import Store
from airwatch.store.registry import replace_units
from dashboards.alerts import data_now
from dashboards.app import create_app
from tests.dashboards.accounts import nobody
from tests.hand.made import units


def test_campaign_goes_from_set_up_to_score(tmp_path: Path) -> None:
    with Store.open(tmp_path / "shop.duckdb") as store:
        replace_units(store, units())
        client = TestClient(create_app(store, None, access=nobody()), raise_server_exceptions=False)
        day = data_now(store).date()
        asked = {
            "id": "c1", "name": "Check week", "fleet": "north", "first_day": f"{day}",
            "last_day": f"{day + timedelta(days=7)}", "items": ["stroke", "hoses"], "who": "Bo",
        }  # fmt: skip
        assert client.post("/api/v1/campaigns", json=asked).status_code == 201
        assert client.post("/api/v1/campaigns", json={**asked, "id": "c2", "items": ["paint"]}).status_code == 422
        assert "Check week" in client.get("/campaigns").text
        assert client.get("/api/v1/campaigns/c1/forecast").status_code == 404
        made = client.post("/api/v1/campaigns/c1/forecast", json={}).json()
        assert {row["answer"] for row in made["rows"]} == {"unknown"}
        page = client.get("/campaigns/c1").text
        assert "unknown" in page
        assert "Look at before then" in page
        sheet = client.get("/campaigns/c1/units/K-1/attention").text
        assert "Only the shop may touch" in sheet
        seen = f"{data_now(store) + timedelta(days=1):%Y-%m-%dT%H:%M:%SZ}"
        outcome = {"id": "o1", "unit": "K-1", "item": "stroke", "passed": True, "seen_at": seen}
        sent = {"who": "Bo", "outcomes": [outcome]}
        assert client.post("/api/v1/campaigns/c1/outcomes", json=sent).json() == {"recorded": 1}
        assert client.post("/api/v1/campaigns/c1/outcomes", json=sent).json() == {"recorded": 0}
        twice = {**sent, "outcomes": [{**outcome, "id": "o2"}]}
        assert client.post("/api/v1/campaigns/c1/outcomes", json=twice).status_code == 409
        score = client.get("/api/v1/campaigns/c1/score").json()
        assert (score["brier"], score["n_unknown"], score["n_unknown_passed"]) == (None, 1, 1)
        assert client.get("/api/v1/campaigns/c1/score/figure").status_code == 200
        assert client.get("/campaigns/c9").status_code == 404
