"""The plan's pages and those of work orders, in process, and the whole way in Debian's Chromium."""

import re
from collections.abc import Iterator
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import pytest
from fastapi.testclient import TestClient
from playwright.sync_api import Browser, Page, expect

from airwatch.store import plan as kept
from airwatch.store.alerts import alert_of
from airwatch.store.database import Store
from dashboards.app import create_app
from dashboards.plan_words import left_out_text, risk_text, why_text
from dashboards.plans import ReadPlan, half_days, read_plan, shop_for, weeks
from dashboards.words import CAUTIONS
from pipelines import plan as planning
from tests.dashboards.accounts import nobody
from tests.dashboards.alert_rows import LEAK, WEAK, change_row
from tests.dashboards.conftest import serving
from tests.dashboards.shop_fleet import MONDAY_NOON, SHOP, WHO, repair_that_held
from tests.dashboards.test_browser import Watched
from tests.dashboards.test_pages import plain

PLAN = "/api/v1/plan"


@pytest.fixture
def client(shop_store: Store) -> TestClient:
    return TestClient(create_app(shop_store, None, access=nobody()), raise_server_exceptions=False)


@pytest.fixture
def planned(client: TestClient) -> TestClient:
    assert client.post(PLAN, json=WHO).status_code == 201
    return client


def section(html: str, name: str) -> str:
    at = html.index(f'aria-labelledby="{name}"')
    return plain(html[at : html.index("</section>", at)])


def visit(html: str, vehicle: str) -> str:
    """Give what the first visit of a vehicle says."""
    found = re.findall(r"<article.*?</article>", html, re.DOTALL)
    return next(plain(one) for one in found if f'data-vehicle="{vehicle}"' in one)


def order_of(client: TestClient, job: str) -> str:
    rows = client.get(PLAN).json()["jobs"]
    return next(str(row["work_order"]) for row in rows if row["job"] == job)


def change(client: TestClient, order: str, what: str, **more: object) -> None:
    body = {"change": what, "who": "M. Lindqvist", "reason": "drain valve renewed", **more}
    assert client.post(f"/api/v1/work-orders/{order}/changes", json=body).status_code == 201


# Nothing there yet ----------------------------------------------------------------------------------------------------


def test_without_a_shop_the_page_says_how_to_set_one_up(empty_client: TestClient) -> None:
    assert "airwatch plan shop FILE" in plain(empty_client.get("/plan").text)
    assert "No shop is set up" in plain(empty_client.get("/work-orders").text)
    assert "No repair is written down yet." in plain(empty_client.get("/held").text)
    assert empty_client.get("/plan.ics").status_code == 404


def test_without_a_plan_the_page_counts_what_asks_for_work(client: TestClient) -> None:
    html = client.get("/plan").text
    assert "No plan yet: 5 alerts ask for work shop ridge" in plain(html)
    assert 'id="making"' in html
    assert "There is none yet; make a plan." in plain(client.get("/work-orders").text)


def test_with_nothing_to_plan_the_page_says_that_this_clears_nothing(tmp_path: Path) -> None:
    with Store.open(tmp_path / "empty.duckdb") as store:
        planning.set_up(store, SHOP, "shop.toml", who="R. Okafor", why="new")
        html = TestClient(create_app(store, None, access=nobody())).get("/plan").text
    assert "Nothing to plan" in plain(html)
    assert "That clears nothing" in html
    assert 'id="making"' not in html


@pytest.mark.parametrize("path", ["/plan", "/work-orders", "/held", "/work-orders/nowhere"])
def test_each_page_has_the_cautions_and_no_inline_script(planned: TestClient, path: str) -> None:
    html = planned.get(path).text
    for caution in CAUTIONS:
        assert caution in html
    assert re.findall(r"<script(?![^>]*\bsrc=)", html) == []
    assert re.findall(r"\s(?:style|on\w+)=", html) == []


# The plan -------------------------------------------------------------------------------------------------------------


def test_the_grid_has_bays_as_rows_and_the_half_days_of_the_shops_clock(planned: TestClient) -> None:
    html = planned.get("/plan").text
    first = re.search(r'<table class="bays">.*?</table>', html, re.DOTALL)
    assert first is not None
    assert re.findall(r"<th[^>]*>([^<]+)</th>", first[0])[:4] == ["Bay", "Fri 7 Feb", "07:00", "12:30"]
    assert re.findall(r'<th scope="row">(.*?)</th>', first[0]) == ["bay 1", "bay 2"]
    shut = re.findall(r'data-bay="(bay .)" data-start="([^"]+)" class="shut"', html)
    assert shut == [("bay 2", "2031-02-12T13:00:00Z"), ("bay 2", "2031-02-12T18:30:00Z")]
    assert "Half days are by the shop's clock (America/Chicago)." in plain(html)


def test_a_card_says_unit_faults_severity_and_what_is_fixed_in_words(planned: TestClient) -> None:
    planned.post("/api/v1/plan/fixes", json={**WHO, "job": "quiet", "is_fixed": True})
    cards = [plain(card) for card in re.findall(r'<a class="card.*?</a>', planned.get("/plan").text, re.DOTALL)]
    assert " high K-leak Leak, primary tank " in cards
    assert " medium K-quiet Leak, secondary tank fixed " in cards
    assert " low K-watch Governor cuts out high " in cards


def test_each_visit_says_why_it_is_there_and_what_a_day_later_costs(planned: TestClient) -> None:
    html = planned.get("/plan").text
    leak = visit(html, "K-leak")
    assert "Its limit is crossed already: not to be driven until it was looked at." in leak
    assert "A day later adds " in leak
    assert "It is the first half day." in leak
    assert "compressor or its kit not here before" in visit(html, "K-weak")
    text = plain(html)
    assert "Waiting for these places carries a risk of " in text
    assert "1 is the certainty that one unit of low severity crosses its limit on the road" in text
    assert "A place in the plan is no leave to drive until then." in text


def test_what_does_not_fit_is_listed_with_its_reason(client: TestClient, shop_store: Store) -> None:
    no_pit = SHOP.replace('equipment = ["pit"]\n', "")
    planning.set_up(shop_store, no_pit, "shop.toml", who="R. Okafor", why="pit is shut")
    client.post(PLAN, json=WHO)
    html = client.get("/plan").text
    assert "4 jobs planned, 1 does not fit" in plain(html)
    left = section(html, "left")
    assert "K-weak: Compressor weak" in left
    assert "no place within the plan would do: bay 1 has no pit" in left


def test_alerts_that_came_since_the_plan_are_counted(planned: TestClient, shop_store: Store) -> None:
    assert "not in this plan" not in planned.get("/plan").text
    change(planned, order_of(planned, "watch"), "done")
    planned.post(PLAN, json=WHO)
    assert alert_of(shop_store, "watch")["state"].item() == "repaired"
    change_row(shop_store, "watch", state="open")
    assert "1 alert that asks for work is not in this plan: make a new one." in plain(planned.get("/plan").text)


def test_work_begun_or_over_can_not_be_moved_and_is_said(planned: TestClient) -> None:
    change(planned, order_of(planned, LEAK), "done", at="2031-02-07T11:30:00Z")
    quiet = order_of(planned, "quiet")
    change(planned, quiet, "in_work")
    html = planned.get("/plan").text
    assert "Move K-quiet" not in html
    assert "in work" in visit(html, "K-quiet")
    planned.post(PLAN, json=WHO)  # the next plan goes around it
    html = planned.get("/plan").text
    assert "Work on it has begun." in visit(html, "K-quiet")
    assert "Move K-quiet" not in html
    assert "Move K-watch" in html


@pytest.mark.usefixtures("planned")
def test_appointments_and_visits_that_go_on_are_shown_where_they_are(shop_store: Store) -> None:
    shop = shop_for(shop_store, None)
    booked = planning.Booked("x", "bay 2", datetime(2031, 2, 11, 13), datetime(2031, 2, 11, 23), note="hoist checked")  # noqa: DTZ001 as in the store
    planning.book(shop_store, None, booked, is_kept=True, who="R. Okafor", why="yearly")
    found = read_plan(shop_store, shop)
    assert found is not None
    notes = {
        (cell.bay, cell.slot.start): cell.notes
        for week in weeks(shop_store, found)
        for _, cells in week.rows
        for cell in cells
        if cell.notes
    }
    taken = [at for at, says in notes.items() if "hoist checked" in says]
    assert taken == [("bay 2", datetime(2031, 2, 11, 13)), ("bay 2", datetime(2031, 2, 11, 18, 30))]  # noqa: DTZ001
    weak = next(one for one in found.visits if one.vehicle == "K-weak")
    goes_on = [at for at, says in notes.items() if "K-weak goes on" in says]
    assert goes_on == [(weak.bay, slot.start) for slot in half_days(found) if weak.slot < slot.start < weak.end]
    assert goes_on  # 5.5 hours are more than half a day


@pytest.mark.usefixtures("planned")
def test_a_visit_whose_half_day_is_no_longer_in_the_hours_still_has_its_place(shop_store: Store) -> None:
    planning.set_up(shop_store, SHOP.replace("07:00", "06:00"), "shop.toml", who="R. Okafor", why="summer")
    found = read_plan(shop_store, shop_for(shop_store, None))
    assert found is not None
    shown = [v.number for week in weeks(shop_store, found) for _, cells in week.rows for c in cells for v in c.visits]
    assert sorted(shown) == [one.number for one in found.visits]


def test_with_several_shops_each_has_its_page(planned: TestClient, shop_store: Store) -> None:
    planning.set_up(shop_store, SHOP.replace('"ridge"', '"quay"'), "quay.toml", who="R. Okafor", why="second shop")
    assert "shop quay" in plain(planned.get("/plan").text)
    assert "shop ridge" in plain(planned.get("/plan", params={"shop": "ridge"}).text)
    assert planned.get("/plan", params={"shop": "hill"}).status_code == 404


def test_reasons_are_sentences_with_faults_in_words() -> None:
    why = "Its limit is crossed already; together with leak_applied; earlier: Fri 7 Feb 07:00 bay 1 is taken by K-1"
    assert why_text(why) == [
        "Its limit is crossed already.",
        "Together with “Leak, brakes applied”.",
        "Earlier: Fri 7 Feb 07:00 bay 1 is taken by K-1.",
    ]
    assert left_out_text("Does not fit; with leak_applied") == "Does not fit; with “Leak, brakes applied”."


@pytest.mark.parametrize(
    ("bound", "says"),
    [(8.0, "a better plan could save at most 20.0 % of that."), (10.0, "there is no better plan.")],
)
def test_how_good_a_plan_is_is_said_in_words(shop_store: Store, bound: float, says: str) -> None:
    row = {"risk": 9.0, "cost": 10.0, "bound": bound}
    assert risk_text(ReadPlan(shop_for(shop_store, None), row, [], [])).endswith(says)


def test_a_visit_that_never_began_in_its_time_is_said(client: TestClient) -> None:
    client.post(PLAN, json={**WHO, "begin": "2031-02-05T06:00:00Z"})
    html = client.get("/plan").text
    assert "planned, its time is past" in visit(html, "K-leak")
    assert "its time is past" not in visit(html, "K-weak")


def test_an_alert_leads_to_its_work_order(client: TestClient) -> None:
    assert "In no work order; the shop's plan gives it one." in plain(client.get(f"/alerts/{LEAK}").text)
    client.post(PLAN, json=WHO)
    html = client.get(f"/alerts/{LEAK}").text
    assert f'href="/work-orders/{order_of(client, LEAK)}"' in html
    assert "planned, bay 1, shop ridge." in plain(html)


# Work orders ----------------------------------------------------------------------------------------------------------


def test_orders_are_listed_those_in_work_first(planned: TestClient) -> None:
    change(planned, order_of(planned, "watch"), "in_work")
    html = planned.get("/work-orders").text
    assert "4 work orders planned, 1 in work" in plain(html)
    units = re.findall(r'href="/work-orders/[^"]+"><b>(.*?)</b>', html)
    assert units[0] == "K-watch"
    only = plain(planned.get("/work-orders", params={"state": "in_work"}).text)
    assert "Governor cuts out high" in only
    assert "Compressor weak" not in only
    assert "No work order matches this." in plain(planned.get("/work-orders", params={"state": "done"}).text)


def test_a_sheet_has_evidence_first_steps_values_limits_parts_and_cautions(planned: TestClient) -> None:
    html = planned.get(f"/work-orders/{order_of(planned, LEAK)}").text
    job, box = section(html, "job-1"), section(html, "cautions")
    for words in (
        "Job 1: Leak, primary tank",
        "parked: only the primary tank fell, 3 times",
        "Check first Primary tank and its drain",
        "Parts usually needed: fittings and hose.",
        "fall of the primary gauge in one minute, released",
        "limit: at most 3 psi/min",
        "Found and done:",
    ):
        assert words in job
    assert "Drain stored air before anything is opened" in box
    assert "Fri 7 Feb 07:00 to 09:00" in plain(html)


def test_a_done_order_shows_what_the_readings_say_before_and_after(planned: TestClient) -> None:
    order = order_of(planned, LEAK)
    assert "Before and after" not in planned.get(f"/work-orders/{order}").text
    change(planned, order, "done", at="2031-02-06T07:30:00Z")
    html = planned.get(f"/work-orders/{order}?units=kPa").text
    proof = section(html, "proof")
    assert "30.5 kPa/min mean of 2 32.0 kPa/min mean of 1" in proof
    assert "+1.5 kPa/min 95 %: +0.3 kPa/min to +2.7 kPa/min; more than chance" in proof
    assert 'data-changes="' not in html  # nothing may be done to it any more
    assert "drain valve renewed" in section(html, "history")
    other = order_of(planned, WEAK)
    change(planned, other, "done", at="2031-02-07T11:30:00Z")
    assert "No readings of the same check" in section(planned.get(f"/work-orders/{other}").text, "proof")


def test_repairs_that_held_have_a_share_and_its_interval(client: TestClient, shop_store: Store) -> None:
    repair_that_held(shop_store)
    text = plain(client.get("/held").text)
    assert re.search(r"Leak, primary tank\s*ridge\s*1 of 1\s*100 % 2 to 100 %", text)
    assert "Clopper and Pearson (1934)" in text


# In the browser -------------------------------------------------------------------------------------------------------


@pytest.fixture
def watched(browser: Browser, shop_store: Store) -> Iterator[Watched]:
    with serving(shop_store) as address:
        context = browser.new_context(viewport={"width": 1400, "height": 900})
        seen = Watched(context.new_page(), address.rstrip("/"))
        yield seen
        context.close()
    assert [text for text in seen.complaints if "responded with a status of 4" not in text] == []
    assert seen.strangers == []


def fill_in(page: Page, *, who: str = "R. Okafor", why: str) -> None:
    form = page.locator("#asking form")
    form.get_by_label("Who").fill(who)
    form.get_by_label("Why").fill(why)
    form.get_by_role("button", name="Plan anew").click()


def place(store: Store, job: str) -> tuple[str, datetime]:
    last = kept.newest_plan(store, "ridge")["plan"].item()
    row = kept.plan_jobs(store, last).filter(job=job).row(0, named=True)
    return row["bay"], row["slot"]


@pytest.mark.browser
def test_from_alert_to_plan_to_sheet_to_repaired(watched: Watched, shop_store: Store) -> None:
    page = watched.open(f"/alerts/{LEAK}")
    page.get_by_role("link", name="Plan", exact=True).click()
    page.get_by_role("button", name="Make a new plan").click()
    expect(page.locator("#making .refusal")).to_contain_text("fill it in")
    page.locator("#making").get_by_label("Who").fill("R. Okafor")
    page.locator("#making").get_by_label("Why").fill("week 6")
    page.get_by_role("button", name="Make a new plan").click()
    written = page.locator("#written")
    expect(written).to_have_text("Plan 1 is made: 5 jobs, all fit.", timeout=60_000)

    # by menu and keyboard: first where it can't be, then where it can
    page.get_by_role("button", name="Move K-watch").focus()
    page.keyboard.press("Enter")
    dialog = page.get_by_role("dialog")
    dialog.get_by_label("Bay").select_option("bay 2")
    dialog.get_by_label("Half day").select_option("Wed 12 Feb 07:00")
    expect(dialog.get_by_label("Who")).to_have_value("R. Okafor")  # as typed before
    fill_in(page, why="driver is here")
    expect(dialog.locator(".refusal")).to_have_text(
        "K-watch: bay 2 is not to be had on 12 Feb; choose another place.", timeout=60_000
    )
    dialog.get_by_label("Half day").select_option("Tue 11 Feb 07:00")
    dialog.get_by_role("button", name="Plan anew").click()
    expect(written).to_have_text("Plan 2 is made: 5 jobs, all fit.", timeout=60_000)
    assert place(shop_store, "watch") == ("bay 2", datetime(2031, 2, 11, 13))  # noqa: DTZ001 as in the store

    # by drag and drop
    card = page.locator(".card", has_text="K-quiet")
    card.drag_to(page.locator(f'td[data-bay="bay 2"][data-start="{MONDAY_NOON}"]'))
    expect(dialog.get_by_role("heading")).to_have_text("Move K-quiet")
    expect(dialog.get_by_label("Half day")).to_have_value(MONDAY_NOON)
    fill_in(page, why="parts come at noon")
    expect(written).to_have_text("Plan 3 is made: 5 jobs, all fit.", timeout=60_000)
    assert place(shop_store, "quiet") == ("bay 2", datetime(2031, 2, 10, 18, 30))  # noqa: DTZ001 as in the store
    expect(card).to_contain_text("fixed")

    # let go
    page.get_by_role("button", name="Let go K-quiet").click()
    fill_in(page, why="any time will do")
    expect(written).to_have_text("Plan 4 is made: 5 jobs, all fit.", timeout=60_000)
    expect(page.get_by_role("button", name="Fix here K-quiet")).to_be_visible()

    # the sheet, and done
    visits = page.locator("article[data-vehicle='K-leak']", has_text="Leak, primary tank")
    visits.get_by_role("link", name="Work order").click()
    expect(page.get_by_role("heading", name="Check first")).to_be_visible()
    page.get_by_role("radio", name="Done").check()
    page.get_by_role("button", name="Write it down").click()
    expect(page.locator(".refusal")).to_have_text("Done needs a reason; say what was found or done.")
    page.get_by_label("Found and done, or why").fill("drain valve renewed")
    page.get_by_role("button", name="Write it down").click()
    expect(written).to_have_text("Written down: done.")
    page.get_by_role("link", name="Alert", exact=True).click()
    expect(page.get_by_text("repaired: readings have yet to show that it held")).to_be_visible()
    assert alert_of(shop_store, LEAK)["state"].item() == "repaired"


@pytest.mark.browser
@pytest.mark.parametrize("width", [1400, 360])
def test_pages_fit_and_all_that_can_be_used_has_a_name(planned: TestClient, watched: Watched, width: int) -> None:
    watched.page.set_viewport_size({"width": width, "height": 800})
    order = order_of(planned, LEAK)
    for path in ("/plan", "/work-orders", f"/work-orders/{order}", "/held"):
        page = watched.open(path)
        assert watched.width_over() == 0, path
        fields = page.locator("input:not([type=hidden]), select, textarea, button")
        unnamed = fields.evaluate_all(
            "all => all.filter(e => !(e.labels?.length || e.ariaLabel || e.textContent.trim())).length"
        )
        assert unnamed == 0
        levels = page.locator("h1, h2, h3, h4").evaluate_all(
            "all => all.filter(e => e.checkVisibility()).map(e => Number(e.tagName[1]))"
        )
        assert levels[0] == 1
        assert levels.count(1) == 1
        assert all(after - before <= 1 for before, after in pairwise(levels))
        ids = page.locator("[id]").evaluate_all("all => all.map(e => e.id)")
        assert len(ids) == len(set(ids))
    page = watched.open("/plan")
    expect(page.locator("table.bays").first).to_be_visible(visible=width > 360)
    expect(page.get_by_role("button", name="Move K-watch")).to_be_visible()


@pytest.mark.browser
def test_a_sheet_prints_on_two_pages_at_most(planned: TestClient, watched: Watched) -> None:
    page = watched.open(f"/work-orders/{order_of(planned, LEAK)}")
    pages = {paper: len(re.findall(rb"/Type\s*/Page\b", page.pdf(format=paper))) for paper in ("A4", "Letter")}
    assert all(1 <= n <= 2 for n in pages.values()), pages
    page.emulate_media(media="print")
    expect(page.get_by_role("button", name="Write it down")).to_be_hidden()
    expect(page.get_by_role("heading", name="Cautions")).to_be_visible()
