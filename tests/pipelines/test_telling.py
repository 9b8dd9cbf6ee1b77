"""Alerts of a store told through a webhook: once, and not while they are silenced."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl

from airwatch.alerts.lifecycle import Step
from airwatch.derive.frames import READINGS
from airwatch.derive.readings import RUNS
from airwatch.notify.config import parse_config
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, replace_windows
from airwatch.store.outbox import outbox
from airwatch.store.results import alerts
from pipelines.alerts import refresh_alerts, take_step
from pipelines.notify import Notifier
from pipelines.serve import Telling, tell_once
from tests.alerts.test_diagnosis import PRIMARY, frame, hold
from tests.webhook import Webhook

UNITS = pl.DataFrame({"fleet": ["north"], "unit": ["K-1"]})
NOTIFY = """
time_zone = "UTC"
[role.shop]
changes = ["opened", "graver", "reopened", "repaired"]
[[person]]
name = "bay"
role = "shop"
channels.hook = { url = "json://127.0.0.1:%d/alerts" }
"""


def test_an_alert_is_told_once_and_its_silence_is_kept(webhook: Webhook, tmp_path: Path) -> None:
    got = webhook.posted
    config = parse_config(NOTIFY % webhook.port, tmp_path / "notify.toml")
    telling = Telling(Notifier.open(config, {}), "https://brakes.example.org")
    with Store.open(tmp_path / "told.duckdb") as store:
        readings = frame(*[hold(k, "parked", PRIMARY) for k in range(3)]).select(READINGS.keys())
        replace_windows(store, pl.DataFrame(schema=WINDOWS), pl.DataFrame(schema=RUNS), readings)
        refresh_alerts(store, UNITS)
        assert tell_once(store, telling) == 1
        assert tell_once(store, telling) == 0
        assert len(got) == 1
        text = json.dumps(got)
        alert = alerts(store)["id"].item()
        assert "K-1" in text
        assert f"https://brakes.example.org/alerts/{alert}" in text
        assert "never clears" in text
        assert outbox(store).select("state", "attempts").rows() == [("sent", 1)]

        now = datetime.now(UTC)
        take_step(store, Step(alert, "silenced", "R. Okafor", now, "part on order", now + timedelta(days=2)))
        take_step(store, Step(alert, "repaired", "R. Okafor", now, "drain cock renewed"))
        assert tell_once(store, telling) == 0  # it waits for the end of the silence
        assert len(got) == 1
