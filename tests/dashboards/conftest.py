"""The application over a small fleet, in process and served, and a browser."""

import shutil
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

from airwatch.store.database import Store
from dashboards.access.access import Access
from dashboards.app import create_app
from dashboards.server import Server, Where, bind, make_server, url_of
from tests.conftest import missing
from tests.dashboards.accounts import nobody, quick_hasher
from tests.dashboards.shop_fleet import fill_shop
from tests.dashboards.small_fleet import fill

with warnings.catch_warnings():  # it is imported here first, and would rather have a successor of httpx
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

CHROMIUM = "/usr/bin/chromium"
CHROMIUM_ARGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]


@pytest.fixture(scope="session")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(tmp_path_factory.mktemp("pages") / "small.duckdb") as opened:
        fill(opened)
        yield opened


@pytest.fixture(scope="session")
def answering(store: Store) -> Iterator[TestClient]:
    with TestClient(create_app(store, None, access=nobody()), raise_server_exceptions=False) as started:
        yield started


@pytest.fixture
def client(answering: TestClient) -> TestClient:
    """Ask as somebody who has chosen nothing yet."""
    answering.cookies.clear()
    return answering


@pytest.fixture(autouse=True, scope="session")
def _quick_passwords() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("pipelines.sign_in.hasher", quick_hasher)
        patch.setattr("pipelines.accounts.hasher", quick_hasher)
        yield


@pytest.fixture
def empty_client(tmp_path: Path) -> Iterator[TestClient]:
    with (
        Store.open(tmp_path / "empty.duckdb") as opened,
        TestClient(create_app(opened, None, access=nobody())) as answering,
    ):
        yield answering


@pytest.fixture
def changed_store(tmp_path: Path) -> Iterator[Store]:
    """Fill a store with the small fleet for one test that changes alerts."""
    with Store.open(tmp_path / "changed.duckdb") as opened:
        fill(opened)
        yield opened


@pytest.fixture
def shop_store(tmp_path: Path) -> Iterator[Store]:
    """Fill a store with the fleet of a shop for one test that plans its work."""
    with Store.open(tmp_path / "shop.duckdb") as opened:
        fill_shop(opened)
        yield opened


@pytest.fixture(scope="session")
def served(store: Store) -> Iterator[str]:
    """Serve the application on a free port and give its address."""
    with serving(store) as address:
        yield address


@pytest.fixture
def changed_served(changed_store: Store) -> Iterator[str]:
    """Serve the fleet that one test changes, and give its address."""
    with serving(changed_store) as address:
        yield address


@contextmanager
def serving(store: Store, access: Access | None = None) -> Iterator[str]:
    """Serve a store until the block ends."""
    bound = bind("127.0.0.1", 0)
    server: Server = make_server(store, health=None, access=access or nobody(), where=Where())
    thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
    thread.start()
    yield url_of("127.0.0.1", bound)
    server.should_exit = True
    thread.join(20)
    assert not thread.is_alive()


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium."""
    if shutil.which(CHROMIUM) is None:
        missing(f"{CHROMIUM} is not there: apt-get install chromium")
    with sync_playwright() as playwright:
        started = playwright.chromium.launch(executable_path=CHROMIUM, args=CHROMIUM_ARGS)
        yield started
        started.close()
