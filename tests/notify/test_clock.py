"""Quiet hours and digests where clocks change.

The United States set theirs forward at 02:00 on the second Sunday of March and back at 02:00 on the first of November
(15 U.S.C. 260a): in 2031 on 9 March and 2 November.
"""

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from airwatch.notify.clock import DigestTimes, QuietHours

CHICAGO = ZoneInfo("America/Chicago")
ZONES = ["UTC", "America/Chicago", "Australia/Lord_Howe", "America/Havana", "Asia/Kolkata", "Pacific/Apia"]


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


NIGHT = QuietHours(time(22), time(6), CHICAGO)


@pytest.mark.parametrize(
    ("at", "until"),
    [
        ("2031-02-04T03:59", "2031-02-04T03:59"),  # 21:59
        ("2031-02-04T04:00", "2031-02-04T12:00"),  # 22:00 until 06:00
        ("2031-02-04T11:59", "2031-02-04T12:00"),
        ("2031-02-04T12:00", "2031-02-04T12:00"),
        ("2031-03-09T04:00", "2031-03-09T11:00"),  # the night of seven hours
        ("2031-11-02T03:00", "2031-11-02T12:00"),  # the night of nine
    ],
)
def test_quiet_hours_span_midnight_and_changes_of_the_clock(at: str, until: str) -> None:
    assert NIGHT.over(utc(at)) == utc(until)


def test_hours_that_end_where_the_clock_jumps_end_with_the_jump() -> None:
    quiet = QuietHours(time(22), time(2, 30), CHICAGO)
    assert quiet.over(utc("2031-03-09T07:30")) == utc("2031-03-09T08:00")  # 02:30 is never shown; 03:00 is


def test_hours_that_end_twice_last_until_the_second_time() -> None:
    quiet = QuietHours(time(22), time(1, 30), CHICAGO)
    assert quiet.over(utc("2031-11-02T06:45")) == utc("2031-11-02T07:30")  # 01:45 summer time, until 01:30 winter time


def test_a_daily_digest_comes_once_on_days_of_23_and_25_hours() -> None:
    half_past_one, half_past_two = (DigestTimes(time(hour, 30), None, CHICAGO) for hour in (1, 2))
    assert half_past_two.first_from(utc("2031-03-09T06:00")) == utc("2031-03-09T08:00")
    assert half_past_two.first_from(utc("2031-03-09T08:01")) == utc("2031-03-10T07:30")
    assert half_past_one.first_from(utc("2031-11-02T05:00")) == utc("2031-11-02T06:30")
    assert half_past_one.first_from(utc("2031-11-02T06:31")) == utc("2031-11-03T07:30")


def test_a_weekly_digest_comes_on_its_day() -> None:
    monday = DigestTimes(time(7), 0, CHICAGO)
    assert monday.first_from(utc("2031-02-03T13:00")) == utc("2031-02-03T13:00")
    assert monday.first_from(utc("2031-02-03T13:01")) == utc("2031-02-10T13:00")
    assert monday.first_from(utc("2031-03-08T13:01")) == utc("2031-03-10T12:00")


TIMES = st.times().map(lambda t: t.replace(second=0, microsecond=0))
INSTANTS = st.integers(0, 365 * 24 * 3600).map(lambda s: datetime(2031, 1, 1, tzinfo=UTC) + timedelta(seconds=s))


@given(start=TIMES, end=TIMES, zone=st.sampled_from(ZONES).map(ZoneInfo), t=INSTANTS)
def test_quiet_hours_agree_with_the_clock_on_the_wall(start: time, end: time, zone: ZoneInfo, t: datetime) -> None:
    if start == end:
        return
    ends = QuietHours(start, end, zone).over(t)
    assert QuietHours(start, end, zone).over(ends) == ends
    assert timedelta() <= ends - t <= timedelta(hours=25)
    day = [t + timedelta(hours=h) for h in range(-26, 27)]
    if len({one.astimezone(zone).utcoffset() for one in day}) == 1:  # no change of the clock nearby
        wall = t.astimezone(zone).time()
        is_quiet = start <= wall < end if start < end else wall >= start or wall < end
        assert (ends > t) == is_quiet
        assert not is_quiet or ends.astimezone(zone).time() == end


@given(at=TIMES, zone=st.sampled_from(ZONES).map(ZoneInfo), t=INSTANTS)
def test_digests_come_about_a_day_apart(at: time, zone: ZoneInfo, t: datetime) -> None:
    daily = DigestTimes(at, None, zone)
    first = daily.first_from(t)
    second = daily.first_from(first + timedelta(seconds=1))
    assert t <= first
    assert timedelta(hours=23) <= second - first <= timedelta(hours=25)
    assert daily.first_from(first) == first
