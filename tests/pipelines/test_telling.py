"""Alerts of a store told through a webhook: once, and not while they are silenced."""

import json
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import polars as pl
import pytest

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


@pytest.fixture
def posted() -> Iterator[tuple[int, list[dict[str, Any]]]]:
    got: list[dict[str, Any]] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(200)
            self.send_header("Content-Length", "0")
            self.end_headers()

        def log_message(self, *_: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    yield server.server_address[1], got
    server.shutdown()
    server.server_close()
    thread.join()


def test_an_alert_is_told_once_and_its_silence_is_kept(
    posted: tuple[int, list[dict[str, Any]]], tmp_path: Path
) -> None:
    port, got = posted
    config = parse_config(NOTIFY % port, tmp_path / "notify.toml")
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
