from datetime import UTC, datetime, timedelta

import msgspec
import polars as pl
import pytest

from airwatch.errors import FrameError
from airwatch.notify.plan import Plan, plan
from tests.notify.parts import MORNING, NOTHING_SENT, config, event, events, outbox, person

MINUTE = timedelta(minutes=1)
NIGHT = datetime(2031, 2, 3, 23, 0, tzinfo=UTC)
QUIET = "quiet = { start = '22:00', end = '06:00' }"
QUIET_BUT_HIGH = "quiet = { start = '22:00', end = '06:00', high_breaks_through = true }"
DAILY = "digest = { every = 'day', at = '06:30' }"


def sent(a_plan: Plan) -> list[tuple[str, ...]]:
    return [message.event_ids for message in a_plan.messages]


def held(a_plan: Plan) -> dict[str, datetime]:
    return {one.event_id: one.due for one in a_plan.held}


def numbered(n: int, **other: object) -> pl.DataFrame:
    return events(*(event(f"e{i}", **other) for i in range(n)))


def test_a_change_goes_out_at_once_and_only_once() -> None:
    who = config(person())
    assert sent(plan(events(event()), who, NOTHING_SENT, MORNING)) == [("e1",)]
    done = plan(events(event(), event()), who, outbox(("e1", "shop/hook", "sent", MORNING, 1)), MORNING)
    assert done == Plan((), (), ())
    assert done.next_due() is None


def test_what_was_sent_stays_sent_whatever_comes_after_it_in_the_outbox() -> None:
    rows = outbox(("e1", "shop/hook", "sent", MORNING, 1), ("e1", "shop/hook", "held", MORNING, 0))
    assert plan(events(event()), config(person()), rows, MORNING) == Plan((), (), ())


def test_quiet_hours_hold_and_say_until_when() -> None:
    who = config(person(QUIET))
    night = plan(events(event()), who, NOTHING_SENT, NIGHT)
    morning = datetime(2031, 2, 4, 6, 0, tzinfo=UTC)
    assert (sent(night), night.next_due()) == ([], morning)
    assert night.held_rows().rows() == [
        ("e1", "shop/hook", "held", NIGHT.replace(tzinfo=None), "quiet hours until 2031-02-04 06:00 (UTC)", 0)
    ]
    assert plan(events(event()), who, night.held_rows(), NIGHT + MINUTE).held_rows().is_empty()  # it is known
    assert sent(plan(events(event()), who, night.held_rows(), morning)) == [("e1",)]


def test_high_severity_breaks_through_only_where_it_may() -> None:
    grave = events(event(severity="high"))
    assert sent(plan(grave, config(person(QUIET)), NOTHING_SENT, NIGHT)) == []
    assert sent(plan(grave, config(person(QUIET_BUT_HIGH)), NOTHING_SENT, NIGHT)) == [("e1",)]


def test_what_breaks_through_takes_what_was_held_of_the_same_alert_with_it() -> None:
    rows = events(
        event("e1", alert_id="a"),
        event("e2", alert_id="b"),
        event("e3", alert_id="a", kind="graver", severity="high"),
    )
    night = plan(rows, config(person(QUIET_BUT_HIGH)), NOTHING_SENT, NIGHT)
    assert sent(night) == [("e1", "e3")]
    assert list(held(night)) == ["e2"]


def test_a_digest_gathers_from_when_a_change_was_first_seen() -> None:
    who = config(person(DAILY))
    rows = numbered(3, severity="low")
    first = plan(rows, who, NOTHING_SENT, MORNING)
    tick = datetime(2031, 2, 4, 6, 30, tzinfo=UTC)
    assert (sent(first), set(held(first).values())) == ([], {tick})
    late = plan(rows, who, first.held_rows(), tick + 3 * MINUTE)  # nobody looked at the very minute
    assert sent(late) == [("e0", "e1", "e2")]
    assert late.messages[0].title == "Summary: 3 changes at 1 unit, gravest low"
    unknown = plan(rows, who, NOTHING_SENT, tick + MINUTE)
    assert set(held(unknown).values()) == {tick + timedelta(days=1)}


def test_a_weekly_digest_waits_for_its_day_and_a_digest_in_quiet_hours_for_their_end() -> None:
    weekly = config(person("digest = { every = 'week', on = 'monday', at = '06:30' }"))
    assert held(plan(numbered(1), weekly, NOTHING_SENT, MORNING)) == {"e0": datetime(2031, 2, 10, 6, 30, tzinfo=UTC)}
    asleep = config(person("digest = { every = 'day', at = '03:00' }\n" + QUIET))
    assert held(plan(numbered(1), asleep, NOTHING_SENT, MORNING)) == {"e0": datetime(2031, 2, 4, 6, 0, tzinfo=UTC)}


def test_high_severity_may_go_past_a_digest() -> None:
    who = config(person("digest = { every = 'day', at = '06:30', high_at_once = true }"))
    now = plan(events(event("e1", severity="high"), event("e2")), who, NOTHING_SENT, MORNING)
    assert (sent(now), list(held(now))) == ([("e1",)], ["e2"])


def test_many_at_once_share_a_message_and_no_message_is_endless() -> None:
    who = config("[together]\nover = 3\nmost = 4\n" + person())
    assert len(sent(plan(numbered(3), who, NOTHING_SENT, MORNING))) == 3
    six = plan(numbered(6), who, NOTHING_SENT, MORNING)
    assert [len(ids) for ids in sent(six)] == [4, 2]
    assert six.messages[0].title == "4 changes at 1 unit, gravest medium"


def test_many_one_after_another_are_gathered_too() -> None:
    who = config("[together]\nover = 3\nminutes = 10\n" + person())
    rows = numbered(5)
    three = outbox(*((f"e{i}", "shop/hook", "sent", MORNING + i * MINUTE, 1) for i in range(3)))
    now = MORNING + 3 * MINUTE
    assert held(plan(rows, who, three, now)) == {"e3": MORNING + 11 * MINUTE, "e4": MORNING + 11 * MINUTE}
    assert sent(plan(rows, who, three, MORNING + 11 * MINUTE)) == [("e3",), ("e4",)]
    assert held(plan(numbered(4), who, three, now)) == {"e3": MORNING + 10 * MINUTE}
    assert sent(plan(numbered(3), who, three[:2], now)) == [("e2",)]
    flood = plan(numbered(13), who, three, MORNING + 12 * MINUTE)
    assert [len(ids) for ids in sent(flood)] == [10]


@pytest.mark.parametrize(("attempts", "rest_minutes"), [(1, 1), (2, 2), (5, 16), (6, 30), (5000, 30)])
def test_a_failed_target_rests_longer_each_time_and_new_changes_with_it(attempts: int, rest_minutes: int) -> None:
    failed = outbox(("e0", "shop/hook", "failed", MORNING, attempts))
    due = MORNING + rest_minutes * MINUTE
    resting = plan(numbered(2), config(person()), failed, MORNING + timedelta(seconds=1))
    assert (sent(resting), held(resting)) == ([], {"e0": due, "e1": due})
    assert resting.held_rows()["event_id"].to_list() == ["e1"]  # the other one stays `failed`
    assert sent(plan(numbered(2), config(person()), failed, due)) == [("e0",), ("e1",)]


def test_one_message_that_is_refused_does_not_hold_up_the_others() -> None:
    rows = outbox(("e0", "shop/hook", "failed", MORNING, 4), ("e1", "shop/hook", "sent", MORNING, 1))
    later = plan(numbered(3), config(person()), rows, MORNING + MINUTE)
    assert (sent(later), held(later)) == ([("e2",)], {"e0": MORNING + 8 * MINUTE})


def test_no_change_overtakes_one_of_its_alert_that_failed() -> None:
    rows = events(*(event(f"e{i}", alert_id="a" if i != 1 else "b") for i in range(3)))
    story = outbox(("e0", "shop/hook", "failed", MORNING, 4), ("e1", "shop/hook", "sent", MORNING, 1))
    due = MORNING + 8 * MINUTE
    assert held(plan(rows, config(person()), story, MORNING + MINUTE)) == {"e0": due, "e2": due}
    assert sent(plan(rows, config(person()), story, due)) == [("e0", "e2")]


def test_what_failed_before_quiet_hours_waits_for_their_end() -> None:
    story = outbox(("e0", "shop/hook", "failed", NIGHT - 61 * MINUTE, 2))
    assert held(plan(numbered(1), config(person(QUIET)), story, NIGHT)) == {"e0": datetime(2031, 2, 4, 6, tzinfo=UTC)}


def test_two_people_are_told_apart() -> None:
    who = config(person() + person(QUIET, name="boss", role="manager"))
    night = plan(numbered(1), who, outbox(("e0", "shop/hook", "failed", NIGHT, 1)), NIGHT + MINUTE)
    assert [(message.target, message.event_ids) for message in night.messages] == [("shop/hook", ("e0",))]
    assert [one.target for one in night.held] == ["boss/hook"]


def test_each_alert_is_published_under_a_topic_of_its_own() -> None:
    rows = events(
        event("e1", alert_id="a", crossing_likely=datetime(2031, 3, 3)),  # noqa: DTZ001 the store's times
        event("e2", alert_id="a", kind="verified"),
        event("e3", alert_id="b", unit="K/9#"),
        event("e4", kind="noted"),  # changes nothing
    )
    published = plan(rows, config("[mqtt]\n"), NOTHING_SENT, NIGHT).publications
    assert [(one.event_id, one.topic, one.is_closed, one.is_retained) for one in published] == [
        ("e1", "air/v1-alerts/north/K-204/a", False, True),
        ("e2", "air/v1-alerts/north/K-204/a", True, True),
        ("e3", "air/v1-alerts/north/K_9_/b", False, True),
    ]
    body = msgspec.json.decode(published[0].payload)
    assert (body["change"], body["is_closed"], body["at"]) == ("opened", False, "2031-02-03T08:00:00Z")
    assert body["crossing_likely"] == "2031-03-03T00:00:00Z"
    assert "never clears a vehicle" in body["caution"]


def test_an_older_change_that_comes_late_does_not_take_the_newer_ones_place() -> None:
    rows = events(event("e1", alert_id="a"), event("e2", alert_id="a", kind="verified"))
    (late,) = plan(rows, config("[mqtt]\n"), outbox(("e2", "mqtt", "sent", MORNING, 1)), MORNING).publications
    assert (late.event_id, late.is_retained) == ("e1", False)


def test_wrong_input_is_refused() -> None:
    who = config(person())
    with pytest.raises(FrameError, match=r"events need .*event_id.*; got {'link': None}"):
        plan(events(event()).drop("link"), who, NOTHING_SENT, MORNING)
    with pytest.raises(FrameError, match="outbox need"):
        plan(events(event()), who, NOTHING_SENT.drop("at"), MORNING)
    with pytest.raises(ValueError, match="now must say its time zone"):
        plan(events(event()), who, NOTHING_SENT, MORNING.replace(tzinfo=None))
