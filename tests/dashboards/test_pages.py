"""Every page, in process."""

import gzip
import hashlib
import re
from html import unescape

import pytest
from fastapi.testclient import TestClient
from plotly.offline import get_plotlyjs_version

from airwatch.landing.subscriber import Health
from airwatch.limits.table import shipped_limits
from airwatch.store.database import Store
from dashboards.app import create_app
from dashboards.assets import STATIC, plotly_script
from dashboards.words import CAUTIONS
from tests.dashboards.accounts import nobody
from tests.dashboards.small_fleet import ORDER

LEAK_ALERT = "/alerts/772011b3fce89477"
PAGES = (
    "/",
    "/alerts",
    LEAK_ALERT,
    "/alerts/nowhere",
    "/units/north/K-leak",
    "/units/north/K-never",
    "/landing",
    "/limits",
    "/api",
    "/nowhere",
)


def plain(html: str) -> str:
    """Give what a page says, without its tags."""
    return unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", html)))


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
    assert answer.headers["referrer-policy"] == "same-origin"
    assert answer.headers["cache-control"] == "no-store"
    assert re.findall(r"<script(?![^>]*\bsrc=)", answer.text) == []
    assert re.findall(r"\s(?:style|on\w+)=", answer.text) == []


def test_fleet_lists_those_first_that_need_somebody(client: TestClient) -> None:
    html = client.get("/").text
    assert units_on(html) == list(ORDER)
    assert "7 of 8 units need attention" in html
    assert "Silent is not the same as sound" in html
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


def test_pressures_are_shown_in_the_asked_unit_and_the_browser_keeps_it(client: TestClient) -> None:
    assert "130.0 psi" in client.get("/units/north/K-quiet", params={"units": "psi"}).text
    assert "130.0 psi" in client.get("/units/north/K-quiet").text
    assert "8.96 bar" in client.get("/units/north/K-quiet", params={"units": "bar"}).text


def test_pressures_are_in_the_unit_of_the_units_rule_set_unless_another_is_asked_for(client: TestClient) -> None:
    us, ontario = client.get("/units/north/K-watch").text, client.get("/units/north/K-silent").text
    assert "57.3 psi" in us  # 395 kPa
    assert "came on at 57.3 psi, between 56.9 and 58.0 psi" in us
    assert "kPa</dd>" not in us
    assert "896 kPa</dd>" in ontario
    assert "came on at 3.95 bar" in client.get("/units/north/K-watch", params={"units": "bar"}).text


def test_a_fleet_under_several_rule_sets_is_shown_in_kpa(client: TestClient) -> None:
    alert = "Primary tank leaks; parked {} at the test"
    assert alert.format("38.9 kPa/min") in plain(client.get("/").text)
    assert alert.format("5.64 psi/min") in plain(client.get("/", params={"units": "psi"}).text)


def test_unit_shows_test_part_state_and_the_newest_of_each_kind(client: TestClient) -> None:
    html = client.get("/units/north/K-watch").text
    text = re.sub(r"(?:<[^>]+>|\s+)+", " ", html)
    assert html.count("<h3>Build-up, another span</h3>") == 2
    assert "66.0 s" not in text  # an older one of the same test
    for words in ("345-620 kPa, primary circuit", "0-80% of cut-out, primary circuit", "axle 1 left", "intermittent"):
        assert words in text


def test_unit_shows_what_other_rules_of_the_topic_say(client: TestClient) -> None:
    html = client.get("/units/north/K-watch").text
    warning = html[html.index("Low-air warning comes on") :]
    others = warning[warning.index("<details") : warning.index("</details>")]
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", "", others))
    assert "at least 55.0 psi or 50 % of the cut-out, whichever is less" in text
    assert "Ontario: Ontario air brake handbook" in text
    assert "not confirmed" in text
    assert "at least 55.1 psi (380 kPa)" in text
    assert "no figure: UN Regulation 13: UN Regulation 13 (equivalent EU text), 5.2.1.13: by function" in text
    assert "us-cdl-low-air-older" not in others  # it has the same 60 psi
    assert others.index("us-393-51-low-air") < others.index("any-low-air") < others.index("ca-on-low-air")
    assert "rules say otherwise" in text


def test_limits_have_every_row_with_its_figure_as_its_source_has_it(client: TestClient) -> None:
    html = client.get("/limits", params={"units": "kPa"}).text
    assert all(f'<tr id="{limit.id}"' in html for limit in shipped_limits())
    text = re.sub(r"(?:<[^>]+>|\s+)+", " ", html)
    for words in (
        "138 to 310 kPa 20 to 45 psi in the source",
        "at most 1.7 kPa/min 0.05 MPa/30 min in the source",
        "at most 120.0 s at 900 1/min",
        "only shown, judges nothing",
        "no figure",
        "(Texas)",
    ):
        assert words in text


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
    with TestClient(create_app(store, health, access=nobody())) as live:
        assert "not connected to the broker" in live.get("/").text
        health.is_connected, health.failure, health.last_commit_s = True, "the store can't write: disk full", 1e9
        assert "disk full" in live.get("/").text
        assert "disk full" in live.get("/landing").text
        assert live.get("/api/v1/landing").json()["subscriber"]["last_commit"] == "2001-09-09T01:46:40.000Z"


def test_empty_store_has_pages(empty_client: TestClient) -> None:
    assert "The store has no units yet" in empty_client.get("/").text
    assert "None." in empty_client.get("/landing").text


def test_plotlys_script_is_of_the_version_that_figures_are_made_for() -> None:
    assert plotly_script().version.split(".")[0] == get_plotlyjs_version().split(".")[0]
    assert hashlib.sha256(plotly_script().plain).hexdigest() in (STATIC / "plotly" / "README.md").read_text("utf-8")


def test_scripts_and_styles_are_small() -> None:
    files = [*STATIC.glob("*.js"), *STATIC.glob("*.css")]
    own = sum(len(gzip.compress(file.read_bytes())) for file in files)
    assert own + len(plotly_script().zipped) < 1_500_000


def test_plotly_may_be_kept(client: TestClient) -> None:
    path = f"/static/plotly-{plotly_script().version}.js"
    zipped = client.get(path)
    plain = client.get(path, headers={"Accept-Encoding": "identity"})
    assert zipped.headers["content-encoding"] == "gzip"
    assert zipped.content == plain.content == plotly_script().plain
    assert "max-age=31536000" in plain.headers["cache-control"]
    assert client.get("/static/plotly-0.0.0.js").status_code == 404
    assert client.get("/static/palette.css").headers["content-type"].startswith("text/css")


def test_a_failure_is_told_in_plain_words(store: Store) -> None:
    app = create_app(store, None, access=nobody())
    del app.state.health  # something that no handler foresees
    with TestClient(app, raise_server_exceptions=False) as broken:
        page, body = broken.get("/landing"), broken.get("/api/v1/landing")
    assert (page.status_code, body.status_code) == (500, 500)
    assert "the program&#39;s log says why" in page.text
    assert body.json()["detail"].endswith("log says why.")
    assert "content-security-policy" in page.headers


def test_only_known_hosts_are_answered_on_loopback(store: Store) -> None:
    with TestClient(create_app(store, None, hosts=["127.0.0.1"], access=nobody())) as strict:
        assert strict.get("/landing").status_code == 400
        assert strict.get("/landing", headers={"host": "127.0.0.1:8420"}).status_code == 200


def test_a_unit_shows_what_came_in_and_says_when_nothing_did(client: TestClient) -> None:
    page = client.get("/units/north/K-leak").text
    assert re.search(r'data-label="messages">3<.*?data-label="out of the ordinary:">nothing<', page, re.DOTALL)
    assert "Nothing that has been summed up yet." in client.get("/units/north/K-never").text


def test_times_are_shown_in_the_chosen_zone_and_sentences_too(client: TestClient) -> None:
    # 2031-02-07 11:59 UTC; New York keeps Eastern Standard Time, UTC-5, in February (IANA time zone database).
    assert "2031-02-07 11:59</time>" in client.get("/").text
    there = client.get("/", params={"zone": "America/New_York"}).text
    assert "2031-02-07 06:59</time>" in there
    assert "All times are of America/New_York" in client.get("/limits").text
    assert "All times are UTC" in client.get("/limits", params={"zone": "Nowhere/Such"}).text
    assert (
        "<option selected>America/New_York</option>" in client.get("/display", params={"zone": "America/New_York"}).text
    )


def test_a_choice_is_kept_in_a_cookie_that_scripts_and_other_sites_do_not_get(client: TestClient) -> None:
    kept = client.get("/display", params={"units": "bar"}).headers["set-cookie"]
    assert kept.startswith("units=bar;")
    assert "HttpOnly" in kept
    assert "SameSite=lax" in kept
    assert "set-cookie" not in client.get("/display", params={"units": "furlong"}).headers


def test_fleet_is_narrowed_by_data_and_sorted(client: TestClient) -> None:
    assert units_on(client.get("/", params={"data": "silent"}).text) == ["K-silent"]
    assert units_on(client.get("/", params={"data": "never"}).text) == ["K-never"]
    assert units_on(client.get("/", params={"order": "unit"}).text) == sorted(ORDER)
    assert units_on(client.get("/", params={"order": "heard", "shop": "ridge"}).text)[0] == "K-silent"
    assert "8 of 8 units" in client.get("/", params={"fleet": "north"}).text
    assert units_on(client.get("/", params={"fleet": "south"}).text) == []


def test_fleet_draws_what_drives_the_rank(client: TestClient) -> None:
    html = client.get("/").text
    assert html.count('<svg class="spark"') == 1  # one unit has its readings on two days
    assert "Build-up, 85 to 100 psi, median of each day, 05 Feb to 07 Feb" in html
