"""Beside the pages: landed messages are derived, summed up and, when old, rolled up, without being asked."""

from pathlib import Path

from airwatch.landing.subscriber import Subscriber
from airwatch.store.database import Store
from airwatch.store.quality import quality_of
from airwatch.store.telemetry import TelemetryWriter
from pipelines.serve import Schedule, running
from tests.broker import Mosquitto, publish, wait_until
from tests.messages import drive

TWO_DAYS_OF_BLOCKS = 2 * 1440 + 1


def test_what_lands_is_summed_up_and_what_is_old_rolled_up(mosquitto: Mosquitto, tmp_path: Path) -> None:
    sent = drive("K-1", TWO_DAYS_OF_BLOCKS)[:: 2 * 1440]
    with Store.open(tmp_path / "s.duckdb") as store:
        subscriber = Subscriber(mosquitto.address, TelemetryWriter(store).write)
        with running(store, subscriber, Schedule(derive_every_s=0.1, tidy_every_s=0.2, keep_days=1)):
            publish(mosquitto, [(m.topic, m.payload, m.content_type) for m in sent])
            wait_until(lambda: quality_of(store)["n_messages"].sum() == len(sent), "not summed up")
            wait_until(lambda: store.frame("SELECT * FROM air.rollup").height, "old samples are not rolled up")
        assert store.frame("SELECT count(*) AS n FROM air.samples").item() == 60
        assert store.frame("SELECT sum(n) AS n FROM air.rollup").item() == 60
