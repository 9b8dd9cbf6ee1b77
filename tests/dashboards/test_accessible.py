"""Every page by axe-core's rules for WCAG 2.0 to 2.2, A and AA; in print; and on a phone and a wall."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from dashboards.reader import zone_names

pytestmark = pytest.mark.browser

AXE = Path(__file__).parents[1] / "data" / "axe-core" / "axe.min.js"
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
PAGES = [
    "/",
    "/?need=silent",
    "/?q=zeppelin",
    "/units/north/K-leak",
    "/units/north/K-watch",
    "/units/north/K-never",
    "/alerts",
    "/alerts/772011b3fce89477",
    "/inspection",
    "/checks",
    "/checks/leak_static",
    "/checks/build_up_span",
    "/landing",
    "/limits",
    "/display",
    "/api",
    "/nowhere",
]


def drawn(page: Page) -> None:
    """Wait until all figures are drawn."""
    for figure in page.locator("figure[data-figure]").all():
        figure.scroll_into_view_if_needed()
        expect(figure).to_have_attribute("data-drawn", "1", timeout=20_000)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("width", [1400, 360])
def test_axe_finds_nothing(browser: Browser, served: str, scheme: str, width: int) -> None:
    context = browser.new_context(
        viewport={"width": width, "height": 900},
        color_scheme=scheme,  # type: ignore[arg-type]
        bypass_csp=True,  # for axe-core alone: the pages' own policy lets no script in that they don't serve
    )
    page = context.new_page()
    found = []
    for path in PAGES:
        page.goto(served.rstrip("/") + path)
        drawn(page)
        page.evaluate("document.querySelectorAll('details').forEach(details => { details.open = true; })")
        page.add_script_tag(path=AXE)
        result = page.evaluate("rules => axe.run({runOnly: {type: 'tag', values: rules}})", RULES)
        found += [
            f"{path}: {violation['id']}: {node['target']} {node['failureSummary']}"
            for violation in result["violations"]
            for node in violation["nodes"]
        ]
        assert result["passes"]
    context.close()
    assert found == []


@pytest.mark.parametrize("width", [360, 1920, 2560])
def test_no_page_is_wider_than_its_screen(browser: Browser, served: str, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 900})
    wide = []
    for path in PAGES:
        page.goto(served.rstrip("/") + path)
        drawn(page)
        over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        wide += [(path, over)] if over else []
    page.close()
    assert wide == []


def test_the_sheet_for_inspection_prints_without_what_can_only_be_clicked(browser: Browser, served: str) -> None:
    page = browser.new_page()
    page.goto(f"{served}inspection")
    page.emulate_media(media="print")
    expect(page.get_by_role("search")).to_be_hidden()
    expect(page.get_by_role("navigation").first).to_be_hidden()
    expect(page.locator(".matrix")).to_be_visible()
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") == 0
    assert page.pdf(format="A4", landscape=True).startswith(b"%PDF")
    page.close()


def test_unit_and_zone_are_chosen_once_for_all_pages_and_figures(browser: Browser, served: str) -> None:
    assert "America/Denver" in zone_names()
    page = browser.new_page()
    page.goto(f"{served}display")
    page.get_by_role("combobox", name="Pressure").select_option("bar")
    page.get_by_role("combobox", name="Time zone").select_option("America/Denver")
    page.get_by_role("button", name="Keep").click()
    page.goto(f"{served}units/north/K-leak")
    expect(page.get_by_label("to", exact=True)).to_have_value("2031-02-07 04:59:59")  # UTC-7 in February
    figure = page.locator("#history")
    expect(figure).to_have_attribute("data-drawn", "1", timeout=20_000)
    expect(figure.locator(".ytitle")).to_have_text("pressure, bar")
    page.get_by_label("from").fill("2031-02-07 03:00:00")
    page.get_by_label("to", exact=True).fill("2031-02-07 03:00:59")
    page.get_by_role("button", name="Show").click()
    expect(page.locator("#history-shows")).to_contain_text("60 samples from 2031-02-07 03:00:00 to 2031-02-07 03:00:59")
    page.close()
