"""Command line: ``python -m tests.second_fleet --seed 7 --units 60 --days 28 --healthy 0.5 -o FOLDER``."""

import argparse
import sys
import time
from pathlib import Path

from tests.second_fleet.kinds import KINDS
from tests.second_fleet.write import record, write


def main() -> None:
    """Write a fleet into a folder."""
    parser = argparse.ArgumentParser(prog="python -m tests.second_fleet", description=__doc__)
    parser.add_argument("--seed", type=int, default=7)
    parser.add_argument("--units", type=int, default=60, help="tractors, trucks and buses; trailers come on top")
    parser.add_argument("--days", type=int, default=28)
    parser.add_argument("--healthy", type=float, default=0.5, help="share of units without a fault")
    parser.add_argument("--kinds", default=",".join(KINDS), help="faults that may occur, with commas between")
    parser.add_argument("-o", "--output", type=Path, required=True, help="folder for the three files")
    given = parser.parse_args()
    began = time.monotonic()
    kinds = [kind for kind in given.kinds.split(",") if kind]
    recording = record(seed=given.seed, units=given.units, days=given.days, healthy=given.healthy, kinds=kinds)
    write(recording, given.output)
    took_s = time.monotonic() - began
    sys.stdout.write(
        f"{given.output}: {recording.samples} samples in {len(recording.lines)} messages, {took_s:.0f} s\n"
    )


if __name__ == "__main__":
    main()
