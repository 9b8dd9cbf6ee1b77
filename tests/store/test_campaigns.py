"""Campaigns from setting up to scoring, through the store."""

from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import polars as pl
import pytest

from airwatch.derive.frames import READINGS
from airwatch.derive.readings import RUNS
from airwatch.errors import CampaignError
from airwatch.store import campaigns as kept
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, replace_windows
from airwatch.store.hand import add_entries
from airwatch.store.registry import replace_units
from pipelines.readiness import forecast_campaign, score_campaign
from tests.hand.made import NOW, entry, frame, units
from tests.hand.test_compare import stream

WEEK: dict[str, Any] = {
    "id": "c1", "name": "brake week", "fleet": "north", "first_day": date(2031, 2, 10), "last_day": date(2031, 2, 14),
    "items": "stroke;build_up",
}  # fmt: skip


def outcome(unit: str, *, passed: bool, item: str = "stroke", **known: Any) -> dict[str, Any]:
    row = {
        "id": f"{unit}-{item}", "campaign": "c1", "fleet": "north", "unit": unit, "item": item, "passed": passed,
        "seen_at": NOW + timedelta(days=8), "note": None,
    }  # fmt: skip
    return {**row, **known}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "a.duckdb") as store:
        replace_units(store, units())
        kept.add_campaign(store, WEEK, who="Ada")
        yield store


def put_readings(store: Store, *rows: dict[str, Any]) -> None:
    none, runs = pl.DataFrame(schema=WINDOWS), pl.DataFrame(schema=RUNS)
    replace_windows(store, none, runs, pl.DataFrame(list(rows), schema=READINGS))


def test_a_campaign_from_setting_up_to_its_score(store: Store) -> None:
    wheels = [f"{axle}{side}" for axle in (1, 2, 3) for side in "LR"]
    add_entries(store, frame(*(entry("stroke", 1.25, "in", position=wheel, id=wheel) for wheel in wheels)))
    put_readings(store, stream("build_up_time", 20.0, 3.0), stream("build_up_time", 80.0, 3.0, days=3))
    made = forecast_campaign(store, "c1", now=NOW)
    answers = dict(zip(made.select("unit", "item").rows(), made["answer"], strict=True))
    assert answers == {("K-1", "stroke"): "ready", ("K-1", "build_up"): "ready", ("R-1", "stroke"): "unknown"}
    kept.add_outcome(store, outcome("K-1", passed=True), who="Ben")
    kept.add_outcome(store, outcome("R-1", passed=False), who="Ben")
    kept.add_outcome(store, outcome("K-1", passed=False, item="build_up"), who="Ben")
    scored = score_campaign(store, "c1")
    assert scored.brier is not None
    chances = dict(zip(made.select("unit", "item").rows(), made["chance"], strict=True))
    stroke, build_up = chances["K-1", "stroke"], chances["K-1", "build_up"]
    assert scored.brier.score == pytest.approx(((1 - stroke) ** 2 + build_up**2) / 2)
    assert (scored.n_unknown, scored.n_unknown_passed, scored.n_unforecast) == (1, 0, 0)


def test_a_later_forecast_stands_beside_the_earlier_and_once(store: Store) -> None:
    forecast_campaign(store, "c1", now=NOW)
    forecast_campaign(store, "c1", now=NOW)
    forecast_campaign(store, "c1", now=NOW + timedelta(days=1))
    assert kept.forecasts_of(store, "c1").height == 6
    assert kept.forecasts_of(store, "c1", only_last=True)["made_at"].unique().to_list() == [NOW + timedelta(days=1)]


def test_a_campaign_and_an_outcome_are_there_once_and_corrected_by_new_rows(store: Store) -> None:
    assert kept.add_campaign(store, WEEK, who="Ada") == 0
    moved = {**WEEK, "id": "c2", "last_day": date(2031, 2, 15)}
    kept.correct_campaign(store, "c1", moved, who="Ben", why="a day more")
    assert kept.campaigns(store)["last_day"].to_list() == [date(2031, 2, 15)]
    assert kept.campaigns(store, "c1")["id"].to_list() == ["c2"]
    assert kept.campaign_history(store, "c1").select("id", "who", "reason").rows() == [
        ("c1", "Ada", None), ("c2", "Ben", "a day more")
    ]  # fmt: skip
    wrong, right = outcome("K-1", passed=False), outcome("K-1", passed=True, id="o2")
    assert [kept.add_outcome(store, wrong, who="Ada") for _ in range(2)] == [1, 0]
    kept.correct_outcome(store, "K-1-stroke", right, who="Ben", why="misread")
    assert kept.outcomes_of(store, "c1")["passed"].to_list() == [True]
    assert kept.outcomes_of(store, "c1", with_replaced=True)["passed"].to_list() == [False, True]
    kept.correct_outcome(store, "o2", {**right, "id": "o3"}, who="Ben", why="not inspected", is_void=True)
    assert kept.outcomes_of(store, "c1").is_empty()


def test_a_campaign_that_was_called_off_is_neither_forecast_nor_scored(store: Store) -> None:
    kept.correct_campaign(store, "c1", {**WEEK, "id": "c2"}, who="Ben", why="called off", is_void=True)
    for asked in (forecast_campaign, score_campaign):
        with pytest.raises(CampaignError, match="there is no campaign 'c1', or it was called off"):
            asked(store, "c1")


@pytest.mark.parametrize(
    ("changed", "who", "said"),
    [
        ({"name": " "}, "Ada", "campaign, name: is empty"),
        ({}, "", "campaign brake week, who: is empty"),
        ({"last_day": date(2031, 2, 1)}, "Ada", "2031-02-10 to 2031-02-01 is no range of days"),
        ({"last_day": None}, "Ada", "is no range of days"),
        ({"items": ""}, "Ada", "campaign, items: there is none"),
        ({"items": "stroke;tyres"}, "Ada", "tyres is none of stroke"),
    ],
)
def test_what_can_be_no_campaign_is_refused(store: Store, changed: dict[str, Any], who: str, said: str) -> None:
    with pytest.raises(CampaignError, match=said):
        kept.add_campaign(store, {**WEEK, "id": "c9", **changed}, who=who)
    assert kept.campaigns(store).height == 1


@pytest.mark.parametrize(
    ("changed", "who", "said"),
    [
        ({"campaign": "c9"}, "Ada", "there is no campaign 'c9'"),
        ({}, " ", "outcome of K-1, who: is empty"),
        ({"item": "hoses"}, "Ada", "item: 'hoses' is none of stroke;build_up"),
        ({"fleet": "south"}, "Ada", "fleet: 'south' is not 'north'"),
        ({"passed": None}, "Ada", "say whether it passed"),
    ],
)
def test_what_can_be_no_outcome_is_refused(store: Store, changed: dict[str, Any], who: str, said: str) -> None:
    with pytest.raises(CampaignError, match=said):
        kept.add_outcome(store, {**outcome("K-1", passed=True), **changed}, who=who)
    assert kept.outcomes_of(store, "c1").is_empty()
    with pytest.raises(CampaignError, match="correction of nothing: there is no such row"):
        kept.correct_outcome(store, "nothing", outcome("K-1", passed=True), who="Ada", why="why not")
