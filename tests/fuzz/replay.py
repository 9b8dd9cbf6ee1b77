"""Cases again: `python -m tests.fuzz.replay FILE…` says of each whether every property holds by now."""

import sys
import tempfile
from pathlib import Path

import click

from tests.fuzz.bench import land_case
from tests.fuzz.case import Case, read_case
from tests.fuzz.outcome import Outcome
from tests.fuzz.violation import ViolationError


def replay(case: Case) -> Outcome | None:
    """Land a case into a new store; give what became of its last message.

    Raises
    ------
    ViolationError
        A property does not hold.
    """
    with tempfile.TemporaryDirectory(prefix="airwatch-fuzz-") as folder:
        return land_case(Path(folder) / "store.duckdb", case.raw())


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(exists=True, dir_okay=False, path_type=Path))
def main(files: tuple[Path, ...]) -> None:
    """Replay cases from FILES; exit 1 if one of them fails."""
    is_bad = False
    for path in files:
        try:
            outcome = replay(read_case(path))
        except ViolationError as violation:
            is_bad = True
            print(f"{path}: {violation}")
        else:
            print(f"{path}: holds; the last message is {outcome.verdict if outcome else 'not there'}")
    sys.exit(is_bad)


if __name__ == "__main__":
    main()
