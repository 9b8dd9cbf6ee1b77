"""The order of need where the small fleet of the other tests does not reach."""

from datetime import datetime, timedelta
from pathlib import Path

import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.contract.batch import decode_batch
from airwatch.derive.frames import READINGS
from airwatch.store.database import Store
from airwatch.store.telemetry import TelemetryWriter
from dashboards.board import Board
from dashboards.data_state import SILENT_AFTER
from dashboards.measures import Measures
from dashboards.need import fleet_by_need
from tests.dashboards.small_fleet import block

NOON = datetime(2031, 2, 7, 12)  # noqa: DTZ001 as in the store


def states(*rows: tuple[str, datetime, datetime, int]) -> pl.DataFrame:
    """Units by name, newest data, newest arrival and number of newest readings that pass."""
    frame = pl.DataFrame(
        rows,
        schema={"unit": pl.String, "last_t": pl.Datetime("us"), "last_received": pl.Datetime("us"), "n_pass": pl.Int64},
        orient="row",
    )
    nothing = pl.lit(0, pl.Int64)
    return frame.with_columns(
        fleet=pl.lit("north"), kind=pl.lit("bus"), home_shop=pl.lit(None, pl.String), n_messages=pl.lit(1, pl.Int64),
        n_fail=nothing, n_watch=nothing, n_unknown=nothing,
    )  # fmt: skip


def needs(frame: pl.DataFrame, alerts: pl.DataFrame | None = None) -> dict[str, tuple[str, str]]:
    open_alerts = pl.DataFrame(schema=ALERTS) if alerts is None else alerts
    fleet = fleet_by_need(frame, open_alerts, pl.DataFrame(schema=READINGS), newest=NOON, measures=Measures())
    return {row["unit"]: (row["need"], row["reason"]) for row in fleet.iter_rows(named=True)}


def test_silence_begins_after_its_span_and_not_at_it() -> None:
    at, after = NOON - SILENT_AFTER, NOON - SILENT_AFTER - timedelta(seconds=1)
    found = needs(states(("now", NOON, NOON, 1), ("at", at, at, 1), ("after", after, after, 1)))
    assert {unit: need for unit, (need, _) in found.items()} == {"now": "quiet", "at": "quiet", "after": "silent"}


def test_one_wrong_clock_makes_no_other_unit_silent(tmp_path: Path) -> None:
    ahead = block("K-ahead", NOON.replace(year=2099), received=NOON)
    with Store.open(tmp_path / "a.duckdb") as store:
        TelemetryWriter(store).write(decode_batch([ahead, block("K-right", NOON - timedelta(hours=1))]))
        fleet = Board(store).current().fleet(Measures())
    assert fleet.newest == NOON
    assert fleet.units["is_silent"].to_list() == [False, False]


def test_a_silent_unit_with_an_alert_stays_with_the_alerts_and_says_both() -> None:
    past = NOON - timedelta(days=10)
    alert = {
        "id": "1",
        "fleet": "north",
        "unit": "gone",
        "fault": "leak_primary",
        "severity": "low",
        "confidence": 1.0,
        "opened": past,
        "updated": past,
        "state": "open",
        "summary": "leaks",
    }
    found = needs(states(("gone", past, past, 0), ("now", NOON, NOON, 1)), pl.DataFrame([alert], schema=ALERTS))
    assert list(found) == ["gone", "now"]
    assert found["gone"] == ("alert", "leaks; nothing heard for 10 days")
