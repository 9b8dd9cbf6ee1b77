"""The file that says who is told of what, and how: people by role, their channels, quiet hours, digests, and MQTT.

`deploy/notify.example.toml` shows every field.
"""

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from pathlib import Path
from typing import Annotated, Literal, TypeVar, get_args
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import msgspec
from msgspec import Meta, Struct

from airwatch.alerts.frames import GRAVITY
from airwatch.alerts.rules import Severity
from airwatch.contract.topics import ROOT, is_name
from airwatch.notify.clock import DigestTimes, QuietHours
from airwatch.notify.errors import NotifyError
from airwatch.notify.frames import Event

Change = Literal[
    "opened", "graver", "reopened", "planned", "in_work", "cancelled", "repaired", "verified", "dismissed", "withdrawn"
]
ClockTime = Annotated[str, Meta(pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$")]
Weekday = Literal["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"]
Label = Annotated[str, Meta(pattern=r"^[^/\s]([^/\n]*[^/\s])?$", max_length=64)]
Fleets = Literal["all"] | tuple[str, ...]

_USUAL_CHANGES: tuple[Change, ...] = ("opened", "graver", "reopened", "withdrawn")
_WEEKDAYS: tuple[Weekday, ...] = get_args(Weekday)

_HINTS = {
    "fleets": 'write "all" or a list of names',
    "least_severity": "write low, medium or high",
    "changes": f"write some of {', '.join(get_args(Change))}",
    "quiet": 'write start and end, or "none"',
    "digest": 'write every and at, or "none"',
    "every": "write day or week",
    "on": f"write one of {', '.join(_WEEKDAYS)}",
    **dict.fromkeys(("start", "end", "at"), "write it as HH:MM, from 00:00 to 23:59"),
    **dict.fromkeys(("name", "role"), "write 1 to 64 characters without /"),
    "since": "write a time with its zone, such as 2031-02-01T00:00:00Z",
}

MQTT_TARGET = "mqtt"
MQTT_CHANGES = frozenset({*get_args(Change), "acknowledged", "explained"})
"""What moves an alert or rewrites it. Notes and silences do not, and one may be added to an alert long closed."""

MQTT_PREFIX = "air/v1-alerts"
"""Where alerts are published unless the file says otherwise.

Not below ``air/v1``: the landing subscribes to ``air/v1/#`` and keeps whatever is no vehicle stream as a reject, so
each alert would come back as one; and a vehicle's right to write its own four topics must never reach an alert, nor the
right to read alerts reach vehicle data. `deploy/mosquitto/staff.acl` gives rights by this prefix.
"""


class Quiet(Struct, frozen=True, forbid_unknown_fields=True):
    """Hours in which nothing is sent."""

    start: ClockTime
    end: ClockTime
    high_breaks_through: bool = False


class Digest(Struct, frozen=True, forbid_unknown_fields=True):
    """One message a day or week in place of one for each change."""

    every: Literal["day", "week"]
    at: ClockTime
    on: Weekday | None = None
    high_at_once: bool = False


_Wish = TypeVar("_Wish", Quiet, Digest)


class Channel(Struct, frozen=True, forbid_unknown_fields=True):
    """An apprise URL, or the environment variable that holds it; one of the two."""

    url: str | None = None
    env: str | None = None


class Wishes(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What may be said of a role, and of one person in its place."""

    fleets: Fleets | None = None
    least_severity: Severity | None = None
    changes: tuple[Change, ...] | None = None
    quiet: Quiet | Literal["none"] | None = None
    digest: Digest | Literal["none"] | None = None
    time_zone: str | None = None


class Person(Wishes, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Somebody, or a group with one address."""

    name: Label
    role: Label
    channels: dict[Label, Channel]
    since: Annotated[datetime, Meta(tz=True)] | None = None


class Mqtt(Struct, frozen=True, forbid_unknown_fields=True):
    """Where alerts are published."""

    prefix: str = MQTT_PREFIX
    fleets: Fleets = "all"
    since: Annotated[datetime, Meta(tz=True)] | None = None


class Together(Struct, frozen=True, forbid_unknown_fields=True):
    """When changes share a message: more than ``over`` within ``minutes``; no message holds more than ``most``."""

    over: Annotated[int, Meta(ge=1)] = 5
    minutes: Annotated[float, Meta(ge=0, le=1440)] = 10.0
    most: Annotated[int, Meta(ge=1)] = 100


class Retry(Struct, frozen=True, forbid_unknown_fields=True):
    """How long a failed target rests: ``first_minutes``, then twice as long each time up to ``longest_minutes``."""

    first_minutes: Annotated[float, Meta(gt=0)] = 1.0
    longest_minutes: Annotated[float, Meta(gt=0)] = 30.0

    def rest(self, attempts: int) -> timedelta:
        """Give how long to rest after so many failures."""
        doublings = min(max(attempts - 1, 0), 30)  # 2**30 minutes are beyond any longest
        return timedelta(minutes=min(self.longest_minutes, self.first_minutes * 2**doublings))


class NotifyFile(Struct, frozen=True, forbid_unknown_fields=True):
    """The file as it stands."""

    time_zone: str = "UTC"
    together: Together = Together()
    retry: Retry = Retry()
    role: dict[Label, Wishes] = {}
    person: tuple[Person, ...] = ()
    mqtt: Mqtt | None = None


@dataclass(frozen=True, slots=True)
class Selection:
    """Which events a target wants; ``fleets`` None is all, ``least`` as in `GRAVITY`."""

    fleets: frozenset[str] | None
    least: int
    changes: frozenset[str]
    since: datetime | None

    def wants(self, event: Event) -> bool:
        """Tell whether the target is to be told of an event.

        The graver of its severities counts: who was told that an alert is high hears what became of it.
        """
        gravity = max(event.gravity, GRAVITY.get(event.previous_severity or "", 1))
        return (
            event.kind in self.changes
            and gravity >= self.least
            and (self.fleets is None or event.fleet in self.fleets)
            and (self.since is None or event.at.replace(tzinfo=UTC) >= self.since)
        )


@dataclass(frozen=True, slots=True)
class Target:
    """One channel of one person, with everything that holds for it. ``name`` is ``person/channel``."""

    name: str
    role: str
    channel: Channel
    selection: Selection
    quiet: QuietHours | None
    high_breaks_through: bool
    digest: DigestTimes | None
    high_at_once: bool
    zone: ZoneInfo


@dataclass(frozen=True, slots=True)
class MqttTarget:
    """Where alerts are published."""

    prefix: str
    selection: Selection
    name: str = MQTT_TARGET


@dataclass(frozen=True, slots=True)
class NotifyConfig:
    """Who is told, checked and with the roles' wishes filled in."""

    path: Path
    targets: tuple[Target, ...]
    mqtt: MqttTarget | None
    together: Together
    retry: Retry


def read_config(path: Path, *, root: str = ROOT) -> NotifyConfig:
    """Read and check the file; ``root`` is the topic root of vehicle data.

    Raises
    ------
    NotifyError
        It can't be read, or something in it can't be meant; the text is one line: file, field, what to do.
    """
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as err:
        raise NotifyError(f"{path}: can't be read: {err}; check the path and that it is UTF-8 text") from err
    return parse_config(text, path, root=root)


def parse_config(text: str, path: Path, *, root: str = ROOT) -> NotifyConfig:
    """Do the same with the file's text; ``path`` is for messages.

    Raises
    ------
    NotifyError
        Something in it can't be meant.
    """
    try:
        file = msgspec.toml.decode(text, type=NotifyFile)
    except msgspec.ValidationError as err:
        raise NotifyError(f"{path}: {_placed(str(err), text)}") from err
    except msgspec.DecodeError as err:
        raise NotifyError(f"{path}: is not TOML: {err}; correct that line") from err
    return _Checked(path, file, root).config()


def resolve_urls(config: NotifyConfig, environ: Mapping[str, str]) -> dict[str, str]:
    """Give the apprise URL of each target.

    Raises
    ------
    NotifyError
        A variable that holds one is not set.
    """
    urls = {}
    for target in config.targets:
        variable = target.channel.env
        url = target.channel.url if variable is None else environ.get(variable, "").strip()
        if not url:
            where = f"{config.path}: channel {target.name!r}"
            raise NotifyError(f"{where}: the environment variable {variable} is not set; set it to the apprise URL")
        urls[target.name] = url
    return urls


@dataclass(frozen=True, slots=True)
class _Checked:
    path: Path
    file: NotifyFile
    root: str

    def config(self) -> NotifyConfig:
        file = self.file
        if not file.person and file.mqtt is None:
            raise self._wrong("person", "nobody is told; add a [[person]] or [mqtt]")
        doubles = [name for name, count in Counter(person.name for person in file.person).items() if count > 1]
        if doubles:
            raise self._wrong("person", f"the name {doubles[0]!r} is there twice; give each its own")
        self._zone("time_zone", file.time_zone)
        for role, wishes in file.role.items():
            self._check(f"role.{role}", wishes)
        targets = tuple(target for person in file.person for target in self._targets(person))
        if file.retry.longest_minutes < file.retry.first_minutes:
            raise self._wrong("retry.longest_minutes", "is shorter than first_minutes; make it longer")
        return NotifyConfig(self.path, targets, self._mqtt(), file.together, file.retry)

    def _targets(self, person: Person) -> list[Target]:
        where = f"person {person.name!r}"
        if self.file.role and person.role not in self.file.role:
            known = ", ".join(sorted(self.file.role))
            raise self._wrong(f"{where} role", f"there is no [role.{person.role}]; write one, or use one of {known}")
        if not person.channels:
            raise self._wrong(f"{where} channels", "there is none; name at least one")
        self._check(where, person)
        own, usual = person, self.file.role.get(person.role, Wishes())
        zone = self._zone(f"{where} time_zone", own.time_zone or usual.time_zone or self.file.time_zone)
        quiet = _given(own.quiet, usual.quiet)
        digest = _given(own.digest, usual.digest)
        selection = Selection(
            _fleets(own.fleets or usual.fleets or "all"),
            GRAVITY[own.least_severity or usual.least_severity or "low"],
            frozenset(own.changes or usual.changes or _USUAL_CHANGES),
            person.since,
        )
        return [
            Target(
                name=f"{person.name}/{name}",
                role=person.role,
                channel=self._channel(f"{where} channels.{name}", channel),
                selection=selection,
                quiet=None if quiet is None else QuietHours(_time(quiet.start), _time(quiet.end), zone),
                high_breaks_through=quiet is not None and quiet.high_breaks_through,
                digest=None if digest is None else DigestTimes(_time(digest.at), _weekday(digest), zone),
                high_at_once=digest is not None and digest.high_at_once,
                zone=zone,
            )
            for name, channel in person.channels.items()
        ]

    def _check(self, where: str, wishes: Wishes) -> None:
        if wishes.time_zone is not None:
            self._zone(f"{where} time_zone", wishes.time_zone)
        if wishes.changes == ():
            raise self._wrong(f"{where} changes", "is empty; name at least one, or leave it out")
        self._check_fleets(where, wishes.fleets)
        if isinstance(wishes.quiet, Quiet) and wishes.quiet.start == wishes.quiet.end:
            raise self._wrong(f"{where} quiet", 'start and end are the same; make them differ, or write quiet = "none"')
        if isinstance(wishes.digest, Digest) and (wishes.digest.every == "week") != (wishes.digest.on is not None):
            says = "a weekly one needs a day and a daily one has none"
            raise self._wrong(f"{where} digest.on", f'{says}; write every = "week" and on = "monday", say')

    def _check_fleets(self, where: str, fleets: Fleets | None) -> None:
        if fleets == ():
            raise self._wrong(f"{where} fleets", 'is empty; name at least one, or write fleets = "all"')
        if isinstance(fleets, tuple) and (wrong := [name for name in fleets if not is_name(name)]):
            raise self._wrong(f"{where} fleets", f"{wrong[0]!r} is no fleet; a name is 1 to 64 of A-Z a-z 0-9 . _ -")

    def _channel(self, where: str, channel: Channel) -> Channel:
        given = [text for text in (channel.url, channel.env) if text is not None]
        if len(given) != 1 or not given[0].strip():
            raise self._wrong(where, 'needs either url = "..." or env = "NAME OF A VARIABLE"')
        return channel

    def _mqtt(self) -> MqttTarget | None:
        mqtt = self.file.mqtt
        if mqtt is None:
            return None
        if not re.fullmatch(r"[^/+#$\s\0][^+#\s\0]*(?<!/)", mqtt.prefix):
            says = "is no topic; write levels with / between them, without + # or blanks"
            raise self._wrong("mqtt.prefix", f"{mqtt.prefix!r} {says}")
        prefix, root = f"{mqtt.prefix}/", f"{self.root}/"
        if prefix.startswith(root) or root.startswith(prefix):
            says = f"can meet {self.root}, where vehicle data is landed; use another, such as {MQTT_PREFIX}"
            raise self._wrong("mqtt.prefix", f"{mqtt.prefix!r} {says}")
        self._check_fleets("mqtt", mqtt.fleets)
        return MqttTarget(mqtt.prefix, Selection(_fleets(mqtt.fleets), GRAVITY["low"], MQTT_CHANGES, mqtt.since))

    def _zone(self, where: str, name: str) -> ZoneInfo:
        try:
            return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as err:
            says = "is no time zone known here; write one such as America/Chicago (Debian's tzdata has them)"
            raise self._wrong(where, f"{name!r} {says}") from err

    def _wrong(self, where: str, what: str) -> NotifyError:
        return NotifyError(f"{self.path}: {where}: {what}")


def _given(own: _Wish | str | None, usual: _Wish | str | None) -> _Wish | None:
    chosen = usual if own is None else own
    return None if chosen is None or isinstance(chosen, str) else chosen


def _fleets(fleets: Fleets) -> frozenset[str] | None:
    return None if isinstance(fleets, str) else frozenset(fleets)


def _weekday(digest: Digest) -> int | None:
    return None if digest.on is None else _WEEKDAYS.index(digest.on)


def _time(text: str) -> time:
    return time.fromisoformat(text)


def _placed(error: str, text: str) -> str:
    """Turn what msgspec says, which ends in the place, into place first and what to do last; a person by the name."""
    what, _, place = error.partition(" - at `$")
    place = place.rstrip("`").lstrip(".") or "file"
    if found := re.match(r"person\[(\d+)\]", place):
        people = msgspec.toml.decode(text)["person"]
        name = people[int(found[1])].get("name") if isinstance(people[int(found[1])], dict) else None
        place = place.replace(found[0], f"person {name!r}" if isinstance(name, str) else found[0], 1)
    field = re.sub(r"\[[^]]*\]$", "", place).rpartition(".")[2]
    return f"{place}: {what}; {_HINTS.get(field, 'correct it, or take it out')}"
