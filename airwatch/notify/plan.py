"""What is due for whom now, and what is held until when. Pure: takes the time as an argument and sends nothing."""

import re
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import polars as pl

from airwatch.notify.config import MqttTarget, NotifyConfig, Target, Together
from airwatch.notify.frames import OUTBOX, Event, events_of, outbox_frame, require
from airwatch.notify.words import CAUTION, CLOSING, by_unit, single, stamp, together

_LONG_AGO = datetime.min.replace(tzinfo=UTC)
_NOT_IN_TOPIC = re.compile(r"[^A-Za-z0-9._-]")


@dataclass(frozen=True, slots=True)
class Message:
    """A text for a target; ``severity`` is the gravest of its events, `is_over` that none of them asks for anything."""

    target: str
    event_ids: tuple[str, ...]
    severity: str
    title: str
    body: str
    is_over: bool


@dataclass(frozen=True, slots=True)
class Publication:
    """An alert as it is after an event; ``is_closed`` if it asks for nothing more.

    It is retained under its topic, unless a later change of the alert stands there already.
    """

    target: str
    event_id: str
    topic: str
    payload: bytes
    is_closed: bool
    is_retained: bool


@dataclass(frozen=True, slots=True)
class Held:
    """An event that waits: since when, until when (as far as can be said now), and what for.

    ``is_failed`` if it was tried; ``is_news`` if the outbox does not say so yet.
    """

    event_id: str
    target: str
    since: datetime
    due: datetime
    reason: str
    is_failed: bool
    is_news: bool


@dataclass(frozen=True, slots=True)
class Plan:
    """What to send now, in order, and what is held."""

    messages: tuple[Message, ...]
    publications: tuple[Publication, ...]
    held: tuple[Held, ...]

    def next_due(self) -> datetime | None:
        """Give when the next held event falls due."""
        return min((held.due for held in self.held), default=None)

    def held_rows(self) -> pl.DataFrame:
        """Give the rows of `OUTBOX` for held events of which the outbox does not say so yet."""
        return outbox_frame(
            {
                "event_id": held.event_id,
                "target": held.target,
                "state": "held",
                "at": held.since,
                "reason": held.reason,
                "attempts": 0,
            }
            for held in self.held
            if held.is_news
        )


def plan(events: pl.DataFrame, config: NotifyConfig, outbox: pl.DataFrame, now: datetime) -> Plan:
    """Say what is due now and what is held.

    * Each event goes to each target that wants it, once; what the outbox calls sent is never sent again.
    * A target with a digest gets what was gathered at the digest's time, by unit, the gravest first.
    * In quiet hours nothing goes out, but for high severity where that may break through.
    * More events than ``together.over`` within ``together.minutes`` share a message.
    * A target that failed rests, longer each time. What comes meanwhile waits with it, so that a mail server that is
      down is not asked anew for each event.
    * Changes of one alert keep their order. If a later one may go out at once, what was held of the same alert goes
      with it.

    Parameters
    ----------
    events : DataFrame
        Columns as `EVENTS`, in the order in which changes were written.
    config : NotifyConfig
        Who wants what.
    outbox : DataFrame
        Columns as `OUTBOX`, in the order in which its rows were written.
    now : datetime
        Aware.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    ValueError
        ``now`` has no time zone.
    """
    if now.tzinfo is None:
        raise ValueError(f"now must say its time zone; got {now!r}")
    require(outbox, OUTBOX, "outbox")
    now = now.astimezone(UTC)
    all_events = events_of(events)
    rows_of: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for row in outbox.iter_rows(named=True):
        rows_of[row["target"]].append(row)
    messages: list[Message] = []
    held: list[Held] = []
    for target in config.targets:
        queue = _queue(target, all_events, _Story.of(rows_of[target.name]), config, now)
        due, waiting = _rationed(queue, target, config.together, now)
        messages += _messages(due, target, config.together)
        held += [entry.held(target) for entry in waiting]
    publications: list[Publication] = []
    if config.mqtt is not None:
        queue = _queue(config.mqtt, all_events, _Story.of(rows_of[config.mqtt.name]), config, now)
        outdated = _outdated(all_events, queue.story)
        publications = [
            _publication(config.mqtt, entry.event, is_retained=entry.event.event_id not in outdated)
            for entry in queue.entries
            if entry.due <= now
        ]
        held += [entry.held(config.mqtt) for entry in queue.entries if entry.due > now]
    return Plan(tuple(messages), tuple(publications), tuple(held))


@dataclass(frozen=True, slots=True)
class _Last:
    """The last outbox row of an event."""

    state: str
    at: datetime
    reason: str | None
    attempts: int


@dataclass(frozen=True, slots=True)
class _Story:
    """What the outbox says of one target."""

    last: dict[str, _Last]
    sent_at: list[datetime]

    @classmethod
    def of(cls, rows: Sequence[dict[str, Any]]) -> "_Story":
        last: dict[str, _Last] = {}
        for row in rows:
            if (before := last.get(row["event_id"])) is None or before.state != "sent":
                at = row["at"].replace(tzinfo=UTC)
                last[row["event_id"]] = _Last(row["state"], at, row["reason"], row["attempts"])
        return cls(last, sorted(one.at for one in last.values() if one.state == "sent"))

    def failed(self) -> list[_Last]:
        """Give those that failed last in a row of failures that nothing sent has ended."""
        last_sent = self.sent_at[-1] if self.sent_at else _LONG_AGO
        return [one for one in self.last.values() if one.state == "failed" and one.at > last_sent]


@dataclass(slots=True)
class _Entry:
    """An event that a target has yet to get."""

    event: Event
    last: _Last | None
    since: datetime
    due: datetime
    reason: str
    goes_in_digest: bool

    @property
    def is_failed(self) -> bool:
        return self.last is not None and self.last.state == "failed"

    def wait(self, due: datetime, reason: str) -> None:
        """Put it off, if it was due earlier."""
        if due > self.due:
            self.due, self.reason = due, reason

    def held(self, target: Target | MqttTarget) -> Held:
        is_known = self.last is not None and (self.is_failed or self.last.reason == self.reason)
        return Held(self.event.event_id, target.name, self.since, self.due, self.reason, self.is_failed, not is_known)


@dataclass(frozen=True, slots=True)
class _Queue:
    entries: list[_Entry]
    story: _Story


def _queue(
    target: Target | MqttTarget, events: Sequence[Event], story: _Story, config: NotifyConfig, now: datetime
) -> _Queue:
    """Say of each event that a target has yet to get when it is due, but for what rationing makes of it."""
    entries: list[_Entry] = []
    of_alert: dict[str, list[_Entry]] = defaultdict(list)
    for event in events:
        last = story.last.get(event.event_id)
        if (last is None or last.state != "sent") and target.selection.wants(event):
            entries.append(_entry(target, event, last, config, now))
            of_alert[event.alert_id].append(entries[-1])
    for of_one in of_alert.values():
        _keep_order(of_one, config)
    if failed := story.failed():  # the target is down, whatever the event
        newest = max(one.at for one in failed)
        rest = config.retry.rest(max(one.attempts for one in failed if one.at == newest))
        for entry in entries:
            entry.wait(newest + rest, "the target failed; it is tried again later")
    return _Queue(entries, story)


def _entry(
    target: Target | MqttTarget, event: Event, last: _Last | None, config: NotifyConfig, now: datetime
) -> _Entry:
    """Say when an event is due by digest and quiet hours."""
    entry = _Entry(event, last, now if last is None else last.at, now, "due", goes_in_digest=False)
    if isinstance(target, MqttTarget):
        return entry
    entry.goes_in_digest = target.digest is not None and not (event.is_high and target.high_at_once)
    if last is not None and entry.is_failed:
        entry.wait(last.at + config.retry.rest(last.attempts), "failed; it is tried again later")
    elif target.digest is not None and entry.goes_in_digest:
        tick = target.digest.first_from(entry.since)
        entry.wait(tick, f"waits for the digest of {stamp(tick, target.zone)}")
    if target.quiet is not None and not (event.is_high and target.high_breaks_through):
        end = target.quiet.over(entry.due)
        entry.wait(end, f"quiet hours until {stamp(end, target.zone)}")
    return entry


def _keep_order(entries: Sequence[_Entry], config: NotifyConfig) -> None:
    """Take earlier changes of an alert along with a later one, and let none overtake one that failed and rests."""
    for earlier, later in zip(reversed(entries[:-1]), reversed(entries[1:]), strict=True):
        if later.due < earlier.due:
            earlier.due, earlier.reason, earlier.goes_in_digest = later.due, later.reason, later.goes_in_digest
    rested = _LONG_AGO
    for entry in entries:
        if entry.last is not None and entry.is_failed:
            rested = max(rested, entry.last.at + config.retry.rest(entry.last.attempts))
        entry.wait(rested, "an earlier change of the alert failed; they are tried again in order")


def _rationed(queue: _Queue, target: Target, together_: Together, now: datetime) -> tuple[list[_Entry], list[_Entry]]:
    """Part what is due now from what waits; hold back what would be one message too many in a short time."""
    due = [entry for entry in queue.entries if entry.due <= now]
    waiting = [entry for entry in queue.entries if entry.due > now]
    if not due or any(entry.goes_in_digest for entry in due):
        return due, waiting
    window = timedelta(minutes=together_.minutes)
    recent = [at for at in queue.story.sent_at if at > now - window]
    n_due = len({entry.event.alert_id for entry in due})
    if not recent or len(recent) + n_due <= together_.over:
        return due, waiting
    n_out = min(len(recent), len(recent) + n_due - together_.over)  # so many must lie further back first
    free = recent[n_out - 1] + window
    for entry in due:
        entry.wait(free, f"many at once; gathered until {stamp(free, target.zone)}")
    return [], [*due, *waiting]


def _messages(due: Sequence[_Entry], target: Target, together_: Together) -> list[Message]:
    of_alert: dict[str, list[Event]] = defaultdict(list)
    for entry in due:
        of_alert[entry.event.alert_id].append(entry.event)
    is_digest = any(entry.goes_in_digest for entry in due)
    if not is_digest and len(of_alert) <= together_.over:
        return [_message(target, events, single(events, target.zone)) for events in of_alert.values()]
    ordered = by_unit([entry.event for entry in due])
    parts = [ordered[i : i + together_.most] for i in range(0, len(ordered), together_.most)]
    return [_message(target, part, together(part, target.zone, is_digest=is_digest)) for part in parts]


def _message(target: Target, events: Sequence[Event], text: tuple[str, str]) -> Message:
    gravest = max(events, key=lambda event: event.gravity)
    is_over = all(event.kind in CLOSING for event in events)
    return Message(target.name, tuple(event.event_id for event in events), gravest.severity, *text, is_over)


def _outdated(events: Sequence[Event], story: _Story) -> set[str]:
    """Give the events after which a later one of the same alert was sent."""
    overtaken: set[str] = set()
    outdated: set[str] = set()
    for event in reversed(events):
        last = story.last.get(event.event_id)
        if last is not None and last.state == "sent":
            overtaken.add(event.alert_id)
        elif event.alert_id in overtaken:
            outdated.add(event.event_id)
    return outdated


def _publication(target: MqttTarget, event: Event, *, is_retained: bool) -> Publication:
    """Write one alert for programs. Each alert has its own topic, for a unit can have several at a time."""
    levels = (_NOT_IN_TOPIC.sub("_", level) or "_" for level in (event.fleet, event.unit, event.alert_id))
    body = {
        "v": 1,
        "alert": event.alert_id,
        "event": event.event_id,
        "at": _rfc3339(event.at),
        "change": event.kind,
        "is_closed": event.kind in CLOSING,
        "fleet": event.fleet,
        "unit": event.unit,
        "trailer": event.trailer,
        "fault": event.fault,
        "circuit": event.circuit,
        "severity": event.severity,
        "previous_severity": event.previous_severity,
        "summary": event.summary,
        "crossing_likely": _rfc3339(event.crossing_likely),
        "link": event.link,
        "caution": CAUTION,
    }
    topic = "/".join((target.prefix, *levels))
    payload = msgspec.json.encode(body)
    return Publication(target.name, event.event_id, topic, payload, event.kind in CLOSING, is_retained)


def _rfc3339(t: datetime | None) -> str | None:
    return None if t is None else f"{t.isoformat()}Z"
