"""Alerts in a store: opened by readings, moved on by people, verified and reopened by later readings."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from click.testing import CliRunner

import pipelines.alerts
from airwatch.alerts.lifecycle import Step
from airwatch.cli.main import airwatch
from airwatch.derive.frames import READINGS
from airwatch.derive.readings import RUNS
from airwatch.errors import AlertError
from airwatch.store.alerts import history_of
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, replace_windows
from airwatch.store.results import alerts
from pipelines.alerts import refresh_alerts, silenced, take_step
from tests.alerts.test_diagnosis import BOTH, PRIMARY, TIGHT, frame, hold
from tests.derive.samples import T0

UNITS = pl.DataFrame({"fleet": ["north"], "unit": ["K-1"]})


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "alerts.duckdb") as opened:
        yield opened


def land(store: Store, readings: pl.DataFrame, units: pl.DataFrame = UNITS) -> int:
    windows = pl.DataFrame(schema=WINDOWS)
    replace_windows(store, windows, pl.DataFrame(schema=RUNS), readings.select(READINGS.keys()))
    return refresh_alerts(store, units)


def holds(days: range, rates: dict[str, float]) -> pl.DataFrame:
    return frame(*[hold(day + part, "parked", rates) for day in days for part in (0.0, 0.3)])


def day(n: float) -> datetime:
    return T0 + timedelta(days=n)


def step(store: Store, change: str, at: float, why: str = "seen at the bay", **other: datetime) -> str:
    id_ = alerts(store)["id"].item()
    return take_step(store, Step(id_, change, "R. Okafor", day(at), why, **other))


def changes(store: Store) -> list[str]:
    return history_of(store, alerts(store)["id"].to_list())["change"].to_list()


def test_the_whole_way_of_an_alert(store: Store) -> None:
    assert land(store, holds(range(3), PRIMARY)) == 1
    assert alerts(store).select("fault", "state", "severity").row(0) == ("leak_primary", "open", "high")
    assert refresh_alerts(store, UNITS) == 0  # nothing new, nothing said
    assert step(store, "acknowledged", 3) == "acknowledged"
    assert step(store, "planned", 3.1, "bay 2 on Thursday") == "planned"
    assert step(store, "repaired", 4, "drain cock renewed") == "repaired"
    assert land(store, holds(range(4, 5), TIGHT)) == 0  # two sound holds on one day prove little
    assert land(store, holds(range(5, 7), TIGHT)) == 1
    assert alerts(store)["state"].item() == "verified"
    assert changes(store) == ["opened", "acknowledged", "planned", "repaired", "verified"]
    assert (
        "readings since the repair are within limits" in history_of(store, alerts(store)["id"].to_list())["reason"][-1]
    )
    assert land(store, holds(range(9, 12), PRIMARY)) == 1  # it came again
    assert alerts(store).select("state", "opened").row(0)[0] == "open"
    assert changes(store)[-1] == "reopened"


def test_a_repair_that_did_not_hold_is_reopened(store: Store) -> None:
    land(store, holds(range(3), PRIMARY))
    step(store, "repaired", 4, "hose clamped")
    assert land(store, holds(range(4, 6), PRIMARY)) == 1
    assert (alerts(store)["state"].item(), changes(store)[-1]) == ("open", "reopened")


def test_a_dismissed_alert_does_not_come_back_by_itself(store: Store) -> None:
    land(store, holds(range(3), PRIMARY))
    step(store, "dismissed", 3, "test bench at work")
    assert land(store, holds(range(3, 6), PRIMARY)) == 0
    assert alerts(store)["state"].item() == "dismissed"


def test_a_silence_ends_by_itself(store: Store) -> None:
    land(store, holds(range(3), PRIMARY))
    id_ = alerts(store)["id"].item()
    assert step(store, "silenced", 3, "part on order", until=day(5)) == "open"
    assert [silenced(store, [id_], day(n)) for n in (2.9, 4, 5)] == [set(), {id_}, set()]


def test_a_change_made_while_readings_are_looked_at_is_not_lost(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    land(store, holds(range(3), PRIMARY))
    looked_at = pipelines.alerts.fold_alerts

    def meanwhile(*frames: pl.DataFrame, **other: pl.DataFrame) -> pl.DataFrame:
        monkeypatch.setattr(pipelines.alerts, "fold_alerts", looked_at)
        step(store, "acknowledged", 3)  # as another thread would
        return looked_at(*frames, **other)

    monkeypatch.setattr(pipelines.alerts, "fold_alerts", meanwhile)
    land(store, holds(range(3, 5), PRIMARY))
    assert (alerts(store)["state"].item(), changes(store)) == ("acknowledged", ["opened", "acknowledged"])


def test_a_change_to_nothing_is_refused(store: Store) -> None:
    with pytest.raises(AlertError, match="alert none: there is no such alert"):
        take_step(store, Step("none", "acknowledged", "R. Okafor", T0, ""))


def test_a_trailers_alert_stays_one_when_its_tractors_are_looked_at_one_by_one(store: Store) -> None:
    both = frame(
        *[hold(d, "parked", BOTH if d % 2 else TIGHT, trailer="R-1") for d in range(6)],
        *[hold(d, "parked", TIGHT, trailer="R-2") for d in range(6, 9)],
        *[hold(d, "parked", BOTH, unit="K-2", trailer="R-1") for d in range(6, 9)],
        *[hold(d, "parked", TIGHT, unit="K-2", trailer="R-3") for d in range(5)],
    )
    second = pl.DataFrame({"fleet": ["north"], "unit": ["K-2"]})
    land(store, both)
    first = alerts(store)
    refresh_alerts(store, second)
    assert alerts(store).rows() == first.rows()
    assert first.select("fault", "trailer", "unit").rows() == [("leak_trailer", "R-1", "K-2")]


def test_the_command_moves_an_alert_on_and_tells_its_history(store: Store) -> None:
    land(store, holds(range(3), PRIMARY))
    id_, path = alerts(store)["id"].item(), str(store.path)
    store.close()
    run = CliRunner().invoke
    at = f"{day(3):%Y-%m-%dT%H:%M:%SZ}"
    done = run(airwatch, ["alert", id_, "repaired", "--db", path, "--who", "R. Okafor", "--why", "hose", "--at", at])
    assert (done.exit_code, done.output) == (0, f"alert {id_}: repaired; it is repaired now\n")
    told = run(airwatch, ["alert", id_, "history", "--db", path]).output.splitlines()
    assert [line.split()[2] for line in told] == ["opened", "repaired"]
    refused = run(airwatch, ["alert", id_, "planned", "--db", path, "--who", "R. Okafor", "--why", "x"])
    assert isinstance(refused.exception, AlertError)


def test_times_with_a_zone_are_taken_as_utc(store: Store) -> None:
    land(store, holds(range(3), PRIMARY))
    id_ = alerts(store)["id"].item()
    take_step(store, Step(id_, "repaired", "R. Okafor", day(3).replace(tzinfo=UTC), "hose"))
    assert history_of(store, [id_])["at"].to_list()[-1] == day(3)
