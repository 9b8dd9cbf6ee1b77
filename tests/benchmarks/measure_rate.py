"""How fast readings are derived from samples in the store, and in how much memory; run it with ``make bench``.

The demo fleet is landed several times over under other fleet names. Deriving is held against reading the same samples
from the store into Polars, a fleet against several, and the leak check against a plain version of it in pandas.
"""

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import click
import polars as pl

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from airwatch.derive.facts import unit_facts  # noqa: E402
from airwatch.derive.leak import leak_static_readings  # noqa: E402
from airwatch.derive.phases import add_phases  # noqa: E402
from airwatch.derive.readings import Window, derive  # noqa: E402
from airwatch.derive.runs import assign_runs, run_table  # noqa: E402
from airwatch.registry import read_units  # noqa: E402
from airwatch.store import derivation as stored  # noqa: E402
from airwatch.store.database import Store  # noqa: E402
from airwatch.store.registry import current, replace_units  # noqa: E402
from pipelines.derive import SAMPLES_A_CHUNK  # noqa: E402
from pipelines.land import land_recordings  # noqa: E402
from tests.benchmarks.landing_rate import child  # noqa: E402
from tests.benchmarks.pandas_leak import pandas_leak  # noqa: E402

REPLAY = ROOT / "replay_data"


@click.command()
@click.option("--copies", default=3, show_default=True, help="Fleets in the larger store.")
@click.option("--rounds", default=3, show_default=True, help="Each rate is the best of so many.")
def main(copies: int, rounds: int) -> None:
    """Derive one demo fleet and several; print rates, ratios and memory."""
    with tempfile.TemporaryDirectory(prefix="measure-rate-") as name:
        folder = Path(name)
        stores = {n: fleets(folder, n) for n in (1, copies)}
        read_s, derive_s, n_samples = parts(stores[1], rounds)
        click.echo(f"{n_samples:,} samples of the demo fleet, best of {rounds}")
        click.echo(f"   read: {read_s:6.2f} s, {n_samples / read_s:12,.0f} samples/s")
        click.echo(f" derive: {derive_s:6.2f} s, {n_samples / derive_s:12,.0f} samples/s")
        click.echo(f"         derive / read {derive_s / read_s:.2f}")
        whole = {n: [child("derive_rate", db) for _ in range(rounds)] for n, db in stores.items()}
        for n, found in whole.items():
            best = min(found, key=lambda one: float(one["seconds"]))
            click.echo(
                f"`airwatch derive --all`, {n} fleets: {best['seconds']:6.2f} s,"
                f" {best['samples'] / best['seconds']:12,.0f} samples/s, peak memory {best['peak_mb']:.0f} MB"
            )
        ours_s, pandas_s = leak_beside_pandas(stores[1], rounds)
        click.echo(f"   leak: {ours_s:6.2f} s, in pandas {pandas_s:6.2f} s: pandas / ours {pandas_s / ours_s:.1f}")


def fleets(folder: Path, n: int) -> Path:
    """Land the demo fleet ``n`` times under names of its own."""
    db = folder / f"{n}.duckdb"
    units = read_units(REPLAY / "units.csv")
    with Store.open(db) as store:
        for k in range(n):
            replace_units(store, units.with_columns(pl.col("fleet") + f"-{k}"))
            land_recordings(store, [renamed(folder, k)])
    return db


def renamed(folder: Path, k: int) -> Path:
    """Write the demo recording with each fleet's name lengthened."""
    import zstandard  # noqa: PLC0415 the child processes don't need it

    path = folder / f"{k}.ndjson"
    if not path.exists():
        with zstandard.open(REPLAY / "demo_fleet.ndjson.zst", "rb") as packed:
            text = packed.read()
        for fleet in read_units(REPLAY / "units.csv")["fleet"].unique():
            text = text.replace(f"air/v1/{fleet}/".encode(), f"air/v1/{fleet}-{k}/".encode())
        path.write_bytes(text)
    return path


def windows(store: Store) -> Iterator[Window]:
    """Read what is derived, a group of units at a time."""
    chosen = stored.all_windows(store)
    facts = unit_facts(chosen, current(store))
    for chunk in stored.chunks(chosen, most_samples=SAMPLES_A_CHUNK):
        yield Window(**stored.read_window(store, chunk), facts=facts.join(chunk, on=["fleet", "unit"], how="semi"))


def parts(db: Path, rounds: int) -> tuple[float, float, int]:
    """Time reading alone and deriving alone; give the best seconds of each and the number of samples."""
    best = [float("inf"), float("inf")]
    n_samples = 0
    for _ in range(rounds):
        read_s = derive_s = 0.0
        n_samples = 0
        with Store.open(db) as store:
            begin = time.perf_counter()
            for window in windows(store):
                read_s += time.perf_counter() - begin
                begin = time.perf_counter()
                derive(window)
                derive_s += time.perf_counter() - begin
                n_samples += window.samples.height
                begin = time.perf_counter()
        best = [min(best[0], read_s), min(best[1], derive_s)]
    return best[0], best[1], n_samples


def leak_beside_pandas(db: Path, rounds: int) -> tuple[float, float]:
    """Time the leak check here and in pandas, on the same samples with their phases and runs."""
    ours_s = pandas_s = float("inf")
    with Store.open(db) as store:
        samples = assign_runs(add_phases(next(windows(store)).samples))
    runs = run_table(samples)
    table = samples.to_pandas()
    for _ in range(rounds):
        begin = time.perf_counter()
        leak_static_readings(samples, runs)
        ours_s = min(ours_s, time.perf_counter() - begin)
        begin = time.perf_counter()
        pandas_leak(table)
        pandas_s = min(pandas_s, time.perf_counter() - begin)
    return ours_s, pandas_s


if __name__ == "__main__":
    main()
