"""How fast messages land, next to a client that only counts them; run it with ``make bench``.

Absolute rates are those of the machine. The figure to keep is the ratio: both clients take the same messages from the
same broker in the same run, with QoS 1, MQTT 5 and the same receive maximum. Publisher, broker and each client are
processes of their own. Counting is timed from the first message to the last, landing from the first message to the
last commit.
"""

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

import click

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from airwatch.contract.recordings import recording_line  # noqa: E402 after the path is set
from tests.benchmarks.recordings import N_COLUMNS, SAMPLES_A_MESSAGE, blocks, in_json  # noqa: E402
from tests.broker import Mosquitto, find_mosquitto  # noqa: E402


@click.command()
@click.option("--messages", "n", default=30_000, show_default=True)
@click.option("--rounds", default=3, show_default=True, help="The ratio is the median of so many.")
@click.option("--keep", type=click.Path(path_type=Path), help="Leave the last store here.")
def main(n: int, rounds: int, keep: Path | None) -> None:
    """Count and land messages from one broker, then derive what landed; print rates, their ratio, and memory."""
    program = find_mosquitto()
    if program is None:
        sys.exit("landing_rate: Debian's mosquitto is not installed: apt-get install mosquitto")
    with tempfile.TemporaryDirectory(prefix="landing-rate-") as name:
        folder = Path(name)
        recording, db = folder / "drives.ndjson", folder / "landed.duckdb"
        with recording.open("wb") as lines:
            lines.writelines(recording_line(in_json(block)) + b"\n" for block in blocks(n))
        size = recording.stat().st_size / n
        click.echo(f"{n} messages of {SAMPLES_A_MESSAGE} samples x {N_COLUMNS} columns, {size:.0f} bytes each")
        ratios = [one_round(program, folder / str(k), recording, n, db) for k in range(rounds)]
        derived = child("derive_rate", db)
        rate = derived["samples"] / derived["seconds"]
        click.echo(
            f"    derive: {derived['seconds']:6.2f} s, {rate:10,.0f} samples/s, {derived['readings']} readings,"
            f" peak memory {derived['peak_mb']:.0f} MB"
        )
        click.echo(f"store: {db.stat().st_size / derived['samples']:.1f} bytes a sample")
        click.echo(f"landing / counting, median of {rounds}: {statistics.median(ratios):.2f}")
        if keep:
            shutil.copy(db, keep)


def one_round(program: str, folder: Path, recording: Path, n: int, db: Path) -> float:
    """Publish once, count once and land once; give the ratio of the rates."""
    folder.mkdir()
    broker = Mosquitto(program, folder)
    broker.start(autosave_interval="1800")
    try:
        for client_id in ("count", "land"):
            child("clients", "subscribe", client_id, broker.port)
        child("clients", "publish", recording, broker.port)
        for file in db.parent.glob(f"{db.name}*"):
            file.unlink()
        counted = child("clients", "count", broker.port, n)
        landed = child("clients", "land", broker.port, n, db)
    finally:
        broker.close()
    for what, measured in (("count only", counted), ("land", landed)):
        rate = n / measured["seconds"]
        of_samples = f"{rate * SAMPLES_A_MESSAGE:10,.0f} samples/s"
        click.echo(f"{what:>10}: {measured['seconds']:6.2f} s, {of_samples}, {rate:8,.0f} messages/s")
    ratio = float(counted["seconds"] / landed["seconds"])
    memory = f"peak memory of both landing processes {landed['peak_mib']:.0f} MiB"
    click.echo(f"            landing / counting {ratio:.2f}, {memory}")
    return ratio


def child(module: str, *arguments: object) -> Any:
    """Run a module's ``main`` in a process of its own and give what it measured.

    Not as a script: a process that it starts in turn would import the script again, which the program's own command
    spares it.
    """
    code = f"from tests.benchmarks import {module}; {module}.main()"
    command = [sys.executable, "-c", code, *map(str, arguments)]
    done = subprocess.run(command, check=True, stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)})
    return json.loads(done.stdout)


if __name__ == "__main__":
    main()
