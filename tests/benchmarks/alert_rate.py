"""How long it takes to look at every unit's alerts anew from stored readings; run it with ``make bench``.

The demo fleet's readings are derived once and multiplied; half of its units have a fault, far more than a fleet has.
Printed beside it: what reading the same readings from the store takes by itself.
"""

import resource
import sys
import tempfile
import time
from pathlib import Path

import click
import polars as pl

sys.path.insert(0, str(Path(__file__).parents[2]))

from airwatch.derive.readings import RUNS
from airwatch.registry import read_units
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, readings, replace_windows
from airwatch.store.registry import replace_units
from airwatch.store.results import alerts
from pipelines.alerts import UNITS_A_GROUP, refresh_alerts
from pipelines.derive import derive_new
from pipelines.land import land_recordings

DATA = Path(__file__).parents[2] / "replay_data"


@click.command()
@click.option("--units", "n_units", default=10_000, show_default=True)
def main(n_units: int) -> None:
    """Fill a store with readings of so many units, and refresh all their alerts twice."""
    with tempfile.TemporaryDirectory(prefix="alert-rate-") as name, Store.open(Path(name) / "alerts.duckdb") as store:
        registered = read_units(DATA / "units.csv")
        replace_units(store, registered)
        land_recordings(store, [DATA / "demo_fleet.ndjson.zst"])
        derive_new(store, everything=True)
        one = readings(store)
        copies = -(-n_units // one["unit"].n_unique())
        replace_units(store, pl.concat([_renamed(registered, k) for k in range(copies)]))
        none, runs = pl.DataFrame(schema=WINDOWS), pl.DataFrame(schema=RUNS)
        for k in range(copies):
            replace_windows(store, none, runs, _renamed(one, k))
        all_units = pl.concat([_renamed(one, k).select("fleet", "unit").unique() for k in range(copies)]).head(n_units)
        began = time.perf_counter()
        n_read = sum(readings(store, part).height for part in all_units.iter_slices(UNITS_A_GROUP))
        reading_s = time.perf_counter() - began
        for which in ("first", "again"):
            began = time.perf_counter()
            n_changes = refresh_alerts(store, all_units)
            took_s = time.perf_counter() - began
            click.echo(
                f"{which}: {all_units.height} units, {n_read} readings, {took_s:.1f} s,"
                f" {took_s / reading_s:.2f} times reading them; {n_changes} changes"
            )
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        click.echo(f"{alerts(store).height} alerts; peak {peak_mb:.0f} MB")


def _renamed(frame: pl.DataFrame, k: int) -> pl.DataFrame:
    """Give copy ``k`` of units or readings, units and trailers under names of their own."""
    names = [name for name in ("unit", "trailer") if name in frame.columns]
    return frame.with_columns(pl.col(name) + f"-{k}" for name in names)


if __name__ == "__main__":
    main()
