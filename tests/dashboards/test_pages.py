"""Every page, in process."""

import re

import pytest
from fastapi.testclient import TestClient

from airwatch.landing.subscriber import Health
from airwatch.store.database import Store
from dashboards.app import create_app
from dashboards.assets import plotly_script
from dashboards.words import CAUTIONS
from tests.dashboards.small_fleet import ORDER

PAGES = ("/", "/units/north/K-leak", "/units/north/K-never", "/landing", "/limits", "/api", "/nowhere")


def units_on(html: str) -> list[str]:
    return re.findall(r'href="/units/north/([^"?]+)', html)


@pytest.mark.parametrize("path", PAGES)
def test_each_page_has_the_cautions_strict_headers_and_no_inline_script(client: TestClient, path: str) -> None:
    answer = client.get(path)
    for caution in CAUTIONS:
        assert caution in answer.text
    policy = answer.headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["cache-control"] == "no-store"
    assert re.findall(r"<script(?![^>]*\bsrc=)", answer.text) == []
    assert re.findall(r"\s(?:style|on\w+)=", answer.text) == []


def test_fleet_lists_those_first_that_need_somebody(client: TestClient) -> None:
    html = client.get("/").text
    assert units_on(html) == list(ORDER)
    assert "7 of 8 units need attention" in html
    assert "silent is not the same as sound" in html
    assert "1 message was set aside" in html


def test_fleet_is_searched_on_the_server_and_a_page_too_far_is_the_last(client: TestClient) -> None:
    assert units_on(client.get("/", params={"q": "K-fail"}).text) == ["K-fail"]
    assert units_on(client.get("/", params={"page": 99}).text) == list(ORDER)
    assert "No unit matches this." in client.get("/", params={"q": "zeppelin"}).text


def test_unit_shows_value_interval_limit_source_and_verdict(client: TestClient) -> None:
    text = re.sub(r"<[^>]+>|\s+", " ", client.get("/units/north/K-fail").text)
    for words in (
        "beyond limit",
        "60.0 s",
        "95 %: 59.0 to 61.0 s",
        "limit at most 45.0 s",
        "5.1, test of air pressure build-up",
    ):
        assert words in text


def test_reading_within_its_limit_is_not_called_a_pass(client: TestClient) -> None:
    html = client.get("/units/north/K-quiet").text
    assert "within limit" in html
    assert not re.search(r">\s*(pass|OK|good|healthy)\s*<", html)


def test_pressures_are_shown_in_the_asked_unit_and_links_keep_it(client: TestClient) -> None:
    html = client.get("/units/north/K-quiet", params={"units": "psi"}).text
    assert "130.0 psi" in html
    assert 'href="/limits?units=psi"' in html
    assert "8.96 bar" in client.get("/units/north/K-quiet", params={"units": "bar"}).text


def test_unit_without_anything_says_so(client: TestClient) -> None:
    html = client.get("/units/north/K-never").text
    for words in ("Nothing has been heard from this unit.", "No alert. That clears nothing", "No pressure samples."):
        assert words in html


def test_silent_unit_says_that_what_it_shows_is_old(client: TestClient) -> None:
    assert "<b>Silent for 4 days.</b>" in client.get("/units/north/K-silent").text
    assert "Silent for" not in client.get("/units/north/K-leak").text


@pytest.mark.parametrize(
    ("path", "status", "says"),
    [
        ("/units/north/K-404", 404, "There is no unit &#39;K-404&#39; in fleet &#39;north&#39;"),
        ("/units/north/%3Cscript%3E", 404, "&lt;script&gt;"),
        ("/nowhere", 404, "There is nothing at /nowhere"),
        ("/?page=none", 422, "page: input should be a valid integer"),
    ],
)
def test_errors_are_pages_in_plain_words(client: TestClient, path: str, status: int, says: str) -> None:
    answer = client.get(path)
    assert answer.status_code == status
    assert says in answer.text
    assert "<script>" not in answer.text


def test_landing_shows_what_was_set_aside_and_how_the_subscriber_does(store: Store, client: TestClient) -> None:
    assert "air/v1/north/K-leak/pressure" in client.get("/landing").text
    health = Health(is_connected=False)
    with TestClient(create_app(store, health)) as live:
        assert "not connected to the broker" in live.get("/").text
        health.is_connected, health.failure, health.last_commit_s = True, "the store can't write: disk full", 1e9
        assert "disk full" in live.get("/").text
        assert "disk full" in live.get("/landing").text
        assert live.get("/api/v1/landing").json()["subscriber"]["last_commit"] == "2001-09-09T01:46:40.000Z"


def test_empty_store_has_pages(empty_client: TestClient) -> None:
    assert "The store has no units yet" in empty_client.get("/").text
    assert "None." in empty_client.get("/landing").text


def test_plotly_comes_from_the_package_and_may_be_kept(client: TestClient) -> None:
    path = f"/static/plotly-{plotly_script().version}.js"
    zipped = client.get(path)
    plain = client.get(path, headers={"Accept-Encoding": "identity"})
    assert zipped.headers["content-encoding"] == "gzip"
    assert zipped.content == plain.content == plotly_script().plain
    assert "max-age=31536000" in plain.headers["cache-control"]
    assert client.get("/static/plotly-0.0.0.js").status_code == 404
    assert client.get("/static/palette.css").headers["content-type"].startswith("text/css")


def test_a_failure_is_told_in_plain_words(store: Store) -> None:
    app = create_app(store, None)
    del app.state.health  # something that no handler foresees
    with TestClient(app, raise_server_exceptions=False) as broken:
        page, body = broken.get("/landing"), broken.get("/api/v1/landing")
    assert (page.status_code, body.status_code) == (500, 500)
    assert "the program&#39;s log says why" in page.text
    assert body.json()["detail"].endswith("log says why.")
    assert "content-security-policy" in page.headers


def test_only_known_hosts_are_answered_on_loopback(store: Store) -> None:
    with TestClient(create_app(store, None, hosts=["127.0.0.1"])) as strict:
        assert strict.get("/landing").status_code == 400
        assert strict.get("/landing", headers={"host": "127.0.0.1:8420"}).status_code == 200


def test_a_unit_shows_what_came_in_and_says_when_nothing_did(client: TestClient) -> None:
    page = client.get("/units/north/K-leak").text
    assert re.search(r'data-label="messages">3<.*?data-label="out of the ordinary:">nothing<', page, re.DOTALL)
    assert "Nothing that has been summed up yet." in client.get("/units/north/K-never").text
