"""Checks over the fleet: distributions, who stands apart, and what would fail."""

import re
from datetime import datetime, timedelta

import numpy as np
import polars as pl
import pytest
from fastapi.testclient import TestClient

from airwatch.derive.frames import READINGS
from dashboards.distribution import MOST_BARS, bars, summary, with_apart
from dashboards.inspection import INSPECTED, OLD_AFTER, inspection
from dashboards.judged import with_judged

NOW = datetime(2031, 2, 7, 12)  # noqa: DTZ001 as in the store


def readings(values: list[float], verdict: str = "pass") -> pl.DataFrame:
    rows = [
        {"fleet": "north", "unit": f"K-{k}", "check": "supply_drop", "value": v, "measure": "kPa", "verdict": verdict}
        for k, v in enumerate(values)
    ]
    return with_judged(pl.DataFrame(rows, schema=READINGS))


def test_what_stands_apart_is_told_by_the_modified_z_score() -> None:
    # Iglewicz and Hoaglin's score by hand: median 5, median distance 1, so 8 lies 3/1.4826 = 2.02 off and 11 lies 4.05.
    found = with_apart(readings([4.0, 5.0, 6.0, 4.0, 6.0, 5.0, 8.0, 11.0, 4.0]))
    far = {row["unit"]: (round(row["distance"], 2), row["is_apart"]) for row in found.iter_rows(named=True)}
    assert far["K-7"] == (4.05, True)
    assert far["K-6"] == (2.02, False)
    assert found["unit"][0] == "K-7"


def test_those_beyond_a_limit_come_first_however_near_the_median() -> None:
    found = with_apart(pl.concat([readings([1.0, 2.0, 90.0]), readings([2.0], "fail").with_columns(unit=pl.lit("F"))]))
    assert found["unit"][0] == "F"
    assert found["unit"][1] == "K-2"


def test_alike_readings_have_no_distance() -> None:
    assert with_apart(readings([3.0, 3.0, 3.0]))["distance"].to_list() == [None, None, None]


@pytest.mark.parametrize("n", [1, 2, 50, 5000])
def test_bars_count_every_reading_once(n: int) -> None:
    values = np.random.default_rng(1).normal(10, 2, n)
    values[0] = 1e4  # far away: in the last bar
    counted = bars(readings(values.tolist()))
    assert sum(sum(counts) for counts in counted.counts.values()) == n
    assert len(counted.borders) <= MOST_BARS + 1
    assert sorted(counted.borders) == counted.borders


def cells(rows: list[dict[str, object]], data: str = "arriving") -> dict[str, str]:
    states = pl.DataFrame({"fleet": ["north"], "unit": ["K"], "kind": ["bus"], "home_shop": [None], "data": [data]})
    base = {"fleet": "north", "unit": "K", "end": NOW, "measure": "s"}
    frame = pl.DataFrame([{**base, **row} for row in rows], schema=READINGS)
    return inspection(states, frame, NOW).row(0, named=True)


def test_the_gravest_reading_counts_and_can_not_say_weighs_more_than_watch() -> None:
    found = cells(
        [
            {"check": "leak_static", "circuit": "primary", "verdict": "pass"},
            {"check": "leak_static", "circuit": "secondary", "verdict": "fail"},
            {"check": "leak_applied", "verdict": "watch"},
            {"check": "leak_applied", "circuit": "primary", "verdict": "unknown"},
        ]
    )
    assert (found["leak_static"], found["leak_applied"], found["build_up_time"]) == ("fail", "unknown", "none")
    assert (found["n_fail"], found["n_unknown"], found["n_none"]) == (1, 1, len(INSPECTED) - 2)


def test_what_is_old_or_cleared_says_nothing_of_today() -> None:
    old = NOW - OLD_AFTER - timedelta(seconds=1)
    found = cells(
        [
            {"check": "leak_static", "verdict": "pass", "end": old},
            {"check": "leak_applied", "verdict": "fail", "end": NOW - OLD_AFTER},
            {"check": "abs_fault", "verdict": "fail", "state": "cleared"},
        ]
    )
    assert (found["leak_static"], found["leak_applied"], found["abs_fault"]) == ("old", "fail", "old")


def test_summary_counts_each_unit_once_and_those_without_a_reading() -> None:
    both = pl.concat([readings([1.0]), readings([2.0], "fail")])
    row = summary(both, 5).row(0, named=True)
    assert (row["n_units"], row["n_fail"], row["n_pass"], row["n_no_data"]) == (1, 1, 0, 4)


def test_pages_name_outliers_and_say_that_nothing_is_cleared(client: TestClient) -> None:
    sheet = client.get("/inspection").text
    text = re.sub(r"(?:<[^>]+>|\s+)+", " ", sheet)
    assert "2 of 8 units would fail a check today" in text
    assert "This sheet never clears a vehicle." in text
    assert "✕ fails" in text
    assert "no data" in text
    assert not re.search(r">\s*(pass|OK|good|cleared)\s*<", sheet)
    check = client.get("/checks/leak_static").text
    assert 'href="/units/north/K-leak"' in check
    assert "beyond limit" in check
    assert "No unit has a reading of the check &#39;nothing&#39;" in client.get("/checks/nothing").text
    assert 'href="/checks/leak_static"' in client.get("/checks").text


def test_inspection_is_narrowed_and_paged(client: TestClient) -> None:
    body = client.get("/api/v1/inspection", params={"q": "K-fail"}).json()
    assert [(row["unit"], row["build_up_time"]) for row in body["units"]] == [("K-fail", "fail")]
    assert client.get("/api/v1/inspection", params={"size": 3}).json()["total"] == 8
    assert "No unit matches this." in client.get("/inspection", params={"q": "zeppelin"}).text


def test_figure_of_a_check_is_stacked_by_verdict_with_its_limit(client: TestClient) -> None:
    figure = client.get("/api/v1/checks/leak_static/figure", params={"units": "psi"}).json()
    assert {trace["name"] for trace in figure["data"]} == {"beyond limit", "can't say"}
    assert sum(sum(trace["y"]) for trace in figure["data"]) == 2
    # 20.684271 kPa/min are 3 psi/min (NIST SP 811, 6.894757 kPa a psi).
    assert [shape["x0"] for shape in figure["layout"]["shapes"]] == [pytest.approx(3.0, abs=1e-6)]
