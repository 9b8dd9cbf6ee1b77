"""The shipped broker between the program's own two ends."""

import signal
from pathlib import Path

import pytest

from airwatch.contract.recordings import recording_line
from tests.conftest import Airwatch
from tests.deploy.fleet_broker import FleetBroker
from tests.messages import message, pressure

pytestmark = pytest.mark.broker


def test_a_recording_goes_over_tls_with_a_password_into_the_store(
    running: FleetBroker, airwatch: Airwatch, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What deploy/README.md has one do to check the set-up."""
    recording = tmp_path / "check.ndjson"
    messages = [message(pressure(unit="K-205", seq=seq)) for seq in range(50)]
    recording.write_bytes(b"".join(recording_line(one) + b"\n" for one in messages))
    monkeypatch.setenv("SSL_CERT_FILE", str(running.installed.ca))

    monkeypatch.setenv("AIRWATCH_MQTT_PASSWORD", running.installed.passwords["landing"])
    subscriber = airwatch.start("subscribe", "--broker", f"mqtt://landing@127.0.0.1:{running.port}", "--db", "f.duckdb")
    assert subscriber.stderr is not None
    assert "subscribed to air/v1/#" in subscriber.stderr.readline()

    monkeypatch.setenv("AIRWATCH_MQTT_PASSWORD", running.installed.passwords["north/K-205"])
    broker = f"mqtts://north%2FK-205@localhost:{running.password_port}"
    replayed = airwatch.run("replay", recording, "--broker", broker, "--speed", "0")
    assert replayed.returncode == 0, replayed.stderr.decode()

    subscriber.send_signal(signal.SIGTERM)
    output, errors = subscriber.communicate(timeout=60)
    assert subscriber.returncode == 0, errors
    assert "of 50 messages; 0 set aside" in output
