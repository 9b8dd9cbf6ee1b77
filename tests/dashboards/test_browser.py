"""The pages in Debian's Chromium."""

from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Browser, Page, expect

from airwatch.alerts.lifecycle import Step
from airwatch.store.database import Store
from pipelines.alerts import take_step
from tests.dashboards.conftest import serving
from tests.dashboards.small_fleet import NEWEST, ORDER

pytestmark = pytest.mark.browser

ALERT = "/alerts/772011b3fce89477"
DRAWN = "figure[data-drawn]:not([aria-busy])"


class Watched:
    """A page, what it complained of, and what it asked of others."""

    def __init__(self, page: Page, base: str) -> None:
        self.page, self.base = page, base
        self.complaints: list[str] = []
        self.strangers: list[str] = []
        page.on(
            "console",
            lambda message: self.complaints.append(message.text) if message.type in ("error", "warning") else None,
        )
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("request", self._note)

    def _note(self, request: object) -> None:
        url = urlsplit(request.url)  # type: ignore[attr-defined]
        if url.scheme not in ("data", "blob") and url.hostname != "127.0.0.1":
            self.strangers.append(request.url)  # type: ignore[attr-defined]

    def open(self, path: str) -> Page:
        """Go to a page and give it."""
        self.page.goto(self.base + path)
        return self.page

    def width_over(self) -> int:
        """Give by how many pixels the page is wider than the window."""
        return int(self.page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth"))


@pytest.fixture(params=["light", "dark"])
def watched(browser: Browser, served: str, request: pytest.FixtureRequest) -> Iterator[Watched]:
    context = browser.new_context(viewport={"width": 1440, "height": 900}, color_scheme=request.param)
    seen = Watched(context.new_page(), served.rstrip("/"))
    yield seen
    context.close()
    assert seen.complaints == []
    assert seen.strangers == []


def test_fleet_lists_those_first_that_need_somebody_and_filters_as_one_types(watched: Watched) -> None:
    page = watched.open("/")
    rows = page.locator("table.units tbody tr")
    assert [text.split()[0] for text in rows.all_inner_texts()] == list(ORDER)
    page.get_by_label("Find").fill("heard NORTH")
    expect(page.locator("#found")).to_have_text("3 of 8 units")
    expect(page.get_by_role("link", name="K-silent")).to_be_visible()
    expect(page.get_by_role("link", name="K-leak")).to_have_count(0)
    expect(page.get_by_label("Find")).to_be_focused()
    page.get_by_role("link", name="K-silent").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("K-silent")


def test_fleet_renews_itself_after_a_change_and_keeps_what_was_typed(browser: Browser, changed_store: Store) -> None:
    with serving(changed_store) as address:
        page = browser.new_page()
        with page.expect_response("**/live"):
            page.goto(address)
        page.get_by_label("Find").fill("K-leak")
        expect(page.locator("#found")).to_have_text("1 of 8 units")
        take_step(changed_store, Step(ALERT.rpartition("/")[2], "acknowledged", "J. Doe", NEWEST, ""))
        expect(page.locator("table.units")).to_contain_text("acknowledged")
        expect(page.get_by_label("Find")).to_have_value("K-leak")
        expect(page.get_by_label("Find")).to_be_focused()
        page.close()


def test_keys_move_among_units_and_can_be_turned_off(watched: Watched) -> None:
    page = watched.open("/")
    page.keyboard.press("/")
    expect(page.get_by_label("Find")).to_be_focused()
    page.keyboard.press("Escape")
    expect(page.get_by_role("link", name="K-leak")).to_be_focused()
    page.keyboard.press("j")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("k")
    expect(page.get_by_role("link", name="K-weak")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text("K-weak")
    page.go_back()
    page.locator(".keys summary").click()
    page.get_by_label("Use these keys").uncheck()
    page.keyboard.press("/")
    expect(page.get_by_label("Find")).not_to_be_focused()


def test_unit_draws_its_pressures_and_asks_for_every_sample_on_zoom(watched: Watched) -> None:
    page = watched.open("/units/north/K-leak")
    figure = page.locator(f"#history{DRAWN.removeprefix('figure')}")
    expect(figure.locator(".legendtext", has_text="primary")).to_have_count(1)
    expect(figure.locator(".yaxislayer-above text", has_text="brake applied")).to_have_count(1)  # a lane of phases
    shows = page.locator("#history-shows")
    page.get_by_label("from").fill("2031-02-07 10:00:00")
    page.get_by_label("to", exact=True).fill("2031-02-07 10:00:59")
    page.get_by_role("button", name="Show").click()
    expect(shows).to_contain_text("60 samples from 2031-02-07 10:00:00 to 2031-02-07 10:00:59, every one drawn")
    page.get_by_role("button", name="everything").click()
    expect(shows).to_contain_text("120 samples from 2031-02-07 10:00:00")
    page.locator("#history").scroll_into_view_if_needed()
    plot = page.locator("#history .nsewdrag").first.bounding_box()
    assert plot is not None
    middle = plot["y"] + plot["height"] / 2
    page.mouse.move(plot["x"] + 0.1 * plot["width"], middle)
    page.mouse.down()
    page.mouse.move(plot["x"] + 0.3 * plot["width"], middle, steps=5)
    with page.expect_response(lambda answer: "/pressure/figure" in answer.url) as zoomed:
        page.mouse.up()
    assert zoomed.value.json()["n_samples"] < 3120


def test_unit_draws_each_check_with_its_limit(watched: Watched) -> None:
    page = watched.open("/units/north/K-leak")
    for figure in page.locator("figure:not(#history)").all():
        figure.scroll_into_view_if_needed()
        expect(figure.locator(".shapelayer path").first).to_be_attached()
        expect(figure.locator(".scatterlayer .point").first).to_be_attached()
    expect(page.get_by_text("at most 3.00 psi/min, combination")).to_be_attached()
    expect(page.locator(".modebar-btn[data-title*='hare']")).to_have_count(0)


def test_unit_draws_each_test_of_a_check_by_itself_and_opens_what_other_rules_say(watched: Watched) -> None:
    page = watched.open("/units/north/K-watch")
    spans = page.locator("figure[data-test]")
    expect(spans).to_have_count(2)
    for figure, edges in ((spans.nth(0), 0), (spans.nth(1), 1)):
        figure.scroll_into_view_if_needed()
        expect(figure.locator(".scatterlayer .point").first).to_be_attached()
        expect(figure.locator(".shapelayer path")).to_have_count(edges)
    warning = page.locator("article", has_text="Low-air warning comes on")
    other = warning.get_by_role("link", name="at least 55.0 psi or 50 % of the cut-out", exact=False).first
    expect(other).to_be_hidden()
    warning.locator("summary").click()
    expect(other).to_be_visible()
    other.click()
    expect(page.locator("tr:target")).to_contain_text("us-393-51-low-air")


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/units/north/K-leak",
        "/units/north/K-watch",
        "/units/north/K-quiet",
        "/landing",
        "/limits",
        "/api",
        "/display",
        "/alerts",
        ALERT,
    ],
)
def test_nothing_is_wider_than_a_phone(watched: Watched, path: str) -> None:
    watched.page.set_viewport_size({"width": 360, "height": 780})
    page = watched.open(path)
    for figure in page.locator("figure").all():
        figure.scroll_into_view_if_needed()
        expect(figure.locator(".main-svg").first).to_be_attached()
    assert watched.width_over() == 0


def test_a_figure_that_can_not_be_had_says_why(browser: Browser, served: str) -> None:
    page = browser.new_page()
    page.route("**/pressure/figure*", lambda route: route.abort())
    page.goto(f"{served}units/north/K-leak")
    expect(page.locator("#history")).to_have_text("This figure can't be shown: the server does not answer.")
    page.close()


def test_a_page_that_can_not_be_renewed_says_so(browser: Browser, served: str) -> None:
    page = browser.new_page()
    page.goto(served)
    page.route("**/*", lambda route: route.abort())
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    expect(page.locator("#renewed")).to_contain_text("the server does not answer")
    page.close()
