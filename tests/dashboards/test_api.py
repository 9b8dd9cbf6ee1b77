"""Every route of the API, in process."""

import re

import pytest
from fastapi.testclient import TestClient

from airwatch.alerts.lifecycle import ACTIONS
from airwatch.plan.orders import ACTIONS as ORDER_ACTIONS
from tests.dashboards.small_fleet import ORDER

STAMP = re.compile(r"^\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z$")
LEAK = "/api/v1/units/north/K-leak"


def problem(answer: object) -> str:
    assert answer.headers["content-type"] == "application/problem+json"  # type: ignore[attr-defined]
    body = answer.json()  # type: ignore[attr-defined]
    assert body["status"] == answer.status_code  # type: ignore[attr-defined]
    return str(body["detail"])


def test_units_come_in_order_of_need_with_a_reason(client: TestClient) -> None:
    body = client.get("/api/v1/units").json()
    assert [row["unit"] for row in body["units"]] == list(ORDER)
    assert body["counts"] == {"alert": 2, "fail": 1, "watch": 1, "silent": 2, "unmeasured": 1, "quiet": 1}
    assert body["total"] == 8
    assert body["newest"] == "2031-02-07T11:59:59.000Z"
    reasons = {row["unit"]: row["reason"] for row in body["units"]}
    leak = "Primary tank leaks; parked 38.9 kPa/min at the test's pressure, limit 20.7 kPa/min; beyond the limit"
    assert reasons["K-leak"].startswith(leak)
    assert reasons["K-fail"] == "Build-up, 85 to 100 psi, primary: 60.0 s, limit at most 45.0 s; no alert yet"
    assert reasons["K-silent"] == "Nothing heard for 4 days"
    assert reasons["K-never"] == "Never heard"
    assert reasons["K-quiet"] == "1 newest reading within limits, 1 can't say"
    assert all(STAMP.match(row["last_t"]) for row in body["units"] if row["last_t"])


def test_pages_hold_all_units_once(client: TestClient) -> None:
    pages = [client.get("/api/v1/units", params={"page": n, "size": 3}).json() for n in (1, 2, 3, 4)]
    assert [row["unit"] for page in pages for row in page["units"]] == list(ORDER)
    assert [len(page["units"]) for page in pages] == [3, 3, 2, 0]
    assert {page["total"] for page in pages} == {8}


def test_search_needs_every_word_and_knows_no_patterns(client: TestClient) -> None:
    def found(**query: str) -> list[str]:
        return [row["unit"] for row in client.get("/api/v1/units", params=query).json()["units"]]

    assert found(q="RIDGE primary") == ["K-leak", "K-fail"]
    assert found(q=".*") == []
    assert found(need="silent") == ["K-silent", "K-never"]
    assert found(q="tractor", need="quiet") == ["K-quiet"]


def test_unit_has_registry_alerts_and_newest_readings(client: TestClient) -> None:
    body = client.get(LEAK).json()
    assert body["registered"]["cut_out_kpa"] == 896.0
    assert [alert["fault"] for alert in body["alerts"]] == ["leak_primary"]
    assert [(row["check"], row["verdict"]) for row in body["newest_readings"]] == [
        ("governor_cut_out", "pass"),
        ("leak_static", "fail"),
    ]
    assert client.get("/api/v1/units/north/K-new").json()["registered"] is None


def test_leak_is_given_as_measured_and_as_judged(client: TestClient) -> None:
    (reading,) = client.get(f"{LEAK}/readings", params={"check": "leak_static", "size": 1}).json()["readings"]
    assert reading["value"] == 30.0
    # Choked flow: proportional to absolute pressure, (861.844625 + 101.325) / (690 + 101.325), 125 psi by NIST SP 811.
    assert reading["judged"] == pytest.approx(30.0 * 963.169625 / 791.325)
    assert reading["test_kpa"] == pytest.approx(861.844625)


def test_readings_are_narrowed_by_time_and_check_and_paged(client: TestClient) -> None:
    body = client.get(
        f"{LEAK}/readings", params={"start": "2031-02-06T08:30:00+01:00", "end": "2031-02-06T08:00:00Z"}
    ).json()
    assert [(row["value"], row["end"]) for row in body["readings"]] == [(32.0, "2031-02-06T08:00:00.000Z")]
    second = client.get(f"{LEAK}/readings", params={"page": 2, "size": 3}).json()
    assert (second["total"], len(second["readings"])) == (4, 1)


def test_alerts_are_narrowed(client: TestClient) -> None:
    assert {row["unit"] for row in client.get("/api/v1/alerts").json()["alerts"]} == {"K-leak", "K-weak"}
    assert client.get("/api/v1/alerts", params={"unit": "K-leak"}).json()["total"] == 1
    assert client.get("/api/v1/alerts", params={"state": "dismissed"}).json()["total"] == 0


def test_pressure_is_raw_when_short_and_keeps_extremes_when_thinned(client: TestClient) -> None:
    raw = client.get(f"{LEAK}/pressure", params={"start": "2031-02-07T10:00:00Z", "end": "2031-02-07T10:00:09Z"}).json()
    assert (raw["n_samples"], raw["is_thinned"]) == (10, False)
    assert raw["t"][1] == "2031-02-07T10:00:01.000Z"
    assert raw["primary_kpa"] == [float(800 - k) for k in range(10)]
    assert raw["supply_kpa"] == [None] * 10
    thin = client.get(f"{LEAK}/pressure", params={"points": 100}).json()
    assert (thin["n_samples"], thin["is_thinned"]) == (3120, True)
    assert len(thin["t"]) <= 104
    assert (min(thin["primary_kpa"]), max(thin["primary_kpa"])) == (501.0, 800.0)
    assert len({len(thin[name]) for name in ("t", "primary_kpa", "engine_rpm")}) == 1


def test_pressure_of_a_unit_that_sent_nothing_is_empty(client: TestClient) -> None:
    body = client.get("/api/v1/units/north/K-never/pressure").json()
    assert (body["n_samples"], body["t"]) == (0, [])


def test_figures_are_plotly_figures_in_the_asked_unit(client: TestClient) -> None:
    figure = client.get(f"{LEAK}/pressure/figure", params={"units": "psi", "scheme": "dark"}).json()
    primary = next(trace for trace in figure["data"] if trace["name"] == "primary")
    assert max(y for y in primary["y"] if y is not None) == pytest.approx(800 / 6.894757, abs=1e-3)
    assert figure["layout"]["yaxis"]["title"]["text"] == "pressure, psi"
    assert [note["text"] for note in figure["layout"]["annotations"]] == [
        "cut-out at least 120.0 psi",
        "cut-out at most 140.0 psi",
    ]
    check = client.get(f"{LEAK}/checks/leak_static/figure", params={"units": "psi"}).json()
    assert check["layout"]["annotations"][0]["text"] == "at most 3.00 psi/min, combination"


def test_each_test_of_a_check_has_its_own_figure_and_reading(client: TestClient) -> None:
    path = "/api/v1/units/north/K-watch"
    rows = client.get(path).json()["newest_readings"]
    spans = {row["test"]: row["value"] for row in rows if row["check"] == "build_up_span"}
    assert spans == {"345-620 kPa": 60.0, "0-80% of cut-out": 90.0}
    (fault,) = (row for row in rows if row["check"] == "abs_fault")
    assert (fault["part"], fault["state"]) == ("axle 1 left", "intermittent")
    figure = client.get(f"{path}/checks/build_up_span/figure", params={"test": "345-620 kPa"}).json()
    assert sorted(y for trace in figure["data"] for y in trace["y"] if y) == [60.0, 66.0]
    missing = client.get(f"{path}/checks/build_up_span/figure", params={"test": "none"})
    assert "no reading of the check 'build_up_span', test 'none'" in problem(missing)


def test_limits_and_landing(client: TestClient) -> None:
    limits = {row["id"]: row for row in client.get("/api/v1/limits").json()["limits"]}
    assert limits["us-leak-static-combination"]["high"] == 3.0
    assert limits["us-leak-static-combination"]["test_pressure"] == 125.0
    assert limits["ca-bc-build-up-50-90"]["test"] == "345-620 kPa"
    assert limits["us-393-51-low-air"]["share_of_cut_out"] == 0.5
    assert limits["us-army-build-up-85-100"]["breach"] == "cited"
    landing = client.get("/api/v1/landing").json()
    assert (landing["samples"], landing["rejects"], landing["subscriber"]) == (3480, 1, None)


def test_what_came_in_is_told_by_stream_and_day(client: TestClient) -> None:
    (day,) = client.get(f"{LEAK}/quality").json()["days"]
    assert (day["stream"], day["n_messages"], day["n_rows"], day["flags"]) == ("pressure", 3, 3120, "")
    assert client.get("/api/v1/units/north/K-never/quality").json()["days"] == []


@pytest.mark.parametrize(
    "path", [LEAK.replace("K-leak", "K-404"), f"{LEAK}/checks/abs_fault/figure", "/api/v1/nothing"]
)
def test_what_is_not_there_is_a_404_with_a_sentence(client: TestClient, path: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 404
    assert len(problem(answer)) > 20


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/api/v1/units?page=0", "page: input should be greater than or equal to 1."),
        ("/api/v1/units?size=100000", "size: input should be less than or equal to 1000."),
        ("/api/v1/units?need=holiday", "need: input should be"),
        ("/api/v1/alerts?state=gone", "state: input should be"),
        (f"{LEAK}/pressure?points=1", "points: input should be greater than or equal to 10."),
        (f"{LEAK}/pressure?start=yesterday", "start: input should be a valid datetime"),
        (f"{LEAK}/pressure?start=2031-02-03T00:00:00", "start: input should have timezone info."),
        (f"{LEAK}/pressure?start=2031-02-04T00:00:00Z&end=2031-02-03T00:00:00Z", "start must be before end"),
        (f"{LEAK}/readings?start=0001-01-01T00:00:00%2B05:00", "outside the calendar"),
        (f"{LEAK}/pressure/figure?units=atm", "units: input should be"),
    ],
)
def test_a_wrong_parameter_is_a_422_that_names_it(client: TestClient, path: str, says: str) -> None:
    answer = client.get(path)
    assert answer.status_code == 422
    assert says in problem(answer)


def test_what_is_only_read_can_not_be_posted_to(client: TestClient) -> None:
    answer = client.post("/api/v1/units")
    assert answer.status_code == 405
    assert "only read" in problem(answer)


def test_openapi_names_every_route_its_errors_and_parameters(client: TestClient) -> None:
    described = client.get("/api/v1/openapi.json").json()
    assert set(described["paths"]) == {
        "/api/v1/units",
        "/api/v1/units/{fleet}/{unit}",
        "/api/v1/units/{fleet}/{unit}/readings",
        "/api/v1/units/{fleet}/{unit}/notes",
        "/api/v1/units/{fleet}/{unit}/pressure",
        "/api/v1/units/{fleet}/{unit}/pressure/figure",
        "/api/v1/units/{fleet}/{unit}/pressure/marks",
        "/api/v1/units/{fleet}/{unit}/checks/{check}/figure",
        "/api/v1/alerts",
        "/api/v1/alerts/{alert}",
        "/api/v1/alerts/{alert}/figure",
        "/api/v1/alerts/{alert}/changes",
        "/api/v1/limits",
        "/api/v1/checks",
        "/api/v1/checks/{check}/readings",
        "/api/v1/checks/{check}/figure",
        "/api/v1/inspection",
        "/api/v1/rejects",
        "/api/v1/landing",
        "/api/v1/units/{fleet}/{unit}/quality",
        "/api/v1/units/{fleet}/{unit}/hand/entries",
        "/api/v1/units/{fleet}/{unit}/hand/entries/{entry}",
        "/api/v1/units/{fleet}/{unit}/hand/entries/{entry}/corrections",
        "/api/v1/units/{fleet}/{unit}/hand/entries/{entry}/taking-back",
        "/api/v1/hand/imports",
        "/api/v1/units/{fleet}/{unit}/hand/share",
        "/api/v1/units/{fleet}/{unit}/hand/comparisons",
        "/api/v1/campaigns",
        "/api/v1/campaigns/{campaign}",
        "/api/v1/campaigns/{campaign}/corrections",
        "/api/v1/campaigns/{campaign}/forecast",
        "/api/v1/campaigns/{campaign}/outcomes",
        "/api/v1/campaigns/{campaign}/outcomes/imports",
        "/api/v1/campaigns/{campaign}/outcomes/{outcome}/corrections",
        "/api/v1/campaigns/{campaign}/score",
        "/api/v1/campaigns/{campaign}/score/figure",
        "/api/v1/plan",
        "/api/v1/plan/moves",
        "/api/v1/plan/fixes",
        "/api/v1/plan.ics",
        "/api/v1/plan.csv",
        "/api/v1/work-orders",
        "/api/v1/work-orders/{work_order}",
        "/api/v1/work-orders/{work_order}/changes",
        "/api/v1/held",
        "/api/v1/me",
        "/api/v1/tokens",
        "/api/v1/tokens/{id_}",
        "/api/v1/accounts",
        "/api/v1/audit",
    }
    expected = {"get": {"200"}, "post": {"200", "201"}, "delete": {"204"}}
    for path, methods in described["paths"].items():
        for verb, method in methods.items():
            says = method["responses"].keys()
            extra = {"415"} if verb == "post" and method.get("requestBody") and "/tokens" not in path else set()
            assert {"401", "403", "404", "422"} | extra <= says, path
            assert expected[verb] & says, path
            assert all(parameter["description"] for parameter in method.get("parameters", []))
    schemas = described["components"]["schemas"]
    assert tuple(schemas["ChangeAsked"]["properties"]["change"]["enum"]) == ACTIONS
    assert tuple(schemas["OrderChangeAsked"]["properties"]["change"]["enum"]) == ORDER_ACTIONS
    for name in ("ChangeAsked", "OrderChangeAsked", "PlanAsked", "MoveAsked", "FixAsked"):
        assert all(field["description"] for field in schemas[name]["properties"].values())


def test_empty_store_answers(empty_client: TestClient) -> None:
    assert empty_client.get("/api/v1/units").json()["units"] == []
    assert empty_client.get("/api/v1/landing").json()["messages"] == 0
