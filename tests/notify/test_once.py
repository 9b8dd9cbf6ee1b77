"""Whatever the clock, the failures and the crashes: each event reaches each target that wants it exactly once."""

from collections import Counter
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import polars as pl
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from airwatch.notify.config import NotifyConfig
from airwatch.notify.frames import Event, events_of, outbox_frame
from airwatch.notify.plan import Plan, plan
from tests.notify.parts import NOTHING_SENT, config, event, events, person

CHICAGO = ZoneInfo("America/Chicago")
QUIET = "quiet = { start = '22:00', end = '06:00' }"
WISHES = [
    "",
    "least_severity = 'medium'\nchanges = ['opened', 'verified']",
    QUIET,
    QUIET.replace(" }", ", high_breaks_through = true }"),
    "digest = { every = 'day', at = '12:00' }",
    "digest = { every = 'day', at = '02:30', high_at_once = true }\n"
    + QUIET.replace(" }", ", high_breaks_through = true }"),
    "digest = { every = 'week', on = 'sunday', at = '12:00' }\nfleets = ['south']",
]
BEGINS = [datetime(2031, 3, 7, 18, tzinfo=UTC), datetime(2031, 10, 31, 18, tzinfo=UTC)]  # before the clocks change

CONFIGS = st.builds(
    lambda wishes, over, minutes, most: config(
        "\n".join(
            [
                "time_zone = 'America/Chicago'",
                f"[together]\nover = {over}\nminutes = {minutes}\nmost = {most}",
                *(person(wish, name=f"p{i}") for i, wish in enumerate(wishes)),
                "[mqtt]",
            ]
        )
    ),
    st.lists(st.sampled_from(WISHES), min_size=1, max_size=3),
    st.integers(1, 4),
    st.sampled_from([0, 5, 60]),
    st.sampled_from([2, 100]),
)
NEW_EVENTS = st.lists(
    st.fixed_dictionaries(
        {
            "alert_id": st.sampled_from("abcd"),
            "kind": st.sampled_from(["opened", "graver", "verified", "noted"]),
            "severity": st.sampled_from(["low", "medium", "high"]),
            "fleet": st.sampled_from(["north", "south"]),
        }
    ),
    max_size=6,
)
STEPS = st.lists(
    st.tuples(
        st.sampled_from([0, 1, 7, 60, 7 * 60, 26 * 60]),  # minutes that pass
        NEW_EVENTS,
        st.sets(st.sampled_from(["p0/hook", "p1/hook", "p2/hook", "mqtt"])),  # targets that are down
        st.sets(st.integers(0, 12)),  # events whose message is refused
        st.booleans(),  # whether what is held could be written down
    ),
    min_size=1,
    max_size=12,
)


class World:
    """Events that have come, an outbox, and who was told what when."""

    def __init__(self, who: NotifyConfig, begin: datetime) -> None:
        self.who = who
        self.now = begin
        self.events: list[dict[str, object]] = []
        self.by_id: dict[str, Event] = {}
        self.outbox = NOTHING_SENT
        self.told: list[tuple[str, str, datetime]] = []
        self.retained: dict[str, str] = {}
        self.seen: dict[tuple[str, str], datetime] = {}

    @property
    def frame(self) -> pl.DataFrame:
        """All events as the store gives them."""
        return events(*self.events)

    def comes(self, new: Iterable[dict[str, object]]) -> None:
        """Add events."""
        self.events += [event(f"e{len(self.events) + i}", **one) for i, one in enumerate(new)]
        self.by_id = {one.event_id: one for one in events_of(self.frame)}

    def step(self, down: Iterable[str], refused: Iterable[int], *, keeps_held: bool) -> Plan:
        """Plan, send, and write down how it went."""
        due = plan(self.frame, self.who, self.outbox, self.now)
        bad = {f"e{i}" for i in refused}
        for message in due.messages:
            self._tried(
                message.target, message.event_ids, fails=message.target in down or bool(bad & {*message.event_ids})
            )
        for one in due.publications:
            fails = one.target in down or one.event_id in bad
            self._tried(one.target, (one.event_id,), fails=fails)
            if one.is_retained and not fails:
                self.retained[self.by_id[one.event_id].alert_id] = one.event_id
        for waiting in due.held:
            self.seen.setdefault((waiting.event_id, waiting.target), self.now)
        if keeps_held:
            self.outbox = pl.concat([self.outbox, due.held_rows()])
        else:
            for waiting in due.held:
                if waiting.is_news:
                    self.seen.pop((waiting.event_id, waiting.target), None)
        return due

    def _tried(self, target: str, ids: tuple[str, ...], *, fails: bool) -> None:
        failures = Counter(self.outbox.filter(target=target, state="failed")["event_id"].to_list())
        row = {"target": target, "state": "failed" if fails else "sent", "at": self.now, "reason": None}
        rows = outbox_frame({**row, "event_id": one, "attempts": failures[one] + 1} for one in ids)
        self.outbox = pl.concat([self.outbox, rows])
        if not fails:
            self.told += [(one, target, self.now) for one in ids]

    def wanted(self) -> Counter[tuple[str, str]]:
        """Which event each target is to get, once."""
        targets = [*self.who.targets, *([self.who.mqtt] if self.who.mqtt else [])]
        return Counter(
            (one.event_id, target.name)
            for target in targets
            for one in self.by_id.values()
            if target.selection.wants(one)
        )


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(who=CONFIGS, begin=st.sampled_from(BEGINS), steps=STEPS)
def test_each_event_reaches_each_target_that_wants_it_exactly_once(
    who: NotifyConfig, begin: datetime, steps: list[tuple[int, list[dict[str, object]], set[str], set[int], bool]]
) -> None:
    world = World(who, begin)
    for minutes, new, down, refused, keeps_held in steps:
        world.now += timedelta(minutes=minutes)
        world.comes(new)
        due = world.step(down, refused, keeps_held=keeps_held)
        _keeps_promises(world, due)
    rest = world.step((), (), keeps_held=True)
    while (then := rest.next_due()) is not None or rest.messages or rest.publications:
        assert then is None or then > world.now, "what is held is due later"
        assert world.now < begin + timedelta(days=60), "something is never sent"
        world.now = then or world.now
        rest = world.step((), (), keeps_held=True)
        _keeps_promises(world, rest)
    assert Counter((event_id, target) for event_id, target, _ in world.told) == world.wanted()
    newest = {one.alert_id: one.event_id for one in world.by_id.values() if one.kind != "noted"}
    assert world.retained == newest


def _keeps_promises(world: World, due: Plan) -> None:
    """Hold one plan against quiet hours, digest times and the size of messages."""
    wall = world.now.astimezone(CHICAGO)
    is_night = wall.hour >= 22 or wall.hour < 6
    targets = {target.name: target for target in world.who.targets}
    for message in due.messages:
        target = targets[message.target]
        rows = [world.by_id[one] for one in message.event_ids]
        assert len(rows) <= max(
            world.who.together.most, world.who.together.over, len({r.alert_id for r in rows}) == 1 and 99
        )
        high = {
            world.by_id[i].alert_id
            for m in due.messages
            if m.target == message.target
            for i in m.event_ids
            if world.by_id[i].is_high
        }
        if target.quiet is not None and is_night:
            assert target.high_breaks_through
            assert {row.alert_id for row in rows} <= high
        if target.digest is not None and target.digest.at.hour == 12:
            tried = set(world.outbox.filter(target=message.target, state="failed")["event_id"])
            for row in (row for row in rows if row.event_id not in tried):
                seen = (
                    world.seen.get((row.event_id, message.target), world.now).astimezone(CHICAGO).replace(tzinfo=None)
                )
                noon = wall.replace(tzinfo=None, hour=12, minute=0)
                last = noon if noon <= wall.replace(tzinfo=None) else noon - timedelta(days=1)
                while target.digest.weekday not in (None, last.weekday()):
                    last -= timedelta(days=1)
                assert seen <= last, "a digest comes at its time, not before"
