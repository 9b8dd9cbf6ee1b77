"""Rolling up and putting in order: nothing is lost that is promised to be kept, and readings stay."""

from datetime import timedelta
from pathlib import Path

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from airwatch.contract.batch import decode_batch
from airwatch.contract.columns import COLUMN_NAMES
from airwatch.store.database import Store
from airwatch.store.results import newest_sample, pressure_history
from airwatch.store.retention import MEASURED, compact, raw_since, roll_up
from airwatch.store.telemetry import TelemetryWriter
from pipelines.derive import derive_new
from pipelines.tidy import tidy
from tests.messages import drive
from tests.pipelines.test_derive import messages, results

UNITS = ("K-1", "K-2", "K-3")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = Store.open(tmp_path / "s.duckdb")
    writer = TelemetryWriter(opened)
    blocks = [drive(unit, 40) for unit in UNITS]
    writer.write(decode_batch([block for by_turns in zip(*blocks, strict=True) for block in by_turns]))
    return opened


def samples(store: Store) -> pl.DataFrame:
    return store.frame("SELECT * FROM air.samples ORDER BY unit_key, t").with_columns(
        pl.col("t").cast(pl.Datetime("us"))
    )


def test_intervals_hold_least_greatest_and_mean_of_what_they_replace(store: Store) -> None:
    before = samples(store)
    edge = before["t"].min() + timedelta(minutes=20)
    done = roll_up(store, before=edge, interval_s=60)
    old = before.filter(pl.col("t") < edge)
    assert done.n_samples == old.height
    assert_frame_equal(samples(store), before.filter(pl.col("t") >= edge))
    plain = old.group_by("unit_key", pl.col("t").dt.truncate("60s")).agg(
        n=pl.len().cast(pl.Int64),
        **{f"{c}_min": pl.col(c).min() for c in MEASURED},
        **{f"{c}_max": pl.col(c).max() for c in MEASURED},
        **{f"{c}_mean": pl.col(c).mean() for c in MEASURED},
    )
    kept = store.frame("SELECT * FROM air.rollup").with_columns(pl.col("t").cast(pl.Datetime("us")))
    assert_frame_equal(kept.select(plain.columns), plain, check_row_order=False)
    assert done.n_intervals == kept.height
    assert raw_since(store) == edge
    store.close()


def test_a_dip_stays_visible_in_the_history(store: Store) -> None:
    first, last = samples(store)["t"].min(), samples(store)["t"].max()
    span = {"start": first, "end": last, "most_points": 10_000}
    whole = pressure_history(store, "north", "K-1", **span)
    roll_up(store, before=first + timedelta(minutes=30), interval_s=300)
    thinned = pressure_history(store, "north", "K-1", **span)
    assert thinned.height < whole.height
    for name in ("primary_kpa", "secondary_kpa"):
        assert (thinned[name].min(), thinned[name].max()) == (whole[name].min(), whole[name].max())
    store.close()


def test_an_hour_in_order_holds_the_same_samples_and_is_done_once(store: Store) -> None:
    before = samples(store)
    assert compact(store, before=before["t"].max() + timedelta(hours=2)) == before.height
    assert_frame_equal(samples(store), before)
    stored = store.frame("SELECT unit_key, date_trunc('hour', t::TIMESTAMP) AS hour FROM air.samples")
    assert stored.select(pl.struct(pl.all()).rle_id()).to_series().max() + 1 == stored.n_unique()
    assert compact(store, before=before["t"].max() + timedelta(hours=2)) == 0
    TelemetryWriter(store).write(decode_batch(drive("K-4", 3)))
    assert compact(store, before=before["t"].max() + timedelta(hours=2)) > 0  # the hour has grown
    store.close()


def test_a_sample_that_comes_again_after_being_put_in_order_is_still_one(store: Store) -> None:
    before = samples(store)
    compact(store, before=before["t"].max() + timedelta(hours=2))
    landed = TelemetryWriter(store).write(decode_batch(drive("K-1", 40)))
    assert landed.n_samples == 0
    assert_frame_equal(samples(store), before)
    store.close()


def test_readings_of_rolled_up_runs_stay_whatever_is_derived_anew(tmp_path: Path) -> None:
    with Store.open(tmp_path / "r.duckdb") as store:
        writer = TelemetryWriter(store)
        every = messages("K-1", 6, 1)
        writer.write(decode_batch(every[:-300]))
        derive_new(store)
        before = results(store)
        edge = newest_sample(store) - timedelta(days=2.5)
        roll_up(store, before=edge, interval_s=60)
        derive_new(store, everything=True)
        for kept, was in zip(results(store), before, strict=True):
            assert_frame_equal(kept, was)
        writer.write(decode_batch(every))  # all of it again, and what was still missing
        derive_new(store)
        old = before[0].filter(pl.col("run_start") < edge)
        assert_frame_equal(results(store)[0].filter(pl.col("run_start") < edge), old)


def test_tidying_counts_age_from_the_newest_sample(store: Store) -> None:
    assert tidy(store, keep_days=1, interval_s=60).rolled_up.n_samples == 0
    assert samples(store).select(COLUMN_NAMES).height == 3 * 40 * 60
    store.close()
