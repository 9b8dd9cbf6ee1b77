"""The unit registry, `units.csv`: what each unit is, and which set of limits it is held to."""

import csv
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

import msgspec
import polars as pl
from msgspec import Meta, Struct

from airwatch.errors import RegistryError

Positive = Annotated[float, Meta(gt=0, le=1e6)]
Name = Annotated[str, Meta(pattern=r"^[A-Za-z0-9._-]{1,64}$")]
Chambers = Annotated[str, Meta(pattern=r"^(\w+:\d+(\.\d+)?L?)(;\w+:\d+(\.\d+)?L?)*$")]


class Unit(Struct, frozen=True):
    """One row: volumes in litres, ``compressor_cc`` swept volume in cm3, ``governed_rpm`` 1/min, ``cut_out_kpa`` gauge.

    ``chambers`` lists chamber types by position, `;`-joined, L after the size for long stroke. None: left blank.
    """

    unit: Name
    fleet: Name
    kind: Literal["tractor", "truck", "bus", "trailer"]
    rule_set: Name
    axles: Annotated[int, Meta(ge=1, le=12)] | None = None
    trailer_towing: bool | None = None
    home_shop: str | None = None
    supply_l: Positive | None = None
    primary_l: Positive | None = None
    secondary_l: Positive | None = None
    required_l: Positive | None = None
    compressor_cc: Positive | None = None
    governed_rpm: Positive | None = None
    cut_out_kpa: Annotated[float, Meta(gt=0, le=2000)] | None = None
    chambers: Chambers | None = None


HEADER = [
    "unit",
    "fleet",
    "kind",
    "axles",
    "trailer_towing",
    "rule_set",
    "home_shop",
    "supply_l",
    "primary_l",
    "secondary_l",
    "required_l",
    "compressor_cc",
    "governed_rpm",
    "cut_out_kpa",
    "chambers",
]
SCHEMA = pl.Schema(
    {
        "unit": pl.String(),
        "fleet": pl.String(),
        "kind": pl.String(),
        "axles": pl.Int32(),
        "trailer_towing": pl.Boolean(),
        "rule_set": pl.String(),
        "home_shop": pl.String(),
        "supply_l": pl.Float64(),
        "primary_l": pl.Float64(),
        "secondary_l": pl.Float64(),
        "required_l": pl.Float64(),
        "compressor_cc": pl.Float64(),
        "governed_rpm": pl.Float64(),
        "cut_out_kpa": pl.Float64(),
        "chambers": pl.String(),
    }
)
"""A frame of units, columns in the order of the file."""


@dataclass(frozen=True, slots=True)
class _Place:
    path: Path
    line: int


def read_units(path: Path) -> pl.DataFrame:
    """Read a registry.

    Returns
    -------
    DataFrame, one row a unit, columns as `SCHEMA`.

    Raises
    ------
    RegistryError
        The file can't be read, its header is another, a field is wrong, or a unit stands twice in a fleet. The text
        names file, line and field.
    """
    try:
        with path.open(newline="", encoding="utf-8-sig") as text:
            rows = csv.DictReader(text, strict=True)
            if rows.fieldnames is None or list(rows.fieldnames) != HEADER:
                raise RegistryError(
                    f"{path} line 1: the header must be {','.join(HEADER)}; got {','.join(rows.fieldnames or [])}"
                )
            units = [(_Place(path, rows.line_num), _unit(row, _Place(path, rows.line_num))) for row in rows]
    except (OSError, csv.Error, UnicodeDecodeError) as err:
        raise RegistryError(f"{path}: can't be read as a registry: {err}; check --units") from err
    seen: dict[tuple[str, str], _Place] = {}
    for place, unit in units:
        if (other := seen.get((unit.fleet, unit.unit))) is not None:
            raise RegistryError(
                f"{path} line {place.line}: unit {unit.unit!r} of fleet {unit.fleet!r}"
                f" stands in line {other.line} already"
            )
        seen[unit.fleet, unit.unit] = place
    return pl.DataFrame([msgspec.structs.asdict(unit) for _, unit in units], schema=SCHEMA)


def _unit(row: dict[str, str | None], place: _Place) -> Unit:
    if None in row or None in row.values():
        raise RegistryError(
            f"{place.path} line {place.line}: {len(HEADER)} fields are needed, one for each name of the header"
        )
    filled = {name: value.strip() for name, value in row.items() if value and value.strip()}
    if (towing := filled.get("trailer_towing")) is not None and towing not in ("0", "1"):
        raise RegistryError(f"{place.path} line {place.line}: trailer_towing is {towing!r}; it must be 1 or 0")
    try:
        return msgspec.convert(filled, Unit, strict=False)
    except msgspec.ValidationError as err:
        raise RegistryError(f"{place.path} line {place.line}: {err}") from err
