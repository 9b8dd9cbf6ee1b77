from datetime import UTC, datetime, time
from pathlib import Path

import pytest

from airwatch.contract.topics import parse_topic, subscription
from airwatch.errors import PayloadError
from airwatch.notify.config import MQTT_PREFIX, read_config, resolve_urls
from airwatch.notify.errors import NotifyError
from airwatch.notify.frames import events_of
from tests.notify.parts import config, event, events, person

EXAMPLE = Path(__file__).parents[2] / "deploy" / "notify.example.toml"


def test_the_example_is_read_and_a_role_fills_in_what_a_person_leaves_out() -> None:
    example = read_config(EXAMPLE)
    by_name = {target.name: target for target in example.targets}
    assert list(by_name) == ["north shop/email", "north shop/chat", "brake engineer/email", "night desk/webhook"]
    shop, engineer, desk = (
        by_name[f"{one}"] for one in ("north shop/chat", "brake engineer/email", "night desk/webhook")
    )
    assert shop.quiet is not None
    assert (shop.quiet.start, shop.quiet.end, str(shop.quiet.zone)) == (time(21), time(5, 30), "America/Chicago")
    assert (shop.selection.fleets, shop.selection.least) == ({"north"}, 2)
    assert engineer.digest is not None
    assert (engineer.digest.at, engineer.digest.weekday, engineer.high_at_once) == (time(6, 30), None, True)
    assert engineer.selection.since == datetime(2031, 2, 1, tzinfo=UTC)
    assert (desk.quiet, desk.digest, desk.selection.least) == (None, None, 3)
    assert example.mqtt is not None
    assert example.mqtt.prefix == MQTT_PREFIX


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "notify.toml: person: nobody is told; add"),
        ("a = ?", "notify.toml: is not TOML: .*line 1.*; correct that line"),
        (person("colour = 1"), "person 'shop': Object contains unknown field `colour`; correct it"),
        (
            person("least_severity = 'grave'"),
            "person 'shop'.least_severity: Invalid enum value 'grave'; write low, medium or high",
        ),
        (person("changes = ['opend']"), r"changes\[0\]: Invalid enum value 'opend'; write some of opened, "),
        (person("changes = []"), "person 'shop' changes: is empty; name at least one"),
        (person("fleets = []"), "person 'shop' fleets: is empty"),
        (person("fleets = ['a/b']"), "person 'shop' fleets: 'a/b' is no fleet"),
        (person("since = 2031-02-01T00:00:00"), "person 'shop'.since: Expected `datetime` with a timezone"),
        (person("quiet = { start = '24:00', end = '06:00' }"), "'shop'.quiet.start: Expected .*; write it as HH:MM"),
        (person("quiet = { start = '06:00', end = '06:00' }"), "person 'shop' quiet: start and end are the same"),
        (person("digest = { every = 'week', at = '06:00' }"), "person 'shop' digest.on: a weekly one needs a day"),
        (person("digest = { every = 'day', on = 'monday', at = '06:00' }"), "digest.on: a weekly one needs a day"),
        (person("time_zone = 'America/Chikago'"), "person 'shop' time_zone: 'America/Chikago' is no time zone"),
        ("time_zone = '/etc'\n" + person(), "notify.toml: time_zone: '/etc' is no time zone"),
        (person() + person(), "person: the name 'shop' is there twice"),
        (person(name="a/b"), "person 'a/b'.name: Expected `str` matching"),
        (
            "[role.engineer]\n" + person(),
            r"person 'shop' role: there is no \[role.shop\]; write one, or use one of eng",
        ),
        ("[role.shop]\ntime_zone = 'X/Y'\n" + person(), "role.shop time_zone: 'X/Y' is no time zone"),
        ("person = [{ name = 'a', role = 'b', channels = {} }]", "person 'a' channels: there is none"),
        ("person = [{ role = 'b', channels = {} }]", r"person\[0\]: Object missing required field `name`"),
        ("person = [{ name = 'a', role = 'b', channels = { x = {} } }]", "channels.x: needs either url"),
        ("person = [{ name = 'a', role = 'b', channels = { x = { url = '' } } }]", "channels.x: needs either url"),
        ("person = [{ name = 'a', role = 'b', channels = { x = { url = 'a', env = 'B' } } }]", "needs either url"),
        ("[together]\nover = 0\n" + person(), "together.over: Expected `int` >= 1"),
        ("[retry]\nfirst_minutes = 60\n" + person(), "retry.longest_minutes: is shorter than first_minutes"),
        ("[mqtt]\nprefix = 'air/v1'", "mqtt.prefix: 'air/v1' can meet air/v1, where vehicle data is landed"),
        ("[mqtt]\nprefix = 'air/v1/alerts'", "mqtt.prefix: 'air/v1/alerts' can meet air/v1"),
        ("[mqtt]\nprefix = 'air'", "mqtt.prefix: 'air' can meet air/v1"),
        ("[mqtt]\nprefix = 'a/#'", "mqtt.prefix: 'a/#' is no topic"),
        ("[mqtt]\nprefix = 'a/'", "mqtt.prefix: 'a/' is no topic"),
        ("[mqtt]\nfleets = []", "mqtt fleets: is empty"),
    ],
)
def test_an_error_is_one_line_with_file_field_and_what_to_do(text: str, says: str) -> None:
    with pytest.raises(NotifyError, match=says) as caught:
        config(text)
    assert "\n" not in str(caught.value)
    assert str(caught.value).startswith("notify.toml: ")


def test_a_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(NotifyError, match=r"none.toml: can't be read: .*; check the path"):
        read_config(tmp_path / "none.toml")


def test_urls_come_from_the_file_or_the_environment() -> None:
    text = person() + "[[person]]\nname = 'boss'\nrole = 'manager'\nchannels.mail = { env = 'BOSS' }\n"
    assert resolve_urls(config(text), {"BOSS": "mailto://x"}) == {
        "shop/hook": "json://127.0.0.1:9",
        "boss/mail": "mailto://x",
    }
    with pytest.raises(NotifyError, match="channel 'boss/mail': the environment variable BOSS is not set; set it"):
        resolve_urls(config(text), {"BOSS": " "})


@pytest.mark.parametrize(
    ("wish", "other", "is_wanted"),
    [
        ("", {}, True),
        ("", {"kind": "verified"}, False),
        ("changes = ['verified']", {"kind": "verified"}, True),
        ("least_severity = 'high'", {}, False),
        ("least_severity = 'high'", {"severity": "high"}, True),
        ("least_severity = 'high'", {"previous_severity": "high"}, True),  # told of it when it was
        ("fleets = ['south']", {}, False),
        ("fleets = ['south', 'north']", {}, True),
        ("since = 2031-02-03T02:00:00-06:00", {}, True),  # 08:00 UTC, the event's own time
        ("since = 2031-02-03T08:00:01Z", {}, False),
    ],
)
def test_a_target_gets_what_it_asked_for(wish: str, other: dict[str, object], is_wanted: bool) -> None:  # noqa: FBT001
    (target,) = config(person(wish)).targets
    (one,) = events_of(events(event(**other)))
    assert target.selection.wants(one) == is_wanted


def test_alerts_are_published_where_the_landing_does_not_listen() -> None:
    assert not MQTT_PREFIX.startswith(subscription().removesuffix("#"))
    with pytest.raises(PayloadError, match="not below air/v1/"):
        parse_topic(f"{MQTT_PREFIX}/north/K-204/0011")
