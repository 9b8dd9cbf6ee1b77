"""The shop's file and its half days."""

from datetime import date, datetime
from pathlib import Path

import pytest

from airwatch.errors import PlanError
from airwatch.plan.shop import campaign_of, is_in, is_open, parse_shop, read_shop, slots


def at(text: str) -> datetime:
    return datetime.fromisoformat(text)


TEXT = """
shop = "ridge"
time_zone = "America/Chicago"
closed = [2031-03-11]
hours.monday = ["07:00-12:00", "12:30-17:00"]
hours.tuesday = ["07:00-12:00"]
hours.saturday = ["20:00-24:00"]

[[bay]]
name = "1"
equipment = ["pit"]
closed = [2031-03-10]

[[person]]
name = "R. Okafor"
skills = ["air"]
works = ["monday"]

[[campaign]]
name = "spring week"
start = 2031-03-17
end = 2031-03-21
fleets = ["north"]
"""


def test_half_days_follow_the_wall_clock_over_a_change_of_it() -> None:
    """Clocks in Chicago go forward on the second Sunday of March: 9 March 2031; CST is UTC-6, CDT UTC-5."""
    found = slots(parse_shop(TEXT, "shop.toml"), at("2031-03-08 12:00"), 4)
    assert [(slot.start, slot.end) for slot in found] == [
        (at("2031-03-09 02:00"), at("2031-03-09 06:00")),
        (at("2031-03-10 12:00"), at("2031-03-10 17:00")),
        (at("2031-03-10 17:30"), at("2031-03-10 22:00")),
    ]
    assert [slot.length_h for slot in found] == [4.0, 5.0, 4.5]


def test_a_half_day_that_has_begun_is_over() -> None:
    found = slots(parse_shop(TEXT, "shop.toml"), at("2031-03-10 12:01"), 1)
    assert found[0].start == at("2031-03-10 17:30")


def test_who_and_what_is_there() -> None:
    shop = parse_shop(TEXT, "shop.toml")
    saturday, monday = slots(shop, at("2031-03-08 12:00"), 3)[:2]
    assert [is_in(shop.person[0], slot) for slot in (saturday, monday)] == [False, True]
    assert [is_open(shop.bay[0], slot) for slot in (saturday, monday)] == [True, False]


def test_the_next_campaign_of_a_fleet() -> None:
    shop = parse_shop(TEXT, "shop.toml")
    assert campaign_of(shop, "north", at("2031-03-03 00:00")) == (at("2031-03-17 05:00"), "spring week")
    assert campaign_of(shop, "harbor", at("2031-03-03 00:00")) is None
    assert campaign_of(shop, "north", at("2031-03-18 00:00")) is None
    assert shop.campaign[0].end == date(2031, 3, 21)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("America/Chicago", "America/Nowhere", "time_zone 'America/Nowhere' is none"),
        ('"07:00-12:00", "12:30-17:00"', '"07:00-13:00", "12:30-17:00"', "hours.monday: .* are not in order"),
        ('"20:00-24:00"', '"20:00-19:00"', "hours.saturday: .* are not in order"),
        ('"20:00-24:00"', '"20:00-25:00"', "hours"),
        ("end = 2031-03-21", "end = 2031-03-12", "campaign 'spring week' ends before it starts"),
        ("[[person]]", '[[bay]]\nname = "1"\n\n[[person]]', "bay '1' stands twice"),
        ("closed = [2031-03-11]", "shut = [2031-03-11]", "unknown field `shut`"),
        ("[[bay]]", "[[bay]", "shop.toml: .*line"),
    ],
)  # fmt: skip
def test_a_file_that_is_wrong_is_refused_with_the_place(old: str, new: str, says: str) -> None:
    assert old in TEXT
    with pytest.raises(PlanError, match=rf"^shop.toml: .*{says}|^shop.toml: {says}|{says}"):
        parse_shop(TEXT.replace(old, new, 1), "shop.toml")


def test_a_file_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match=r"can't be read: .*; check the path"):
        read_shop(tmp_path / "none.toml")
