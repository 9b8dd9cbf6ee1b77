"""How fast `airwatch land` lands recordings, as the command is run, its start included; run it with ``make bench``.

Beside each rate stands what the same work takes in one process and no store, so that it shows what limits it.
"""

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).parents[2]))

from airwatch.contract.recordings import recording_line
from airwatch.store.database import Store
from tests.benchmarks.recordings import SAMPLES_A_MESSAGE, blocks, can_log, in_json

AIRWATCH = Path(sys.executable).with_name("airwatch")


@click.command()
@click.option("--messages", "n", default=120_000, show_default=True)
@click.option("--frames", "n_frames", default=8_000_000, show_default=True)
def main(n: int, n_frames: int) -> None:
    """Land a JSON recording and a CAN log; print rates, memory and bytes on disk."""
    with tempfile.TemporaryDirectory(prefix="land-rate-") as name:
        folder = Path(name)
        drives, bus = folder / "drives.ndjson", folder / "bus.log"
        with drives.open("wb") as lines:
            lines.writelines(recording_line(in_json(block)) + b"\n" for block in blocks(n))
        with bus.open("wb") as lines:
            lines.writelines(can_log(n_frames))
        seconds, peak_mb = landed(drives, folder / "drives.duckdb")
        n_samples = n * SAMPLES_A_MESSAGE
        size = (folder / "drives.duckdb").stat().st_size / n_samples
        click.echo(f"JSON: {n_samples / seconds:12,.0f} samples/s ({seconds:.1f} s), largest process {peak_mb:.0f} MB")
        click.echo(
            f"      {size:.1f} MB on disk a million samples, {used_share(folder / 'drives.duckdb'):.2f} of it in use"
        )
        seconds, peak_mb = landed(bus, folder / "bus.duckdb", "--unit", "K-1")
        click.echo(f" CAN: {n_frames / seconds:12,.0f} frames/s ({seconds:.1f} s), largest process {peak_mb:.0f} MB")


def landed(recording: Path, db: Path, *options: str) -> tuple[float, float]:
    """Run the command; give its seconds and the memory of the largest process so far, MB."""
    begin = time.perf_counter()
    subprocess.run([AIRWATCH, "land", recording, "--db", db, *options], check=True, stdout=subprocess.DEVNULL)
    seconds = time.perf_counter() - begin
    return seconds, resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


def used_share(db: Path) -> float:
    """Give the share of the file's blocks that hold something."""
    with Store.open(db) as store:
        row = store.frame(
            "SELECT used_blocks, total_blocks FROM pragma_database_size() WHERE database_name = 'air'"
        ).row(0)
    return float(row[0] / row[1])


if __name__ == "__main__":
    main()
