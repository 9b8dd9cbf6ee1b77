"""Alerts and their changes through the API, in process."""

from datetime import datetime, timedelta

import pytest
from fastapi.testclient import TestClient

from airwatch.alerts.lifecycle import ACTIONS, STATES, AlertState, next_state
from airwatch.store.alerts import alert_of, history_of, write_alerts
from airwatch.store.database import Store
from dashboards.alerts import allowed_changes
from dashboards.app import create_app
from tests.dashboards.accounts import nobody
from tests.dashboards.alert_rows import LEAK, WEAK, change_row, history_row
from tests.dashboards.small_fleet import NEWEST
from tests.dashboards.test_api import STAMP, problem

PATH = f"/api/v1/alerts/{LEAK}"
CHANGES = f"{PATH}/changes"
WHO = "R. Okafor, ridge shop"

# What may follow on what; written out here so that a slip in the table shows.
MAY = {
    "open": {"acknowledged", "planned", "repaired", "dismissed", "silenced", "noted"},
    "acknowledged": {"planned", "repaired", "dismissed", "reopened", "silenced", "noted"},
    "planned": {"planned", "repaired", "dismissed", "reopened", "silenced", "noted"},
    "repaired": {"dismissed", "reopened", "noted"},
    "verified": {"reopened", "noted"},
    "dismissed": {"reopened", "noted"},
}


@pytest.fixture
def changing(changed_store: Store) -> TestClient:
    return TestClient(create_app(changed_store, None, access=nobody()), raise_server_exceptions=False)


def asked(change: str, **more: object) -> dict[str, object]:
    until = {"until": "2031-03-01T00:00:00Z"} if change == "silenced" else {}
    return {"change": change, "who": WHO, "reason": "as found at the ramp", **until, **more}


def test_alert_has_details_history_and_what_may_be_done(client: TestClient) -> None:
    body = client.get(PATH).json()
    assert (body["id"], body["unit"], body["state"], body["silenced_until"]) == (LEAK, "K-leak", "open", None)
    best, second = body["details"]["explanations"][:2]
    assert (best["fault"], best["circuit"]) == ("leak_primary", "primary")
    assert best["inspect"].startswith("primary tank and its drain")
    assert best["probability"] > second["probability"]
    assert best["evidence"][0]["seen"].startswith("parked: only the primary tank fell")
    assert best["evidence"][0]["speaks"] > 0 > second["evidence"][0]["speaks"]
    assert body["details"]["beyond_since"] == "2031-02-06T07:00:00.000Z"
    assert body["details"]["measured"]["limit"] == pytest.approx(20.684271)
    (opened,) = body["history"]
    assert (opened["change"], opened["who"], opened["at"]) == ("opened", "airwatch", "2031-02-06T07:00:00.000Z")
    assert STAMP.match(opened["recorded"])
    assert set(body["may"]) == MAY["open"]


def test_list_has_details_and_is_narrowed_by_severity_and_fault(client: TestClient) -> None:
    listed = {row["id"]: row for row in client.get("/api/v1/alerts").json()["alerts"]}
    assert listed[LEAK]["details"]["explanations"]
    assert listed[WEAK]["details"]["rule"] == {"of_last": 4, "at_least": 3}
    assert listed[WEAK]["crossing_likely"] is None
    found = client.get("/api/v1/alerts", params={"severity": "medium"}).json()["alerts"]
    assert [row["id"] for row in found] == [WEAK]
    assert client.get("/api/v1/alerts", params={"fault": "leak_primary"}).json()["total"] == 1
    of_unit = client.get("/api/v1/units/north/K-leak").json()["alerts"]
    assert of_unit == [listed[LEAK]]


def test_units_name_the_alert_that_ranks_them(client: TestClient) -> None:
    rows = {row["unit"]: row["alert"] for row in client.get("/api/v1/units").json()["units"]}
    assert (rows["K-leak"], rows["K-weak"], rows["K-quiet"]) == (LEAK, WEAK, None)


@pytest.mark.parametrize("state", STATES)
def test_every_change_is_made_or_refused_as_its_state_says(changed_store: Store, state: AlertState) -> None:
    client = TestClient(create_app(changed_store, None, access=nobody()), raise_server_exceptions=False)
    assert set(allowed_changes(state)) == MAY[state]
    for change in ACTIONS:
        change_row(changed_store, LEAK, state=state)
        n_before = history_of(changed_store, [LEAK]).height
        answer = client.post(CHANGES, json=asked(change))
        row = alert_of(changed_store, LEAK).row(0, named=True)
        if change in MAY[state]:
            assert answer.status_code == 201, (change, answer.text)
            body = answer.json()
            assert body["state"] == row["state"] == next_state(change, state)
            written = body["history"][-1]
            assert (written["change"], written["who"], written["reason"]) == (change, WHO, "as found at the ramp")
            assert written["at"] == "2031-02-07T11:59:59.000Z"  # the newest data time: the clock is behind these data
        else:
            assert answer.status_code == 409, (change, answer.text)
            assert problem(answer).startswith(f"It is {state} and can't be {change}")
            assert row["state"] == state
            assert history_of(changed_store, [LEAK]).height == n_before


def test_a_repair_that_did_not_hold_comes_back_open_at_once(changing: TestClient) -> None:
    before_all_readings = "2031-02-06T06:00:00+01:00"
    body = changing.post(CHANGES, json=asked("repaired", at=before_all_readings)).json()
    assert body["state"] == "open"
    assert [(row["change"], row["who"]) for row in body["history"]] == [
        ("opened", "airwatch"),
        ("repaired", WHO),
        ("reopened", "airwatch"),
    ]
    assert body["history"][1]["at"] == "2031-02-06T05:00:00.000Z"


def test_a_silence_shows_its_end_while_it_lasts(changing: TestClient) -> None:
    assert changing.post(CHANGES, json=asked("silenced")).json()["silenced_until"] == "2031-03-01T00:00:00.000Z"
    assert changing.get("/api/v1/units/north/K-leak").json()["alerts"][0]["silenced_until"] is not None
    short = asked("silenced", at="2031-02-01T00:00:00Z", until="2031-02-02T00:00:00Z")
    weak = f"/api/v1/alerts/{WEAK}/changes"
    assert changing.post(weak, json=short).json()["silenced_until"] is None


@pytest.mark.parametrize(
    ("body", "says"),
    [
        (asked("acknowledged", who="  "), "Acknowledged needs who did it"),
        (asked("planned", reason=" \n"), "Planned needs a reason"),
        (asked("dismissed", reason=""), "Dismissed needs a reason"),
        (
            {"change": "silenced", "who": WHO, "reason": "parts on order"},
            "A silence needs an end after 2031-02-07 11:59",
        ),
        (asked("silenced", until="2031-02-01T00:00:00Z"), "A silence needs an end after"),
        (asked("repaired", at="2031-02-08T00:00:00Z"), "at: 2031-02-08 00:00 UTC lies in the future"),
        (asked("repaired", at="0001-01-01T00:00:00+05:00"), "outside the calendar"),
        (asked("mended"), "change: input should be 'acknowledged'"),
        (asked("verified"), "change: input should be"),
        (asked("opened"), "change: input should be"),
        ({"change": "noted", "reason": "why"}, "who: field required"),
        (asked("noted", who="Airwatch "), "airwatch stands for changes that readings made"),
        (asked("noted", who="x" * 101), "who: string should have at most 100 characters"),
        (asked("noted", reason="x" * 2001), "reason: string should have at most 2000 characters"),
        (asked("noted", reason="a\x00b"), "control characters"),
        (asked("noted", who=5), "who: input should be a valid string"),
        (asked("noted", at=1_700_000_000), "at: a time is written like 2031-02-03T11:20:00Z (RFC 3339"),
        (asked("noted", at="2031-02-03"), "RFC 3339"),
        (asked("noted", at="2031-02-03T11:20:00"), "RFC 3339"),
        (asked("noted", severity="low"), "severity: extra inputs are not permitted"),
        ([], "input should be a valid dictionary"),
    ],
)
def test_a_change_that_lacks_something_is_a_422_in_one_line(client: TestClient, body: object, says: str) -> None:
    answer = client.post(CHANGES, json=body)
    assert answer.status_code == 422
    detail = problem(answer)
    assert says in detail
    assert "\n" not in detail
    assert len(client.get(PATH).json()["history"]) == 1


def test_a_lone_surrogate_is_refused(client: TestClient) -> None:
    raw = b'{"change": "noted", "who": "x", "reason": "\\ud800"}'
    answer = client.post(CHANGES, content=raw, headers={"Content-Type": "application/json"})
    assert answer.status_code == 422


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data", "", None])
def test_only_json_is_taken_so_that_no_form_from_elsewhere_can_post(client: TestClient, kind: str | None) -> None:
    raw = b'{"change": "dismissed", "who": "x", "reason": "y"}'
    answer = client.post(CHANGES, content=raw, headers={} if kind is None else {"Content-Type": kind})
    assert answer.status_code == 415
    assert "Content-Type: application/json" in problem(answer)
    assert client.get(PATH).json()["state"] == "open"


@pytest.mark.parametrize("kind", ["application/vnd.api+json", "application/problem+json", "application/jsonp"])
def test_what_only_resembles_json_is_not_taken(client: TestClient, kind: str) -> None:
    raw = b'{"change": "dismissed", "who": "x", "reason": "y"}'
    answer = client.post(CHANGES, content=raw, headers={"Content-Type": kind})
    assert answer.status_code == 415
    assert client.get(PATH).json()["state"] == "open"


def test_no_other_origin_is_let_in(client: TestClient) -> None:
    headers = {"Origin": "http://elsewhere.example", "Access-Control-Request-Method": "POST"}
    answer = client.options(CHANGES, headers=headers)
    assert answer.status_code == 405
    assert "access-control-allow-origin" not in answer.headers


@pytest.mark.parametrize(
    ("method", "path"),
    [("GET", ""), ("GET", "/figure"), ("POST", "/changes")],
)
def test_an_alert_that_is_not_there_is_a_404(client: TestClient, method: str, path: str) -> None:
    answer = client.request(method, f"/api/v1/alerts/none{path}", json=asked("noted") if method == "POST" else None)
    assert answer.status_code == 404
    assert problem(answer) == "There is no alert 'none'; see /alerts for those there are."


def test_a_withdrawn_alert_says_why_it_is_gone(changing: TestClient, changed_store: Store) -> None:
    row = history_row("withdrawn", NEWEST, "withdrawn", who="airwatch", reason="later messages changed the readings")
    before = alert_of(changed_store, LEAK)
    write_alerts(changed_store, before, before.clear(), [row])
    says = "any more: it was withdrawn, later messages changed the readings."
    assert says in problem(changing.get(PATH))


def test_details_that_can_not_be_read_do_not_hide_the_alert(
    changing: TestClient, changed_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    for details in ("", "{", '{"explanations": 5}'):
        change_row(changed_store, LEAK, details=details)
        assert changing.get(PATH).json()["details"] is None
        assert changing.get("/api/v1/alerts").json()["total"] == 2
        assert changing.get(f"/alerts/{LEAK}").status_code == 200
        assert changing.get(f"{PATH}/figure").status_code == 200
    assert "its details can't be read" in caplog.text


def test_figure_shows_the_readings_the_limit_and_what_happened(changing: TestClient, changed_store: Store) -> None:
    change_row(
        changed_store,
        LEAK,
        crossing_early=NEWEST,
        crossing_likely=NEWEST + timedelta(hours=20),
        crossing_late=NEWEST + timedelta(days=300),
    )
    changing.post(CHANGES, json=asked("repaired", at="2031-02-07T09:00:00Z"))
    figure = changing.get(f"{PATH}/figure", params={"units": "psi"}).json()
    marks, crossing = [trace for trace in figure["data"] if trace["x"] != [None]]
    assert len(marks["x"]) == 3
    assert max(marks["y"]) == pytest.approx(38.949 / 6.894757, abs=0.01)
    assert len(marks["error_y"]["array"]) == 3
    assert crossing["x"][1] == "2031-02-08 08:00:00.000"
    assert crossing["y"] == pytest.approx([3.0] * 3, abs=1e-6)
    texts = [note["text"] for note in figure["layout"]["annotations"]]
    assert texts == ["at most 3.00 psi/min, combination", "opened", "repaired"]
    uprights = [shape for shape in figure["layout"]["shapes"] if shape["x0"] == shape["x1"]]
    assert [shape["x0"] for shape in uprights] == ["2031-02-06 07:00:00.000", "2031-02-07 09:00:00.000"]
    shown_to = datetime.fromisoformat(figure["layout"]["xaxis"]["range"][1])
    assert shown_to < NEWEST + timedelta(days=5)  # a crossing far away does not squeeze what was measured


def test_figure_of_an_alert_by_count_shows_the_check_of_its_rule(client: TestClient) -> None:
    figure = client.get(f"/api/v1/alerts/{WEAK}/figure").json()
    assert sorted(y for trace in figure["data"] for y in trace["y"] if y) == [40.0] * 4


def test_figure_of_a_trailer_has_the_readings_of_all_that_towed_it(changing: TestClient, changed_store: Store) -> None:
    with changed_store.transaction() as write:
        write.execute("UPDATE air.readings SET trailer = 'R-7' WHERE unit IN ('K-leak', 'K-quiet')")
    change_row(changed_store, LEAK, fault="leak_trailer", trailer="R-7")
    figure = changing.get(f"{PATH}/figure").json()
    assert sum(len(trace["x"]) for trace in figure["data"] if trace["x"] != [None]) == 4  # one of them of K-quiet
