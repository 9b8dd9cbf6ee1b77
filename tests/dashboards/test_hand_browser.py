"""Measuring in the bay with a connection that comes and goes, in Debian's Chromium."""

from pathlib import Path

import pytest
from playwright.sync_api import Browser, expect

from airwatch.store.database import Store
from airwatch.store.hand import entries_of
from airwatch.store.registry import replace_units
from tests.dashboards.conftest import serving
from tests.hand.made import units

pytestmark = pytest.mark.browser


def test_strokes_are_kept_while_the_server_is_away_and_land_once(browser: Browser, tmp_path: Path) -> None:
    with Store.open(tmp_path / "shop.duckdb") as store:
        replace_units(store, units())
        with serving(store) as address:
            page = browser.new_page(viewport={"width": 360, "height": 800})
            page.goto(f"{address.rstrip('/')}/units/north/K-1/hand")
            page.route("**/hand/entries", lambda route: route.abort())
            page.get_by_label("Who measures").fill("Ada")
            page.get_by_label("stroke 1L", exact=True).fill("1 1/2")
            page.get_by_label("stroke 1R", exact=True).fill("0.2")
            page.get_by_role("button", name="Keep and send").click()
            expect(page.locator("#queue-state")).to_contain_text("2 kept here, not sent yet")
            assert entries_of(store).height == 0
            page.unroute("**/hand/entries")
            page.reload()
            expect(page.locator("#queue-state")).to_contain_text("1 asked back; 1 sent")
            page.get_by_role("button", name="It is so").click()
            expect(page.locator("#queue-state")).to_have_text("2 sent.")
            assert entries_of(store)["position"].sort().to_list() == ["1L", "1R"]
            over = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert over == 0
            page.screenshot(path=str(tmp_path / "hand.png"))
            page.close()
