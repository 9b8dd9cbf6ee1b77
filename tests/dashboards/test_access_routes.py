"""Every route there is, asked by nobody, by each role, by tokens of each scope, and by an account of another fleet."""

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from fastapi import APIRouter, FastAPI
from fastapi.routing import iter_route_contexts
from fastapi.testclient import TestClient
from starlette.routing import Mount, Route

from airwatch.access.permissions import PUBLIC
from airwatch.store.database import Store
from dashboards.access.access import Access
from dashboards.access.needs import check_declared, declared, needs
from dashboards.app import create_app
from dashboards.errors import PagesError
from tests.dashboards.accounts import bearer, form_key, peopled, sign_in, token_of
from tests.dashboards.alert_rows import LEAK
from tests.dashboards.two_fleets import OTHER_LEAK, fill_both

ALL_ROLES = {"vera", "enno", "shirin", "adam"}
# Who may ask, written out here so that a slip in a declaration shows; a route that is not here is one that everybody
# with an account may read, and must be a GET.
WHO: dict[tuple[str, str], set[str]] = {
    ("POST", "/api/v1/alerts/{alert}/changes"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/units/{fleet}/{unit}/notes"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/plan"): {"shirin", "adam"},
    ("POST", "/api/v1/plan/moves"): {"shirin", "adam"},
    ("POST", "/api/v1/plan/fixes"): {"shirin", "adam"},
    ("POST", "/api/v1/work-orders/{work_order}/changes"): {"shirin", "adam"},
    ("POST", "/api/v1/units/{fleet}/{unit}/hand/entries"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/units/{fleet}/{unit}/hand/entries/{entry}/corrections"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/units/{fleet}/{unit}/hand/entries/{entry}/taking-back"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/hand/imports"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/campaigns"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/campaigns/{campaign}/corrections"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/campaigns/{campaign}/forecast"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/campaigns/{campaign}/outcomes"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/campaigns/{campaign}/outcomes/imports"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/campaigns/{campaign}/outcomes/{outcome}/corrections"): {"enno", "shirin", "adam"},
    ("POST", "/api/v1/tokens"): ALL_ROLES,
    ("DELETE", "/api/v1/tokens/{id_}"): ALL_ROLES,
    ("GET", "/api/v1/accounts"): {"adam"},
    ("GET", "/api/v1/audit"): {"adam"},
    ("POST", "/sign-out"): ALL_ROLES,
    ("POST", "/account/password"): ALL_ROLES,
    ("POST", "/account/display"): ALL_ROLES,
    ("POST", "/account/tokens"): ALL_ROLES,
    ("POST", "/account/tokens/{id_}/revoke"): ALL_ROLES,
    ("GET", "/accounts"): {"adam"},
    ("POST", "/accounts"): {"adam"},
    ("POST", "/accounts/{name}/rights"): {"adam"},
    ("POST", "/accounts/{name}/password"): {"adam"},
    ("POST", "/accounts/{name}/{change}"): {"adam"},
    ("POST", "/tokens/{id_}/revoke"): {"adam"},
    ("GET", "/audit"): {"adam"},
}
OPEN = {
    ("GET", "/sign-in"),
    ("POST", "/sign-in"),
    ("POST", "/sign-in/provider"),
    ("GET", "/sign-in/back"),
    ("GET", "/static/palette.css"),
    ("GET", "/static/plotly-{version}.js"),
}
OWN = {"fleet": "north", "unit": "K-leak", "alert": LEAK, "check": "leak_static", "change": "disable"}
THEIRS = {"fleet": "south", "unit": "Q-leak", "alert": OTHER_LEAK, "check": "leak_static", "change": "disable"}
STREAMS = {"/live"}
"""They have no end, so who may have one is not sent to the end of it here."""


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(tmp_path_factory.mktemp("two") / "two.duckdb") as opened:
        fill_both(opened)
        yield opened


@pytest.fixture(scope="module")
def access() -> Iterator[Access]:
    with peopled() as opened:
        yield opened


@pytest.fixture(scope="module")
def app(store: Store, access: Access) -> FastAPI:
    return create_app(store, None, access=access)


def routes(app: FastAPI) -> list[tuple[str, str]]:
    """Give method and path of every route but the static files."""
    return sorted(
        (method, str(route.path))
        for route in iter_route_contexts(app.routes)
        if not isinstance(route.original_route, Mount)
        for method in route.methods or ()
    )


def path_of(path: str, names: dict[str, str]) -> str:
    filled = path
    for name, value in (
        names
        | {
            "version": "0",
            "id_": "none",
            "name": "nobody-here",
            "work_order": "none",
            "entry": "none",
            "campaign": "none",
            "outcome": "none",
        }
    ).items():
        filled = filled.replace(f"{{{name}}}", value)
    assert "{" not in filled, f"{path}: say in this test what stands in its place"
    return filled


def client_of(app: FastAPI) -> TestClient:
    return TestClient(app, raise_server_exceptions=False, follow_redirects=False)


@pytest.fixture(scope="module")
def people(app: FastAPI) -> dict[str, tuple[TestClient, dict[str, str]]]:
    """Sign in everybody, and give clients with what their forms carry."""
    found = {}
    for name in (*sorted(ALL_ROLES), "sven"):
        client = client_of(app)
        assert sign_in(client, name).status_code == 303  # type: ignore[attr-defined]
        found[name] = (client, {"X-Airwatch-Form": form_key(client)})
    return found


def test_nobody_gets_an_answer_but_to_what_is_public(app: FastAPI) -> None:
    client = client_of(app)
    for method, path in routes(app):
        for headers in ({}, {"Cookie": "airwatch-session=forged"}, {"Authorization": "Basic eDp5"}):
            answer = client.request(method, path_of(path, OWN), headers=headers)
            if (method, path) in OPEN:
                assert answer.status_code in (200, 403, 404), (method, path)
            else:
                assert answer.status_code == 401, (method, path, answer.status_code)
                assert answer.headers["www-authenticate"] == 'Bearer realm="airwatch"'
        forged = client.request(method, path_of(path, OWN), headers=bearer("airwatch_none_none"))
        assert forged.status_code in ((200, 403, 404, 401) if (method, path) in OPEN else (401,)), (method, path)


def test_a_browser_of_nobody_is_sent_to_sign_in_and_back(app: FastAPI) -> None:
    client = client_of(app)
    for method, path in routes(app):
        if method == "GET" and not path.startswith("/api/") and (method, path) not in OPEN:
            answer = client.get(path_of(path, OWN) + "?q=a%26b", headers={"Accept": "text/html,*/*"})
            assert answer.status_code == 303
            assert answer.headers["location"].startswith("/sign-in?next=%2F")
    assert client.get("/", headers={"Accept": "text/html"}).headers["location"] == "/sign-in"


def test_what_is_not_there_is_told_to_nobody(app: FastAPI) -> None:
    client = client_of(app)
    for path in (
        "/nowhere",
        "/api/v1/nowhere",
        "/docs",
        "/openapi.json",
        "/redoc",
        "/sign-in/",
        "//sign-in",
        "/Sign-In",
    ):
        assert client.get(path).status_code == 401, path
    assert client.get("/static/../accounts").status_code == 401
    assert client.get("/static/%2e%2e/%2e%2e/app.py").status_code == 404


@pytest.mark.parametrize("name", sorted(ALL_ROLES))
def test_each_role_gets_what_it_may_and_is_refused_the_rest(
    app: FastAPI, people: dict[str, tuple[TestClient, dict[str, str]]], name: str
) -> None:
    client, form = people[name]
    for method, path in routes(app):
        if (method, path) in OPEN or path in ("/sign-out", "/account/password"):
            continue
        may = name in WHO.get((method, path), ALL_ROLES)
        assert method == "GET" or (method, path) in WHO, f"{method} {path}: say in WHO who may"
        if may and path in STREAMS:
            continue
        answer = client.request(method, path_of(path, OWN), headers=form)
        if may:
            assert answer.status_code not in (401, 403, 500), (method, path, answer.text)
        else:
            assert answer.status_code == 403, (method, path, answer.status_code)


@pytest.mark.parametrize("scope", ["read", "write", "admin"])
def test_a_token_gets_what_its_scope_and_its_account_may(app: FastAPI, access: Access, scope: Any) -> None:
    client, headers = client_of(app), bearer(token_of(access, "adam", scope))
    for method, path in routes(app):
        if (method, path) in OPEN or path in STREAMS:
            continue
        actions = {
            action
            for route in iter_route_contexts(app.routes)
            if route.path == path and method in (route.methods or ())
            for action in declared(route.dependant)
        }
        needed = {
            "read": {"read"},
            "write": {"read", "alert.change", "note", "plan", "hand", "campaign"},
            "admin": {"read", "alert.change", "note", "plan", "hand", "campaign", "own.tokens", "accounts", "audit"},
        }[scope]
        answer = client.request(method, path_of(path, OWN), headers=headers)
        assert (answer.status_code == 403) == bool(actions - needed), (method, path, actions, answer.status_code)


def test_another_fleets_units_and_alerts_are_as_if_they_were_not_there(
    app: FastAPI, people: dict[str, tuple[TestClient, dict[str, str]]]
) -> None:
    client, form = people["enno"]
    n_looked_at = 0
    for method, path in routes(app):
        if not any(f"{{{name}}}" in path for name in ("fleet", "unit", "alert")):
            continue
        stroke = {"id": "a", "taken_at": "2026-02-03T11:00:00Z", "by": "Ada", "item": "stroke", "value": 1}
        bodies = {
            "changes": {"change": "noted", "reason": "x"},
            "notes": {"text": "x"},
            "entries": {"entries": [stroke]},
            "corrections": {"entry": stroke, "who": "enno", "why": "x"},
            "taking-back": {"id": "b", "who": "enno", "why": "x"},
        }
        body = bodies.get(path.rpartition("/")[2]) if method == "POST" else None
        theirs = client.request(method, path_of(path, THEIRS), headers=form, json=body)
        nobodys = client.request(
            method, path_of(path, THEIRS | {"unit": "Q-none", "alert": "9none"}), headers=form, json=body
        )
        assert theirs.status_code == 404, (method, path)
        assert theirs.text.replace("Q-leak", "Q-none").replace(OTHER_LEAK, "9none") == nobodys.text
        n_looked_at += 1
    assert n_looked_at >= 10
    sven, _ = people["sven"]
    assert sven.get("/api/v1/units/south/Q-leak").status_code == 200
    assert sven.get("/api/v1/units/north/K-leak").status_code == 404


@pytest.mark.parametrize("where", ["app", "router"])
def test_a_route_that_declares_nothing_stops_the_start(where: str) -> None:
    app, router = FastAPI(openapi_url=None, docs_url=None, redoc_url=None), APIRouter()
    declaring = APIRouter(dependencies=[needs("read")])

    @declaring.get("/good")
    def good() -> str:
        return "good"

    app.include_router(declaring)
    assert check_declared(app) == frozenset()

    @(app if where == "app" else router).get("/secret/{x}")
    def secret() -> str:
        return "secret"

    app.include_router(router)
    with pytest.raises(PagesError, match=r"route /secret/\{x\} declares nothing that it needs; give it or its router"):
        check_declared(app)


def test_plain_routes_mounts_and_public_patterns_stop_the_start() -> None:
    for make in (lambda app: app.router.routes.append(Route("/raw", lambda _: None)), lambda app: app.mount("/x", app)):
        app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)
        make(app)
        with pytest.raises(PagesError, match=r"declares nothing"):
            check_declared(app)
    with pytest.raises(PagesError, match=r"route /openapi.json declares nothing"):
        check_declared(FastAPI())
    app = FastAPI(openapi_url=None, docs_url=None, redoc_url=None)
    app.get("/open/{x}", dependencies=[needs(PUBLIC)])(lambda: "x")
    with pytest.raises(PagesError, match=r"public under a path that is not fixed"):
        check_declared(app)


def test_nothing_but_the_views_reaches_the_store() -> None:
    """Routes have one way to the store, which knows who asks; a module that keeps the store itself would be another."""
    root = Path(__file__).parents[2] / "dashboards"
    named = {
        str(path.relative_to(root))
        for path in root.rglob("*.py")
        if "state.store" in path.read_text("utf-8") or "state.views" in path.read_text("utf-8")
    }
    assert named == {"app.py", "inputs.py"}
