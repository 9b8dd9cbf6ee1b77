"""Quiet hours and digest times by the clock on somebody's wall, across midnight and changes of the clock."""

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

_DAY = timedelta(days=1)
_WEEK_DAYS = 7


@dataclass(frozen=True, slots=True)
class QuietHours:
    """Hours in which nothing is sent, each day from ``start`` until just before ``end``, which may be on the next day.

    Where the clock is set back and shows ``end`` twice, they last until the second time: somebody may be asleep.
    """

    start: time
    end: time
    zone: ZoneInfo

    def over(self, t: datetime) -> datetime:
        """Give ``t`` itself if it is not quiet then, else when it ceases to be quiet; ``t`` is aware."""
        today = t.astimezone(self.zone).date()
        later = _DAY if self.end <= self.start else timedelta()
        for day in (today - _DAY, today):
            start = instant(day, self.start, self.zone)
            end = instant(day + later, self.end, self.zone, is_last=True)
            if start <= t < end:
                return end
        return t


@dataclass(frozen=True, slots=True)
class DigestTimes:
    """When what was gathered is sent: each day at ``at``, or each week on ``weekday`` (Monday is 0)."""

    at: time
    weekday: int | None
    zone: ZoneInfo

    def first_from(self, t: datetime) -> datetime:
        """Give the first digest time that is not before ``t``, which is aware; one a day, however the clock is set."""
        today = t.astimezone(self.zone).date()
        # From the day before: where the clock is set back at midnight a date comes twice.
        days = (today + _DAY * i for i in range(-1, 2 * _WEEK_DAYS))
        ticks = (instant(day, self.at, self.zone) for day in days if self.weekday in (None, day.weekday()))
        return next(tick for tick in ticks if tick >= t)


def instant(day: date, wall: time, zone: ZoneInfo, *, is_last: bool = False) -> datetime:
    """Give the UTC time at which a clock in ``zone`` shows ``wall`` on ``day``.

    If it shows it twice (set back), the first time, or with ``is_last`` the second. If it never does (set forward), the
    time of the change: the first at which it shows something later.
    """
    naive = datetime.combine(day, wall)
    first, second = (naive.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))
    if first <= second:
        return second if is_last else first
    low, high = int(second.timestamp()), int(first.timestamp())  # PEP 495: in a gap fold=1 lies before the change
    while high - low > 1:
        middle = (low + high) // 2
        shown = datetime.fromtimestamp(middle, zone).replace(tzinfo=None)
        low, high = (low, middle) if shown >= naive else (middle, high)
    return datetime.fromtimestamp(high, UTC)
