"""What people and readings do to an alert."""

from datetime import timedelta

import polars as pl
import pytest

from airwatch.alerts.frames import ALERTS
from airwatch.alerts.lifecycle import ACTIONS, STATES, Proof, Step, advance, check_step, next_state, spent_until
from airwatch.alerts.proof import proofs
from airwatch.derive.frames import READINGS
from airwatch.errors import AlertError
from tests.derive.samples import T0

EMPTY = pl.DataFrame(schema=ALERTS)


def alert(id_: str = "a", state: str = "open", severity: str = "medium", **other: object) -> dict[str, object]:
    return {
        "id": id_, "fleet": "north", "unit": "K-1", "trailer": None, "fault": "leak_primary", "circuit": "primary",
        "severity": severity, "confidence": 0.9, "opened": T0, "updated": T0 + timedelta(days=1),
        "crossing_early": None, "crossing_likely": None, "crossing_late": None, "state": state,
        "summary": "leaks", "details": "{}",
    } | other  # fmt: skip


def alerts(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=ALERTS)


def changes(found: pl.DataFrame, current: pl.DataFrame, again: pl.DataFrame = EMPTY, **proof: Proof) -> list[object]:
    return [(change["change"], change["state"]) for change in advance(found, current, again, proof)[1]]


def test_a_new_finding_opens_and_the_same_again_says_nothing() -> None:
    after, opened = advance(alerts(alert()), EMPTY, EMPTY, {})
    assert [(change["change"], change["who"]) for change in opened] == [("opened", "airwatch")]
    assert changes(alerts(alert()), after) == []


@pytest.mark.parametrize("state", ["open", "acknowledged", "planned"])
def test_work_in_hand_keeps_its_state_while_its_figures_follow(state: str) -> None:
    after, told = advance(alerts(alert(severity="high")), alerts(alert(state=state)), EMPTY, {})
    assert after.select("state", "severity").row(0) == (state, "high")
    assert [change["change"] for change in told] == ["graver"]


def test_another_explanation_is_written_down() -> None:
    found = alerts(alert(fault="leak_trailer", trailer="R-1"))
    assert changes(found, alerts(alert(state="acknowledged"))) == [("explained", "acknowledged")]


def test_a_repair_is_verified_by_readings_or_reopened_by_them() -> None:
    repaired = alerts(alert(state="repaired", severity="high"))
    shown = Proof(at=T0 + timedelta(days=3), says="3 readings within limits")
    # what all readings say does not matter: those before the repair are still there
    after, told = advance(alerts(alert(severity="high")), repaired, EMPTY, {"a": shown})
    assert after["state"].item() == "verified"
    assert told[0]["reason"] == "3 readings within limits"
    assert changes(alerts(alert()), repaired) == []
    since = alerts(alert(opened=T0 + timedelta(days=4)))
    assert changes(alerts(alert()), repaired, since, a=shown) == [("reopened", "open")]
    assert changes(alerts(alert()), alerts(alert(state="verified")), since) == [("reopened", "open")]


def test_a_dismissed_one_stays_unless_it_gets_graver() -> None:
    dismissed = alerts(alert(state="dismissed"))
    after, told = advance(alerts(alert(summary="leaks more")), dismissed, EMPTY, {})
    assert told == []
    assert after["summary"].item() == "leaks"
    assert changes(alerts(alert(severity="high")), dismissed) == [("reopened", "open")]


def test_what_readings_take_back_is_withdrawn_but_not_from_under_somebody() -> None:
    after, told = advance(EMPTY, alerts(alert()), EMPTY, {})
    assert after.is_empty()
    assert [change["change"] for change in told] == ["withdrawn"]
    kept, none = advance(EMPTY, alerts(alert(state="planned")), EMPTY, {})
    assert kept["state"].item() == "planned"
    assert none == []


WORK = ("open", "acknowledged", "planned")
ALLOWED = {
    "acknowledged": ("open",),
    "planned": WORK,
    "repaired": WORK,
    "silenced": WORK,
    "dismissed": (*WORK, "repaired"),
    "reopened": ("acknowledged", "planned", "repaired", "verified", "dismissed"),
    "noted": STATES,
}
LEADS_TO = {"silenced": None, "noted": None, "reopened": "open"}


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("change", ACTIONS)
def test_every_change_is_allowed_from_some_states_and_refused_from_others(change: str, state: str) -> None:
    step = Step("a", change, "R. Okafor", T0, "seen at the bay", until=T0 + timedelta(days=3))
    if state in ALLOWED[change]:
        check_step(step, state)
        assert next_state(change, state) == (LEADS_TO.get(change, change) or state)
    else:
        with pytest.raises(AlertError, match=f"it is {state} and can't be {change}; that follows on"):
            check_step(step, state)


@pytest.mark.parametrize(
    ("step", "says"),
    [
        (Step("a", "dismissed", "R. Okafor", T0, " "), "dismissed needs a reason"),
        (Step("a", "repaired", "", T0, "hose renewed"), "repaired needs who did it"),
        (Step("a", "mended", "R. Okafor", T0, "hose renewed"), "'mended' is no change"),
        (Step("a", "silenced", "R. Okafor", T0, "part on order"), "a silence needs an end"),
        (Step("a", "silenced", "R. Okafor", T0, "part on order", until=T0), "a silence needs an end"),
    ],
)
def test_a_change_without_who_or_why_is_refused(step: Step, says: str) -> None:
    with pytest.raises(AlertError, match=says):
        check_step(step, "open")


def hold(day: float, value: float, verdict: str = "pass", circuit: str = "primary") -> dict[str, object]:
    return {
        "fleet": "north", "unit": "K-1", "circuit": circuit, "check": "leak_static", "start": T0 + timedelta(days=day),
        "end": T0 + timedelta(days=day, hours=2), "value": value, "lower": value - 1, "upper": value + 1,
        "measure": "kPa/min", "limit_high": 20.0, "rule": "r", "verdict": verdict, "note": "",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("rows", "is_proven"),
    [
        ([hold(1.1, 2), hold(1.5, 2), hold(2.2, 2)], True),
        ([hold(1.1, 2), hold(1.3, 2), hold(1.5, 2)], False),  # all within hours
        ([hold(1.1, 2), hold(2.2, 2)], False),
        ([hold(0.1, 2), hold(0.5, 2), hold(0.9, 2)], False),  # before the repair
        ([hold(1.1, 2), hold(1.5, 20, "unknown"), hold(2.2, 2)], False),
        ([hold(day, 2, circuit="secondary") for day in (1.1, 1.5, 2.2)], False),
    ],
)  # fmt: skip
def test_a_repair_is_proven_by_sound_readings_of_its_tank_over_a_day(
    rows: list[dict[str, object]],
    is_proven: bool,  # noqa: FBT001 a column of the table above
) -> None:
    repaired = alerts(alert(state="repaired"))
    found = proofs(pl.DataFrame(rows, schema=READINGS), repaired, {"a": T0 + timedelta(days=1)})
    assert ("a" in found) is is_proven


def test_the_last_repair_counts() -> None:
    history = pl.DataFrame(
        {"alert": ["a", "a", "b"], "change": ["repaired", "repaired", "noted"], "at": [T0, T0 + timedelta(days=5), T0]}
    )
    assert spent_until(history) == {"a": T0 + timedelta(days=5)}
