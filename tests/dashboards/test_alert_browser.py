"""An alert's way through its states in Debian's Chromium, by mouse and by keyboard."""

from collections.abc import Iterator
from itertools import pairwise

import pytest
from playwright.sync_api import Browser, Page, expect

from airwatch.store.alerts import history_of
from airwatch.store.database import Store
from tests.dashboards.alert_rows import LEAK
from tests.dashboards.test_browser import Watched

pytestmark = pytest.mark.browser

PAGE = f"/alerts/{LEAK}"


@pytest.fixture(params=[1440, 360])
def watched(browser: Browser, changed_served: str, request: pytest.FixtureRequest) -> Iterator[Watched]:
    context = browser.new_context(viewport={"width": request.param, "height": 800})
    seen = Watched(context.new_page(), changed_served.rstrip("/"))
    yield seen
    context.close()
    # Chromium itself notes each refused request; nothing else may be complained of
    assert [text for text in seen.complaints if "responded with a status of 4" not in text] == []
    assert seen.strangers == []


def write(page: Page, change: str, *, who: str = "R. Okafor", why: str = "") -> None:
    page.get_by_role("radio", name=change).check()
    page.get_by_label("Who").fill(who)
    page.get_by_role("textbox", name="Why").fill(why)
    page.get_by_role("button", name="Write it down").click()


def test_an_alert_goes_from_open_to_repaired_and_refusals_are_shown_in_place(
    watched: Watched, changed_store: Store
) -> None:
    page = watched.open(PAGE)
    written, refusal = page.locator("#written"), page.locator(".refusal")

    write(page, "Acknowledge", who="")
    expect(refusal).to_have_text("Acknowledged needs who did it; fill in the name.")
    write(page, "Acknowledge")
    expect(written).to_have_text("Written down: acknowledged. The alert is acknowledged.")

    expect(page.get_by_role("radio", name="Plan")).to_be_checked()
    write(page, "Plan")
    expect(refusal).to_have_text("Planned needs a reason; say what was found or done.")
    expect(page.get_by_label("Who")).to_have_value("R. Okafor")  # nothing that was typed is lost
    page.get_by_role("textbox", name="Why").fill("ridge shop, Tuesday")
    page.get_by_role("button", name="Write it down").click()
    expect(written).to_have_text("Written down: planned. The alert is planned.")

    repaired_at, until = page.get_by_label("Repaired at"), page.get_by_label("Silent until")
    expect(repaired_at).to_be_visible()  # the step that is suggested
    expect(until).to_be_hidden()
    repaired_at.fill("2031-02-08T10:00")
    write(page, "Repaired", why="drain valve replaced")
    expect(refusal).to_contain_text("2031-02-08 10:00 UTC lies in the future")
    repaired_at.fill("2031-02-07T10:00")
    page.get_by_role("button", name="Write it down").click()
    expect(written).to_have_text("Written down: repaired. The alert is repaired.")
    expect(page.get_by_text("repaired: readings have yet to show that it held")).to_be_visible()

    rows = history_of(changed_store, [LEAK]).select("change", "who", "reason").rows()
    assert rows[1:] == [
        ("acknowledged", "R. Okafor", ""),
        ("planned", "R. Okafor", "ridge shop, Tuesday"),
        ("repaired", "R. Okafor", "drain valve replaced"),
    ]
    expect(page.locator("table.history tbody tr").first).to_contain_text("2031-02-07 10:00")
    figure = page.locator("figure")
    figure.scroll_into_view_if_needed()
    expect(figure.locator(".annotation-text")).to_have_text(["at most 3.00 psi/min, combination", "opened", "repaired"])
    assert watched.width_over() == 0


def test_a_form_that_is_out_of_date_is_refused_in_place(watched: Watched) -> None:
    page = watched.open(PAGE)
    other = page.context.new_page()
    other.goto(watched.base + PAGE)
    write(other, "Dismiss", why="gauge was broken")
    expect(other.locator("#written")).to_have_text("Written down: dismissed. The alert is dismissed.")
    other.close()
    write(page, "Plan", why="next week")
    expect(page.locator(".refusal")).to_have_text(
        "It is dismissed and can't be planned; that follows on open, acknowledged, planned."
    )


def test_a_silence_needs_an_end_and_shows_it(watched: Watched) -> None:
    page = watched.open(PAGE)
    write(page, "Silence", why="parts on order")
    expect(page.locator(".refusal")).to_contain_text("A silence needs an end after")
    expect(page.get_by_label("Repaired at")).to_be_hidden()
    page.get_by_label("Silent until").fill("2031-03-01T06:30")
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_text("Silenced until 2031-03-01 06:30.")).to_be_visible()


def test_the_form_works_with_the_keyboard_alone(watched: Watched) -> None:
    page = watched.open(PAGE)
    page.get_by_role("radio", name="Acknowledge").focus()
    page.keyboard.press("ArrowDown")
    expect(page.get_by_role("radio", name="Plan")).to_be_checked()
    page.keyboard.press("Tab")
    page.keyboard.type("M. Lind")
    page.keyboard.press("Tab")
    page.keyboard.type("bay 2")
    page.keyboard.press("Tab")
    expect(page.get_by_role("button", name="Write it down")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.locator("#written")).to_have_text("Written down: planned. The alert is planned.")
    expect(page.locator("table.history tbody tr").first).to_contain_text("M. Lind")


def test_a_server_that_does_not_answer_is_said(browser: Browser, changed_served: str) -> None:
    page = browser.new_page()
    page.goto(changed_served.rstrip("/") + PAGE)
    page.route("**/changes", lambda route: route.abort())
    write(page, "Acknowledge")
    expect(page.locator(".refusal")).to_have_text("The server does not answer; nothing was written down.")
    expect(page.get_by_role("button", name="Write it down")).to_be_enabled()
    page.close()


def test_a_form_from_elsewhere_can_not_change_an_alert(
    browser: Browser, changed_served: str, changed_store: Store
) -> None:
    page = browser.new_page()
    target = f"{changed_served.rstrip('/')}/api/v1/alerts/{LEAK}/changes"
    field = """{"change":"dismissed","who":"x","reason":"y","a":"""
    page.set_content(
        f"<form method=post enctype=text/plain action='{target}'><input name='{field}' value='1}}'></form>"
    )
    json = "{method: 'POST', headers: {'Content-Type': 'application/json'}, body: '{}'}"
    answered = page.evaluate(f"url => fetch(url, {json}).then(() => true, () => false)", target)
    assert answered is False  # the browser asks first, and is not let in
    with page.expect_navigation() as gone:
        page.evaluate("document.forms[0].submit()")
    assert gone.value is not None
    assert gone.value.status == 403  # it comes from elsewhere
    page.close()
    assert history_of(changed_store, [LEAK]).height == 1


def test_list_leads_to_the_alert_and_keeps_the_unit_of_pressure(watched: Watched) -> None:
    page = watched.open("/alerts?units=bar")
    page.get_by_label("Severity").select_option("high")
    page.get_by_role("button", name="Show").click()
    page.get_by_role("link", name="The primary tank loses air").click()
    expect(page.get_by_text("at most 0.207 bar/min").first).to_be_visible()
    page.get_by_role("link", name="K-leak").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("K-leak")
    page.get_by_role("link", name="The primary tank loses air").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("The primary tank loses air")


def test_all_that_can_be_used_has_a_name_and_headings_are_in_order(watched: Watched) -> None:
    """axe-core is not there; these are the plain ones of its rules."""
    for path in (PAGE, "/alerts"):
        page = watched.open(path)
        fields = page.locator("input:not([type=hidden]), select, textarea, button")
        unnamed = fields.evaluate_all(
            "all => all.filter(e => !(e.labels?.length || e.ariaLabel || e.textContent.trim())).length"
        )
        assert unnamed == 0
        levels = page.locator("h1, h2, h3").evaluate_all("all => all.map(e => Number(e.tagName[1]))")
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))
        ids = page.locator("[id]").evaluate_all("all => all.map(e => e.id)")
        assert len(ids) == len(set(ids))
        dangling = page.locator("[aria-labelledby]").evaluate_all(
            "all => all.filter(e => !document.getElementById(e.getAttribute('aria-labelledby'))).length"
        )
        assert dangling == 0
