"""Signing in and out, and what a page from elsewhere can do, in Debian's Chromium."""

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest
from playwright.sync_api import Browser, Page, expect

from airwatch.store.access.audit import trail
from airwatch.store.alerts import history_of
from airwatch.store.database import Store
from dashboards.access.access import Access
from tests.dashboards.accounts import PASSWORD, peopled
from tests.dashboards.alert_rows import LEAK
from tests.dashboards.conftest import serving
from tests.dashboards.test_browser import Watched

pytestmark = pytest.mark.browser


@pytest.fixture
def access() -> Iterator[Access]:
    with peopled() as opened:
        yield opened


@pytest.fixture
def address(changed_store: Store, access: Access) -> Iterator[str]:
    with serving(changed_store, access) as at:
        yield at


@pytest.fixture(params=[1440, 360])
def watched(browser: Browser, address: str, request: pytest.FixtureRequest) -> Iterator[Watched]:
    context = browser.new_context(viewport={"width": request.param, "height": 800})
    seen = Watched(context.new_page(), address.rstrip("/"))
    yield seen
    context.close()
    assert [text for text in seen.complaints if "responded with a status of 4" not in text] == []
    assert seen.strangers == []


def fill_in(page: Page, name: str, password: str = PASSWORD) -> None:
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(password)
    with page.expect_navigation(wait_until="load"):
        page.get_by_role("button", name="Sign in").press("Enter")


def test_somebody_is_asked_who_comes_to_the_page_that_was_wanted_and_signs_out(
    watched: Watched, changed_store: Store
) -> None:
    page = watched.open(f"/alerts/{LEAK}")
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    expect(page.get_by_label("Name")).to_be_focused()
    assert watched.width_over() == 0
    fill_in(page, "enno", "not this one")
    expect(page.get_by_role("alert")).to_have_text("Name or password is wrong, or the account is disabled.")
    fill_in(page, "enno")
    expect(page.get_by_role("heading", level=1)).to_contain_text("The primary tank loses air")
    assert page.evaluate("document.cookie") == ""  # scripts see none of them
    assert watched.width_over() == 0

    expect(page.get_by_label("Who")).to_have_count(0)
    page.get_by_role("radio", name="Acknowledge").check()
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator("#written")).to_have_text("Written down: acknowledged. The alert is acknowledged.")
    assert history_of(changed_store, [LEAK])["who"].to_list() == ["airwatch", "enno"]

    page.get_by_role("button", name="Sign out").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    page.go_back()
    page.reload()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")


def test_an_account_changes_what_is_shown_makes_a_token_and_changes_its_password(watched: Watched) -> None:
    page = watched.open("/account")
    fill_in(page, "shirin")
    page.get_by_label("Pressures in").select_option("bar")
    page.get_by_label("Times of").select_option("Europe/Paris")
    page.get_by_role("button", name="Keep").click()
    expect(page.get_by_label("Pressures in")).to_have_value("bar")
    page.get_by_label("What uses it").fill("nightly export")
    page.get_by_role("button", name="Make a token").click()
    expect(page.locator("#made")).to_contain_text("airwatch_")
    assert watched.width_over() == 0
    page.get_by_role("button", name="Revoke the token for nightly export").click()
    expect(page.get_by_text("revoked", exact=True)).to_be_visible()
    new = "another horse in another bar"
    page.get_by_label("Old").fill(PASSWORD)
    page.get_by_label("New, 15").fill(new)
    page.get_by_label("New once more").fill(new)
    page.get_by_role("button", name="Change it and sign out everywhere").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("Sign in")
    fill_in(page, "shirin", new)
    expect(page.get_by_text("shirin, shop")).to_be_visible()


def test_an_admin_adds_an_account_and_finds_that_in_the_trail(watched: Watched) -> None:
    page = watched.open("/accounts")
    fill_in(page, "zita")
    add = page.locator("section", has=page.get_by_role("heading", name="Add an account"))
    add.get_by_role("textbox", name="Name").fill("nora")
    add.get_by_label("Role").select_option("shop")
    add.get_by_label("Fleets, blanks between").fill("north")
    add.get_by_label("First password").fill(PASSWORD)
    add.get_by_role("button", name="Add it").click()
    expect(page.get_by_text("nora shop, fleets north")).to_be_visible()
    page.get_by_text("nora shop, fleets north").click()
    assert watched.width_over() == 0
    page.get_by_role("link", name="Audit trail").click()
    expect(page.locator("table.audit")).to_contain_text("account.added")
    assert watched.width_over() == 0


class Elsewhere(BaseHTTPRequestHandler):
    """A page of another site that sends forms of ours as soon as it is open."""

    target = ""
    path_and_fields = ("", "")

    def do_GET(self) -> None:
        """Give the page."""
        path, fields = self.path_and_fields
        sends = "<script>document.forms[0].submit()</script>"
        raw = f'<form method="post" action="{self.target}{path}">{fields}</form>{sends}'.encode()
        self.send_response(200)
        self.send_header("Content-Type", "text/html")
        self.send_header("Content-Length", str(len(raw)))
        self.end_headers()
        self.wfile.write(raw)

    def log_message(self, *_: object) -> None:
        """Say nothing."""


_EVE = '<input name="name" value="eve"><input name="role" value="admin"><input name="sees" value="all">'
_VERA = '<input name="name" value="vera">'
_WITH = f'<input name="password" value="{PASSWORD}">'


@pytest.mark.parametrize(("path", "fields"), [("accounts", _EVE + _WITH), ("sign-out", ""), ("sign-in", _VERA + _WITH)])
@pytest.mark.parametrize("host", ["127.0.0.1", "localhost"])
def test_a_page_from_elsewhere_changes_nothing(
    browser: Browser, address: str, access: Access, path: str, fields: str, host: str
) -> None:
    """From another port of this host, where the cookie does ride along, and from another host, where it does not."""
    context = browser.new_context()
    page = context.new_page()
    page.goto(f"{address}accounts")
    fill_in(page, "zita")
    expect(page.get_by_role("heading", level=1)).to_have_text("Accounts")
    before = trail(access.file, page=1, size=99)
    Elsewhere.target, Elsewhere.path_and_fields = address, (path, fields)
    with ThreadingHTTPServer(("127.0.0.1", 0), Elsewhere) as server:
        thread = threading.Thread(target=server.serve_forever, daemon=True)
        thread.start()
        with page.expect_response(
            lambda answer: answer.url == f"{address}{path}" and answer.request.method == "POST"
        ) as sent:
            page.goto(f"http://{host}:{server.server_address[1]}/")
        assert sent.value.status in (401, 403)
        server.shutdown()
        thread.join(20)
    assert trail(access.file, page=1, size=99) == before
    page.goto(f"{address}accounts")
    expect(page.get_by_text("zita, admin")).to_be_visible()  # neither signed out nor signed in as somebody else
    context.close()
