"""The whole line as it runs for a fleet: broker, subscriber, scheduled derivation, API and pages in one process."""

import json
import signal
import socket
import time
import urllib.request
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.broker import Mosquitto, wait_until
from tests.conftest import Airwatch
from tests.messages import message, write_recording

pytestmark = pytest.mark.broker

DAYS = 4


def leaking_unit() -> list[dict[str, Any]]:
    """Give four days of one tractor: driven for an hour, parked with a primary leak of 40 kPa/min at 690 kPa."""
    blocks = []
    tau_s = (690 + 101.3) / (40 / 60)
    for k, minute in enumerate(range(0, DAYS * 24 * 60, 5)):
        t = np.arange(0, 300, 10.0) + (minute % (24 * 60)) * 60
        driving = t < 3600
        parked = (880 + 101.3) * np.exp(-(t - 3600) / tau_s) - 101.3
        kpa = np.where(driving, 880 - (t % 300) / 3, np.maximum(parked, 0))
        day, left = divmod(minute, 24 * 60)
        blocks.append(
            {
                "v": 1,
                "unit": "K-9",
                "seq": k,
                "t0": f"2031-02-{3 + day:02d}T{left // 60:02d}:{left % 60:02d}:00Z",
                "dt_ms": 10000,
                "trailer": None,
                "primary_kpa": (np.round(kpa / 8) * 8).tolist(),
                "engine_rpm": np.where(driving, 1200, 0).tolist(),
                "speed_kph": np.where(driving & (t > 300), 60, 0).tolist(),
                "park_brake": np.where(driving, 0, 1).tolist(),
            }
        )
    return blocks


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def ask(port: int, path: str) -> Any:
    """Ask the API; None while nobody answers."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/api/v1/{path}", timeout=30) as answer:
            return json.load(answer)
    except OSError:
        return None


def test_an_alert_appears_while_serving_and_sigterm_ends_it_cleanly(
    airwatch: Airwatch, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    blocks = leaking_unit()
    recording = write_recording(tmp_path / "leak.ndjson", [message(block) for block in blocks])
    port, db = free_port(), tmp_path / "s.duckdb"
    serving = airwatch.start("serve", "--broker", mosquitto.url, "--db", db, "--port", port, "--every", 0.5)
    wait_until(lambda: ask(port, "landing") is not None or serving.poll() is not None, "the API does not answer")
    assert serving.poll() is None, serving.communicate()[1]
    done = airwatch.run("replay", recording, "--broker", mosquitto.url, "--speed", 0)
    assert done.returncode == 0, done.stderr

    began = time.monotonic()
    wait_until(lambda: ask(port, "alerts")["alerts"], "no alert appears")
    alert = ask(port, "alerts")["alerts"][0]
    assert (alert["unit"], alert["fault"], alert["circuit"]) == ("K-9", "leak_primary", "primary")
    assert time.monotonic() - began < 60  # the message that completes the evidence has been published by now
    assert ask(port, "landing")["messages"] == len(blocks)

    locked = airwatch.run("export", "alerts", "--db", db)
    assert locked.returncode == 1
    assert b"in use" in locked.stderr

    serving.send_signal(signal.SIGTERM)
    _, error = serving.communicate(timeout=60)
    assert serving.returncode == 0, error
    assert "Traceback" not in error
    after = airwatch.run("export", "alerts", "--db", db, "--format", "csv")
    assert b"leak_primary" in after.stdout
