"""Alerts written into a store as a test wants them."""

import json
from collections.abc import Mapping
from datetime import datetime

import polars as pl

from airwatch.alerts.frames import ALERTS
from airwatch.alerts.lifecycle import HISTORY
from airwatch.store.alerts import alert_of, write_alerts
from airwatch.store.database import Store

LEAK, WEAK = "772011b3fce89477", "32c044621b8521b4"
"""The small fleet's alerts: a leak of K-leak's primary tank, K-weak's compressor."""


def change_row(store: Store, alert: str, **columns: object) -> None:
    """Change columns of a stored alert; ``details`` may be a mapping, whose entries replace those stored."""
    before = alert_of(store, alert)
    row = before.row(0, named=True)
    details = columns.get("details")
    if isinstance(details, Mapping):
        columns["details"] = json.dumps({**json.loads(row["details"]), **details})
    after = pl.DataFrame([{**row, **columns}], schema=ALERTS)
    write_alerts(store, before, after, [])


def history_row(change: str, at: datetime, state: str, *, who: str = "R. Okafor", **more: object) -> dict[str, object]:
    """Give one row of a history, as `write_alerts` takes it."""
    row = {"alert": LEAK, "at": at, "who": who, "change": change, "state": state, "reason": "so it is", "until": None}
    whose = {"fleet": "north", "unit": "K-leak", "trailer": None}
    return {**row, **whose, "severity": "high", "fault": "leak_primary", **more}


def history(*rows: dict[str, object]) -> pl.DataFrame:
    """Give a history of rows, written down in their order."""
    recorded = datetime(2031, 2, 8)  # noqa: DTZ001 as in the store
    return pl.DataFrame([{"event": str(k), "recorded": recorded, **row} for k, row in enumerate(rows)], schema=HISTORY)
