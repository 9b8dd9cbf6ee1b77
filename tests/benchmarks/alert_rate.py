"""How long it takes to look at every unit's alerts anew from stored readings; run it with ``make bench``.

The demo fleet's readings are derived once and multiplied, its healthy units more often, so that one unit in ten has a
fault: the others are done with once nothing shows in them.
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

_EACH = 12  # one of so many copies has the faulty units
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
        bad = alerts(store).select("fleet", "unit").unique()
        sound = one.join(bad, on=["fleet", "unit"], how="anti", maintain_order="left")
        sizes = one["unit"].n_unique() + (_EACH - 1) * sound["unit"].n_unique()
        copies = _EACH * -(-n_units // sizes)
        replace_units(store, pl.concat([_renamed(registered, k) for k in range(copies)]))
        none, runs = pl.DataFrame(schema=WINDOWS), pl.DataFrame(schema=RUNS)
        fleets = [_renamed(sound if k % _EACH else one, k) for k in range(copies)]
        for fleet in fleets:
            replace_windows(store, none, runs, fleet)
        all_units = pl.concat([fleet.select("fleet", "unit").unique(maintain_order=True) for fleet in fleets]).head(
            n_units
        )
        del fleets
        began = time.perf_counter()
        n_read = sum(readings(store, part).height for part in all_units.iter_slices(UNITS_A_GROUP))
        reading_s = time.perf_counter() - began
        for which in ("first", "again"):
            began = time.perf_counter()
            n_changes = refresh_alerts(store, all_units)
            took_s = time.perf_counter() - began
            bad_units = alerts(store).join(all_units, on=["fleet", "unit"], how="semi")["unit"].n_unique()
            click.echo(
                f"{which}: {all_units.height} units, {n_read} readings, {took_s:.1f} s,"
                f" {took_s / reading_s:.2f} times reading them; {n_changes} changes, {bad_units} units with an alert"
            )
        peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        click.echo(f"{alerts(store).height} alerts; peak {peak_mb:.0f} MB")


def _renamed(frame: pl.DataFrame, k: int) -> pl.DataFrame:
    """Give copy ``k`` of units or readings, units and trailers under names of their own."""
    names = [name for name in ("unit", "trailer") if name in frame.columns]
    return frame.with_columns(pl.col(name) + f"-{k}" for name in names)


if __name__ == "__main__":
    main()
