"""The shop: its bays, its people and its hours, and the half days that they make."""

import tomllib
from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Literal, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
from msgspec import Meta, Struct

from airwatch.errors import PlanError

Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
DAYS: tuple[Weekday, ...] = get_args(Weekday)

Name = Annotated[str, Meta(min_length=1, max_length=64)]
Hours = Annotated[str, Meta(pattern=r"^([01]\d|2[0-3]):[0-5]\d-(([01]\d|2[0-3]):[0-5]\d|24:00)$")]


class Bay(Struct, frozen=True, forbid_unknown_fields=True):
    """One bay; ``closed`` lists days on which it is not to be had."""

    name: Name
    equipment: tuple[Name, ...] = ()
    closed: tuple[date, ...] = ()


class Person(Struct, frozen=True, forbid_unknown_fields=True):
    """Somebody who works there; ``off`` lists days away, ``works`` the week days (all on which the shop opens)."""

    name: Name
    skills: tuple[Name, ...] = ()
    off: tuple[date, ...] = ()
    works: tuple[Weekday, ...] = DAYS


class Campaign(Struct, frozen=True, forbid_unknown_fields=True):
    """Days on which roadside inspectors are known to be out; of some fleets, or of all."""

    name: Name
    start: date
    end: date
    fleets: tuple[Name, ...] = ()


class Shop(Struct, frozen=True, forbid_unknown_fields=True):
    """A shop as its file describes it.

    ``hours`` gives for each week day the half days, on the wall's clock of ``time_zone``; ``closed`` whole days off.
    """

    shop: Name
    time_zone: str
    hours: dict[Weekday, tuple[Hours, ...]]
    bay: Annotated[tuple[Bay, ...], Meta(min_length=1)]
    person: Annotated[tuple[Person, ...], Meta(min_length=1)]
    closed: tuple[date, ...] = ()
    campaign: tuple[Campaign, ...] = ()


class Slot(Struct, frozen=True):
    """One half day; UTC without a zone. ``day`` is the shop's own date."""

    start: datetime
    end: datetime
    day: date
    weekday: str

    @property
    def length_h(self) -> float:
        """Hours between begin and end."""
        return (self.end - self.start) / timedelta(hours=1)


def parse_shop(text: str, where: str) -> Shop:
    """Read the description of a shop.

    Raises
    ------
    PlanError
        It is no TOML, an entry is unknown, missing or impossible, or a name stands twice. The text names ``where``.
    """
    try:
        shop = msgspec.convert(tomllib.loads(text), Shop)
        ZoneInfo(shop.time_zone)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as err:
        raise PlanError(f"{where}: {err}; see deploy/shop.example.toml") from err
    except (ZoneInfoNotFoundError, ValueError) as err:
        raise PlanError(f"{where}: time_zone {shop.time_zone!r} is none; write one like America/Chicago") from err
    for what, names in (("bay", [bay.name for bay in shop.bay]), ("person", [one.name for one in shop.person])):
        if twice := sorted({name for name in names if names.count(name) > 1}):
            raise PlanError(f"{where}: {what} {twice[0]!r} stands twice; give each a name of its own")
    for campaign in shop.campaign:
        if campaign.end < campaign.start:
            raise PlanError(f"{where}: campaign {campaign.name!r} ends before it starts; swap the dates")
    for day, spans in shop.hours.items():
        edges = [_clock(edge) for span in spans for edge in span.split("-")]
        if any(b <= a if i % 2 == 0 else b < a for i, (a, b) in enumerate(pairwise(edges))):
            raise PlanError(f"{where}: hours.{day}: {', '.join(spans)} are not in order; each must end before the next")
    return shop


def read_shop(path: Path) -> Shop:
    """Read the file that describes a shop.

    Raises
    ------
    PlanError
        It can't be read, or `parse_shop` refuses it.
    """
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise PlanError(f"{path}: can't be read: {err}; check the path") from err
    return parse_shop(text, str(path))


def slots(shop: Shop, begin: datetime, days: int) -> list[Slot]:
    """Give the half days that begin at ``begin`` or later, on the days from then on, by time.

    Parameters
    ----------
    shop : Shop
        Whose hours.
    begin : datetime
        UTC without a zone.
    days : int
        Calendar days of the shop, the first one counted.
    """
    zone = ZoneInfo(shop.time_zone)
    first = begin.replace(tzinfo=UTC).astimezone(zone).date()
    found = []
    for k in range(days):
        day = first + timedelta(days=k)
        if day in shop.closed:
            continue
        for span in shop.hours.get(DAYS[day.weekday()], ()):
            start, end = (_utc(day, edge, zone) for edge in span.split("-"))
            if start >= begin:
                found.append(Slot(start, end, day, DAYS[day.weekday()]))
    return found


def is_open(bay: Bay, slot: Slot) -> bool:
    """Tell whether a bay is to be had in a half day in which the shop is open."""
    return slot.day not in bay.closed


def is_in(person: Person, slot: Slot) -> bool:
    """Tell whether somebody works in a half day."""
    return slot.weekday in person.works and slot.day not in person.off


def campaign_of(
    shop: Shop, fleet: str, begin: datetime, campaigns: Sequence[Campaign] = ()
) -> tuple[datetime, str] | None:
    """Give the begin and the name of the next campaign that a fleet must be ready for, None if there is none."""
    zone = ZoneInfo(shop.time_zone)
    starts = [
        (_utc(one.start, "00:00", zone), one.name)
        for one in (*shop.campaign, *campaigns)
        if not one.fleets or fleet in one.fleets
    ]
    return min((one for one in starts if one[0] > begin), default=None)


def _utc(day: date, clock: str, zone: ZoneInfo) -> datetime:
    minutes = _clock(clock)
    local = (
        datetime.combine(day, time(0), zone)
        if minutes < 24 * 60
        else datetime.combine(day + timedelta(days=1), time(0), zone)
    )
    if minutes < 24 * 60:
        local = local.replace(hour=minutes // 60, minute=minutes % 60)
    return local.astimezone(UTC).replace(tzinfo=None)


def _clock(text: str) -> int:
    hour, minute = text.split(":")
    return int(hour) * 60 + int(minute)
