"""What came in is summed up as messages land, and piecewise as from the beginning."""

from pathlib import Path

import numpy as np
from polars.testing import assert_frame_equal

from airwatch.contract.batch import decode_batch
from airwatch.store import derivation as stored
from airwatch.store.database import Store
from airwatch.store.quality import quality_of
from airwatch.store.telemetry import TelemetryWriter
from pipelines.quality import JOB, sum_up_new
from tests.pipelines.test_derive import messages


def test_summing_up_what_is_new_is_summing_up_everything(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    every = messages("K-1", 3, 1) + messages("K-2", 2, 2)
    order = np.argsort(np.arange(len(every)) + 400 * rng.random(len(every)))
    with Store.open(tmp_path / "s.duckdb") as store:
        writer = TelemetryWriter(store)
        for part in np.array_split(order, 7):
            writer.write(decode_batch([every[k] for k in part]))
            sum_up_new(store)
        piecewise = quality_of(store)
        assert sum_up_new(store) == 0
        stored.set_mark(store, JOB, 0)
        sum_up_new(store)
        assert_frame_equal(piecewise, quality_of(store))
        assert quality_of(store, "north", "K-2")["unit"].unique().to_list() == ["K-2"]
    pressure = piecewise.filter(stream="pressure")
    assert pressure["n_messages"].to_list() == [288] * 5
    assert pressure["n_missing"].to_list() == [0] * 5
    assert pressure["null_share"].to_list() == [0.0] * 5


def test_a_message_that_never_came_is_told(tmp_path: Path) -> None:
    every = [m for m in messages("K-1", 1, 1) if m.topic.endswith("pressure")]
    with Store.open(tmp_path / "s.duckdb") as store:
        TelemetryWriter(store).write(decode_batch([*every[:50], *every[53:]]))
        sum_up_new(store)
        (day,) = quality_of(store).iter_rows(named=True)
    assert (day["n_missing"], day["n_gaps"]) == (3, 1)
    assert "messages missing" in day["flags"]
