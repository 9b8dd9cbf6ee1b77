"""What somebody of one fleet gets is the very same whether or not there is another fleet in the store."""

import shutil
from collections.abc import Iterator
from typing import Any

import pytest
from fastapi import FastAPI
from fastapi.testclient import TestClient
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from airwatch.store.database import Store
from dashboards.app import create_app
from tests.dashboards.accounts import bearer, peopled, token_of
from tests.dashboards.small_fleet import fill
from tests.dashboards.test_access_routes import OPEN, OWN, STREAMS, THEIRS, path_of, routes
from tests.dashboards.two_fleets import OTHER_LEAK, add_other_fleet

ABOUT_PEOPLE = {"/account", "/accounts", "/audit", "/api/v1/me", "/api/v1/tokens", "/api/v1/accounts", "/api/v1/audit"}

Asker = tuple[TestClient, dict[str, str]]


def asker(store: Store) -> Asker:
    access = peopled()
    client = TestClient(create_app(store, None, access=access), raise_server_exceptions=False)
    return client, bearer(token_of(access, "enno"))


@pytest.fixture(scope="module")
def pair(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Asker, Asker]]:
    """Give the same person's clients at a store with the other fleet and at one without."""
    folder = tmp_path_factory.mktemp("pair")
    with Store.open(folder / "one.duckdb") as one:
        fill(one)
    shutil.copy(folder / "one.duckdb", folder / "both.duckdb")
    with Store.open(folder / "both.duckdb") as both, Store.open(folder / "one.duckdb") as one:
        add_other_fleet(both)
        yield asker(both), asker(one)


def readable(app: FastAPI) -> list[str]:
    found = {path for method, path in routes(app) if method == "GET" and (method, path) not in OPEN}
    return sorted(found - ABOUT_PEOPLE - STREAMS)


VALUES: dict[str, st.SearchStrategy[Any]] = {
    "q": st.sampled_from(["", "K-", "Q-", "south", "north ridge", "leak", "q-leak"]),
    "need": st.sampled_from(["alert", "fail", "watch", "silent", "unmeasured", "quiet"]),
    "fleet": st.sampled_from(["north", "south"]),
    "unit": st.sampled_from(["K-leak", "Q-leak"]),
    "state": st.sampled_from(["open", "dismissed"]),
    "fault": st.sampled_from(["leak_primary", "compressor_weak"]),
    "size": st.integers(1, 20),
    "page": st.integers(1, 4),
    "units": st.sampled_from(["kPa", "psi", "bar"]),
    "check": st.sampled_from(["leak_static", "build_up_time"]),
    "sort": st.sampled_from(["need", "unit", "shop", "since", "heard"]),
    "shop": st.sampled_from(["ridge"]),
    "start": st.sampled_from(["2031-02-01T00:00:00Z"]),
}


@settings(
    max_examples=250, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture], derandomize=True
)
@given(data=st.data())
def test_the_other_fleet_changes_nothing(pair: tuple[Asker, Asker], data: st.DataObject) -> None:
    (with_both, with_one) = pair
    path = data.draw(st.sampled_from(readable(with_both[0].app)))  # type: ignore[arg-type]
    names = data.draw(st.sampled_from([OWN, OWN, THEIRS]))
    query = data.draw(st.fixed_dictionaries({}, optional=VALUES))
    answers = [
        client.get(path_of(path, names), params=query, headers=headers) for client, headers in (with_both, with_one)
    ]
    assert answers[0].status_code == answers[1].status_code
    assert answers[0].text == answers[1].text, (path, query)


NOT_THERE = ("{campaign}", "{work_order}", "{entry}", "/hand/share", "/plan")
"""What the small fleet has none of."""


def test_each_readable_route_tells_nothing_of_the_other_fleet(pair: tuple[Asker, Asker]) -> None:
    (client, headers), _ = pair
    for path in readable(client.app):  # type: ignore[arg-type]
        answer = client.get(path_of(path, OWN), headers=headers)
        assert answer.status_code in ((200, 404) if any(part in path for part in NOT_THERE) else (200,)), path
        for word in ("south", "Q-leak", "Q-", OTHER_LEAK):
            assert word not in answer.text, (path, word)


def test_who_sees_all_sees_both(pair: tuple[Asker, Asker]) -> None:
    (client, _), _ = pair
    access = client.app.state.access  # type: ignore[attr-defined]
    whole = bearer(token_of(access, "zita"))
    units = client.get("/api/v1/units", headers=whole).json()
    assert {row["fleet"] for row in units["units"]} == {"north", "south"}
    assert client.get("/api/v1/landing", headers=whole).json()["rejects"] == 2
