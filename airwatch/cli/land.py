"""`airwatch land`."""

from contextlib import ExitStack, closing
from importlib import import_module
from pathlib import Path

import click

from airwatch.cli import options
from airwatch.landing.child import DECODE_RECORDED, heavy_imports, start

_N_PROCESSES = 2
_LONG_BYTES = 16_000_000  # a shorter recording is done before another process has started
_MESSAGE_SUFFIXES = (".ndjson", ".jsonl")


@click.command()
@click.argument("files", nargs=-1, required=True, type=options.FILE)
@options.db
@options.units
@options.root
@click.option("--unit", help="Whose CAN recordings these are.")
def land(files: tuple[Path, ...], db: Path, units: Path | None, root: str, unit: str | None) -> None:
    """Land recordings without a broker: .ndjson or candump .log, plain, .gz or .zst."""
    is_long = any(path.suffix in _MESSAGE_SUFFIXES and _size(path) > _LONG_BYTES for path in files)
    with ExitStack() as stack:
        # decoding processes import what they need while this one does
        n = _N_PROCESSES if is_long else 0
        started = [stack.enter_context(closing(start(*DECODE_RECORDED, root, is_sharing=True))) for _ in range(n)]
        with heavy_imports():
            land_files = import_module("airwatch.cli.land_files").land_files
        land_files(list(files), db, units, root, unit, started)


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:  # who reads it says so
        return 0
