"""The alert pages, in process, and the words on them."""

import re
from datetime import datetime, timedelta

import polars as pl
import pytest
from fastapi.testclient import TestClient

from airwatch.alerts.frames import ALERTS
from airwatch.alerts.lifecycle import ACTIONS, STATES, silences
from airwatch.alerts.settings import shipped_settings
from airwatch.store.database import Store
from dashboards import alert_words
from dashboards.alert_words import (
    CHANGES,
    HEADLINES,
    crossing_text,
    evidence_lines,
    headline,
    percent,
    rule_reason,
    suggested_change,
    sureness_text,
)
from dashboards.alerts import allowed_changes, by_need
from dashboards.api.alert_models import AlertDetails, Count, Evidence, Explanation
from dashboards.app import create_app
from dashboards.figures.layout import Moment, rows_of
from dashboards.words import CAUTIONS, FAULTS
from tests.dashboards.accounts import nobody
from tests.dashboards.alert_rows import LEAK, WEAK, change_row, history, history_row
from tests.dashboards.small_fleet import NEWEST
from tests.dashboards.test_pages import plain

LEAK_PAGE, WEAK_PAGE = f"/alerts/{LEAK}", f"/alerts/{WEAK}"
CHANGES_PATH = f"/api/v1/alerts/{LEAK}/changes"
NOON = datetime(2031, 2, 7, 12)  # noqa: DTZ001 as in the store


@pytest.fixture
def changing(changed_store: Store) -> TestClient:
    return TestClient(create_app(changed_store, None, access=nobody()), raise_server_exceptions=False)


def section(html: str, name: str) -> str:
    """Give what the section with this heading says."""
    at = html.index(f'aria-labelledby="{name}"')
    return plain(html[at + len(name) + 18 : html.index("</section>", at)])


def post(client: TestClient, change: str, **more: object) -> None:
    body = {"change": change, "who": "R. Okafor", "reason": "seen at the ramp", **more}
    assert client.post(CHANGES_PATH, json=body).status_code == 201


# The page of one alert ------------------------------------------------------------------------------------------------


def test_alert_says_what_is_wrong_how_far_and_since_when(client: TestClient) -> None:
    text = plain(client.get(LEAK_PAGE).text)
    for words in (
        "The primary tank loses air K-leak, fleet north",
        "high severity; open: nobody has taken it up since 2031-02-06 07:00",
        "5.65 psi/min 95 %: 5.47 to 5.83 psi/min",
        "at most 3.00 psi/min",
        "us-leak-static-combination",
        "Already beyond it, since 2031-02-06 07:00",
        "92 % for this explanation among the 5 explanations compared",
        "3 readings with 95 % intervals",
    ):
        assert words in text
    assert "kPa" not in section(client.get(LEAK_PAGE).text, "why")


def test_alert_lists_explanations_with_evidence_for_and_against(client: TestClient) -> None:
    html = client.get(LEAK_PAGE).text
    rows = re.findall(r'<tr role="row".*?</tr>', html[html.index('class="explanations"') :], re.DOTALL)
    best, second = plain(rows[1]), plain(rows[2])
    assert best.startswith(" Leak, primary tankthe primary tank falls in every state and the secondary holds 92 %")
    assert "a little: parked: only the primary tank fell, 3 times" in best
    assert best.rstrip().endswith("nothing that tells it from the others")  # against it
    assert second.startswith(" Air flows back to the supply tank, primary circuit")
    assert "6 %" in second
    assert second.index("nothing that tells it from the others") < second.index("a little: parked")
    assert "less than 1 %" in plain(rows[5])
    assert "No leak: use of air" in plain(rows[5])


def test_alert_says_what_to_look_at_first_beside_the_cautions(client: TestClient) -> None:
    text = section(client.get(LEAK_PAGE).text, "first")
    assert "Leak, primary tank: primary tank and its drain, rear axle circuit lines" in text
    assert "If that is sound" not in text  # the second explanation is below one in ten
    for caution in CAUTIONS:
        assert caution in text


def test_a_second_explanation_worth_a_look_is_named(changing: TestClient, changed_store: Store) -> None:
    told = [
        {"fault": "leak_primary", "probability": 0.6, "inspect": "the drain"},
        {"fault": "leak_released", "probability": 0.3, "inspect": "the chambers"},
        {"fault": "none", "probability": 0.1, "inspect": ""},
    ]
    change_row(changed_store, LEAK, details={"explanations": told})
    text = section(changing.get(LEAK_PAGE).text, "first")
    assert "If that is sound, leak, parking brake released: the chambers." in text
    assert text.count("If that is sound") == 1


def test_alert_by_count_says_its_rule_and_common_practice(client: TestClient) -> None:
    html = client.get(WEAK_PAGE).text
    assert "3 of the last 4 readings must speak for it." in section(html, "why")
    assert "Why so: three runs of four: air used unseen makes one rise slow." in section(html, "why")
    assert "Intake filter and line" in section(html, "first")
    assert "Common practice, no source." in section(html, "first")
    assert "Up to 4 of 4 readings speak for it" in plain(html)


def test_history_says_who_when_and_why_and_keeps_words_as_written(changing: TestClient) -> None:
    post(changing, "noted", reason="hisses at 700 kPa\n<script>alert(1)</script>")
    html = changing.get(LEAK_PAGE).text
    text = section(html, "history")
    assert text.index("noted") < text.index("opened")  # the newest first
    assert "hisses at 700 kPa <script>alert(1)</script>" in text  # what people write is not converted
    assert "<script>alert" not in html
    assert "by the readings" in text
    assert "Primary tank leaks; parked 5.64 psi/min" in text


def test_form_offers_what_may_be_done_and_suggests_the_next_step(changing: TestClient) -> None:
    def offered() -> tuple[list[str], str]:
        html = changing.get(LEAK_PAGE).text
        radios = re.findall(r'name="change" value="(\w+)"( checked)?', html)
        (checked,) = (name for name, is_checked in radios if is_checked)
        return [name for name, _ in radios], checked

    assert offered() == (allowed_changes("open"), "acknowledged")
    post(changing, "acknowledged")
    assert offered()[1] == "planned"
    post(changing, "planned")
    assert offered()[1] == "repaired"
    post(changing, "repaired")
    assert offered() == (["dismissed", "reopened", "noted"], "noted")


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("acknowledged", "acknowledged: somebody has seen it since 2031-02-07 11:59, R. Okafor"),
        ("planned", "planned: work is arranged since"),
        ("repaired", "repaired: readings have yet to show that it held"),
        ("dismissed", "dismissed: somebody found no fault"),
    ],
)
def test_state_is_said_in_words_and_has_a_hue_only_while_it_asks_for_action(
    changing: TestClient, change: str, says: str
) -> None:
    post(changing, change)
    html = changing.get(LEAK_PAGE).text
    assert says in plain(html)
    is_closed = change in ("repaired", "dismissed")
    assert ('class="standing calm"' in html) == is_closed
    assert ('class="standing severity-high"' in html) != is_closed
    assert ("Was beyond it, first 2031-02-06 07:00" in plain(html)) == is_closed
    unit = changing.get("/units/north/K-leak").text
    assert ('class="alert calm"' in unit) == is_closed


def test_a_silence_is_grey_and_shows_its_end_everywhere(changing: TestClient) -> None:
    post(changing, "silenced", until="2031-03-01T06:30:00Z")
    html = changing.get(LEAK_PAGE).text
    assert "Silenced until 2031-03-01 06:30. The fault is still there." in plain(html)
    assert 'class="standing calm"' in html
    assert "silenced until 2031-03-01 06:30" in plain(changing.get("/alerts").text)
    assert "silenced until 2031-03-01 06:30" in plain(changing.get("/units/north/K-leak").text)
    assert "silenced until 2031-03-01 06:30" in plain(changing.get("/").text)


def test_an_alert_that_readings_reopened_says_so(changing: TestClient) -> None:
    post(changing, "repaired", at="2031-02-06T05:00:00Z")
    assert "open again: readings since show the fault" in plain(changing.get(LEAK_PAGE).text)


def test_forecast_is_said_with_its_interval(changing: TestClient, changed_store: Store) -> None:
    change_row(
        changed_store,
        LEAK,
        details={"beyond_since": None},
        crossing_early=NEWEST + timedelta(days=5),
        crossing_likely=NEWEST + timedelta(days=9),
        crossing_late=NEWEST + timedelta(days=30),
    )
    said = "Likely crossed about 2031-02-16, between 2031-02-12 and 2031-03-09 with 80 % probability"
    assert said in plain(changing.get(LEAK_PAGE).text)
    assert "crossed about 2031-02-16" in plain(changing.get("/alerts").text)
    assert said[0].lower() + said[1:] in plain(changing.get("/units/north/K-leak").text)


def test_pressures_on_the_page_follow_the_asked_unit(client: TestClient) -> None:
    text = plain(client.get(LEAK_PAGE, params={"units": "bar"}).text)
    assert "parked 0.389 bar/min" in text
    assert "at most 0.207 bar/min" in text
    assert "psi/min" not in text


# The list of alerts ---------------------------------------------------------------------------------------------------


def listed(client: TestClient, **query: str) -> list[str]:
    return re.findall(r'href="/alerts/([0-9a-f]{16})', client.get("/alerts", params=query).text)


def test_alerts_are_listed_by_need_in_bands(changing: TestClient) -> None:
    html = changing.get("/alerts").text
    assert listed(changing) == [LEAK, WEAK]
    assert "2 of 2 alerts wait for somebody" in html
    post(changing, "acknowledged")
    assert listed(changing) == [WEAK, LEAK]
    post(changing, "dismissed")
    text = plain(changing.get("/alerts").text)
    assert "1 of 2 alerts waits for somebody" in text
    assert text.index("Nobody has taken it up") < text.index("Closed: verified or dismissed")


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({"severity": "medium"}, [WEAK]),
        ({"fault": "leak_primary"}, [LEAK]),
        ({"state": "open", "fleet": "north"}, [LEAK, WEAK]),
        ({"state": "verified"}, []),
        ({"fleet": "elsewhere"}, []),
        ({"state": "", "severity": "", "fault": "", "fleet": ""}, [LEAK, WEAK]),
    ],
)
def test_alerts_are_narrowed(client: TestClient, query: dict[str, str], found: list[str]) -> None:
    assert listed(client, **query) == found
    html = client.get("/alerts", params=query).text
    assert ("No alert matches this." in html) == (not found)
    assert ("Show everything" in html) == any(query.values())
    for name, value in query.items():
        select = html[html.index(f'<select name="{name}"') :]
        assert not value or f'<option value="{value}" selected>' in select[: select.index("</select>")]


def test_a_wrong_filter_is_said_and_an_empty_store_has_a_page(client: TestClient, empty_client: TestClient) -> None:
    assert client.get("/alerts", params={"state": "gone"}).status_code == 422
    assert "No alert. That clears nothing" in empty_client.get("/alerts").text


def test_fleet_and_unit_link_to_the_alert(client: TestClient) -> None:
    assert f'<a href="{LEAK_PAGE}">Primary tank leaks</a>; parked' in client.get("/").text
    assert f'<a href="{LEAK_PAGE}">' in client.get("/units/north/K-leak", params={"units": "bar"}).text


def test_the_fleet_says_what_is_done_about_an_alert(changing: TestClient) -> None:
    post(changing, "planned")
    assert "; planned" in plain(changing.get("/").text)


def test_order_of_need() -> None:
    rows = [
        ("closed", "dismissed", "high", None),
        ("quiet", "planned", "high", None),
        ("late", "open", "low", NOON + timedelta(days=9)),
        ("soon", "open", "low", NOON + timedelta(days=2)),
        ("never", "open", "low", None),
        ("grave", "open", "high", None),
        ("taken", "acknowledged", "high", None),
        ("mended", "repaired", "high", None),
    ]
    known = {"fleet": "north", "unit": "K", "fault": "leak_primary", "confidence": 0.5, "opened": NOON, "updated": NOON}
    frame = pl.DataFrame(
        [{**known, "id": i, "state": s, "severity": v, "crossing_likely": c} for i, s, v, c in rows], schema=ALERTS
    )
    ordered = by_need(frame, {"quiet"})
    assert ordered["id"].to_list() == ["grave", "soon", "late", "never", "taken", "mended", "quiet", "closed"]
    assert by_need(frame.clear(), set()).is_empty()


def test_only_a_silence_that_holds_counts_and_the_longest_of_several() -> None:
    def silence(begin_h: int, end_h: int) -> dict[str, object]:
        hours = timedelta(hours=1)
        return history_row("silenced", NOON + begin_h * hours, "open", until=NOON + end_h * hours)

    assert silences(history(silence(-5, -1), silence(1, 9)), NOON) == {}
    assert silences(history(silence(-5, 3), silence(-4, 2)), NOON) == {LEAK: NOON + timedelta(hours=3)}


# Words ----------------------------------------------------------------------------------------------------------------


def test_every_fault_state_and_change_has_words() -> None:
    assert HEADLINES.keys() == FAULTS.keys()
    told = {signature.fault for signature in shipped_settings().signature}
    assert FAULTS.keys() - told == {rule.fault for rule in shipped_settings().rule if rule.inspect} - told
    assert set(STATES) <= alert_words.STATES.keys()
    assert tuple(CHANGES) == ACTIONS or set(CHANGES) == set(ACTIONS)


@pytest.mark.parametrize(
    ("early_d", "likely_d", "late_d", "says"),
    [
        (None, None, None, "Not beyond it, and no clear trend leads there"),
        (1, 2, 3, "Likely crossed about 2031-02-09, between 2031-02-08 and 2031-02-10 with 80 % probability"),
        (1, 2, None, "Likely crossed about 2031-02-09, not before 2031-02-08, no latest day can be given"),
        (None, 2, 3, "Likely crossed about 2031-02-09, no earliest day can be given, not after 2031-02-10"),
        (-9, -2, 3, "; that day has passed without a reading that shows it"),
    ],
)
def test_crossing_in_words(early_d: int | None, likely_d: int | None, late_d: int | None, says: str) -> None:
    days = {"crossing_early": early_d, "crossing_likely": likely_d, "crossing_late": late_d}
    crossing = {name: None if d is None else NOON + timedelta(days=d) for name, d in days.items()}
    row = {"fault": "leak_primary", "state": "open", **crossing}
    assert says in crossing_text(row, AlertDetails(), NOON)
    assert says in crossing_text(row, None, NOON)


def test_what_has_no_limit_is_not_called_beyond_it() -> None:
    details, row = AlertDetails(beyond_since=NOON), {"fault": "abs_active", "state": "open"}
    assert crossing_text(row, details, NOON) == "Reported since 2031-02-07 12:00"
    row = {"fault": "supply_backflow", "state": "open"}
    said = "No limit applies; the fault shows since 2031-02-07 12:00"
    assert crossing_text(row, details, NOON, has_limit=False) == said


def test_a_trend_has_a_headline_of_its_own() -> None:
    row = {"fault": "compressor_weak", "trailer": None, "crossing_likely": NOON}
    assert headline(row, AlertDetails()) == "The compressor fills the tanks more and more slowly"
    assert headline(row, AlertDetails(beyond_since=NOON)) == "The compressor fills the tanks too slowly"
    assert headline({**row, "fault": "leak_trailer", "trailer": "R-7"}, None) == "Trailer R-7 loses air"
    assert headline({**row, "fault": "new_kind"}, None) == "New kind"


def test_nothing_is_ever_certain() -> None:
    assert [percent(x) for x in (0.0, 0.009, 0.5, 0.99, 1.0)] == [
        "less than 1 %",
        "less than 1 %",
        "50 %",
        "99 %",
        "more than 99 %",
    ]
    by_trend = AlertDetails(rule=Count(of_last=4, at_least=3))
    assert sureness_text({"confidence": 0.6}, by_trend) == "60 %"


def test_evidence_is_sorted_by_strength_and_what_tells_nothing_is_left_out() -> None:
    evidence = [Evidence(seen=str(x), speaks=x) for x in (4.0, 0.5, 0.1, -0.2, -1.5, -6.0)]
    explanation = Explanation(fault="none", probability=0.5, evidence=evidence)
    assert evidence_lines(explanation) == (
        [("4.0", "strongly"), ("0.5", "a little")],
        [("-6.0", "strongly"), ("-1.5", "clearly")],
    )


def test_reasons_name_faults_in_words() -> None:
    assert rule_reason("as for governor_cut_out_high; low pressure") == "as for “Governor cuts out high”; low pressure"


def test_suggested_change_goes_on_along_the_way() -> None:
    assert {state: suggested_change(state, allowed_changes(state)) for state in STATES} == {
        "open": "acknowledged",
        "acknowledged": "planned",
        "planned": "repaired",
        "repaired": "noted",
        "verified": "noted",
        "dismissed": "noted",
    }


def test_names_of_moments_stand_in_rows_so_that_none_lies_over_another() -> None:
    span = (NOON, NOON + timedelta(hours=100))
    moments = [Moment(NOON + timedelta(hours=h), str(h)) for h in (0, 10, 20, 30, 99)]
    assert rows_of(moments, span) == [0, 1, 2, 0, 0]
    assert rows_of([], span) == []
