"""The CSV of hand measurements: one header, one entry a line."""

import csv
from collections.abc import Mapping
from datetime import UTC, datetime
from hashlib import blake2b
from io import StringIO
from pathlib import Path

import polars as pl

from airwatch.errors import HandError
from airwatch.hand.frames import ENTRIES
from airwatch.hand.lengths import parse_number

HEADER = ["unit", "taken_at", "by", "item", "position", "value", "measure", "finding", "note"]
"""The columns, in this order; what an item does not need is left empty."""


def read_entries(path: Path, fleet_of: Mapping[str, str]) -> tuple[pl.DataFrame, list[int]]:
    """Read a file of entries.

    Each entry's id is made from what the line says, so that a file that is imported again, whole or mended, lands
    each of its lines once.

    Parameters
    ----------
    path : Path
        UTF-8, with the header of `HEADER`. ``taken_at`` is RFC 3339 with its offset or Z; ``value`` a number or an
        inch fraction (1 3/4).
    fleet_of : mapping
        Unit to fleet.

    Returns
    -------
    entries : DataFrame
        Columns as `airwatch.hand.frames.ENTRIES`, in the order of the file.
    lines : list of int
        The line on which each stands.

    Raises
    ------
    HandError
        The file can't be read, its header is another, or a field can't be understood. The text names file, line and
        field. Nothing of the file is taken.
    """
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except (OSError, UnicodeDecodeError) as err:
        raise HandError(f"{path}: can't be read as hand measurements: {err}; check the file") from err
    return parse_entries(text, fleet_of, name=str(path))


def parse_entries(text: str, fleet_of: Mapping[str, str], *, name: str) -> tuple[pl.DataFrame, list[int]]:
    """Read the text of such a file; ``name`` is what errors call it. Else as `read_entries`.

    Raises
    ------
    HandError
        Its header is another, or a field can't be understood. Nothing of it is taken.
    """
    rows: list[dict[str, object]] = []
    lines: list[int] = []
    reader = csv.DictReader(StringIO(text, newline=""), strict=True)
    try:
        if reader.fieldnames is None or list(reader.fieldnames) != HEADER:
            got = ",".join(reader.fieldnames or [])
            raise HandError(f"{name} line 1: the header must be {','.join(HEADER)}; got {got}")
        for row in reader:
            if None in row or None in row.values():
                raise HandError(f"{name} line {reader.line_num}: {len(HEADER)} fields are needed, as in the header")
            rows.append(_entry(row, fleet_of, f"{name} line {reader.line_num}"))
            lines.append(reader.line_num)
    except csv.Error as err:
        raise HandError(f"{name}: can't be read as hand measurements: {err}; check the file") from err
    return pl.DataFrame(rows, schema=ENTRIES, orient="row"), lines


def _entry(row: dict[str, str], fleet_of: Mapping[str, str], where: str) -> dict[str, object]:
    said = {name: value.strip() or None for name, value in row.items()}
    for name in ("unit", "taken_at", "by", "item"):
        if said[name] is None:
            raise HandError(f"{where}, {name}: is empty; fill it in")
    if (fleet := fleet_of.get(str(said["unit"]))) is None:
        raise HandError(f"{where}, unit: {said['unit']!r} is of no fleet that is known; correct it, or name --fleet")
    entry = {
        **said,
        "fleet": fleet,
        "taken_at": parse_time(str(said["taken_at"]), f"{where}, taken_at"),
        "value": None if said["value"] is None else _number(said["value"], f"{where}, value"),
    }
    return {"id": entry_id(entry), **entry}


def entry_id(entry: Mapping[str, object]) -> str:
    """Give the id of an entry that has none of its own: the same for the same content."""
    text = "\x1f".join(f"{entry[name]}" for name in ENTRIES if name != "id")
    return blake2b(text.encode(), digest_size=12).hexdigest()


def parse_time(text: str, where: str) -> datetime:
    """Read RFC 3339 as UTC without a zone.

    Raises
    ------
    HandError
        It is none, or has no zone. The text begins with ``where``.
    """
    try:
        t = datetime.fromisoformat(text)
    except ValueError as err:
        raise HandError(f"{where}: {text!r} is no time; write 2031-02-03T11:20:00Z") from err
    if t.tzinfo is None:
        raise HandError(f"{where}: {text!r} has no zone; write 2031-02-03T11:20:00Z or with an offset")
    return t.astimezone(UTC).replace(tzinfo=None)


def _number(text: str, where: str) -> float:
    try:
        return parse_number(text)
    except ValueError as err:
        raise HandError(f"{where}: {err}") from err
