"""The limit table: read whole, checked whole, refused whole."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Annotated, Any, Literal, NoReturn

import msgspec
import polars as pl
from msgspec import Meta, Struct

from airwatch.errors import LimitTableError
from airwatch.limits.units_of_measure import KPA_PER, TO_CANONICAL, pressure_unit, to_canonical

ANY = "any"
"""Rule set of limits that hold for every unit."""

Text = Annotated[str, Meta(min_length=1)]
Positive = Annotated[float, Meta(gt=0)]


class Limit(Struct, frozen=True, forbid_unknown_fields=True):
    """One row of `limits.toml`, whose head explains the fields."""

    id: Text
    rule_set: Text
    check: Text
    kinds: Annotated[list[Literal["tractor", "truck", "bus", "trailer"]], Meta(min_length=1)]
    coupling: Literal["any", "single", "combination", "multi"]
    unit: Text
    breach: Literal["fail", "watch", "cited"]
    condition: Text
    jurisdiction: Text
    section: str
    status: Literal["read", "part", "memory", "common practice"]
    source: Text | None = None
    low: float | None = None
    high: float | None = None
    test: Text | None = None
    test_pressure: Positive | None = None
    at_rpm: Positive | None = None
    share_of_cut_out: Annotated[float, Meta(gt=0, lt=1)] | None = None
    scale: Literal["reservoir_volume"] | None = None
    topic: Text | None = None

    @property
    def measure(self) -> str:
        """The unit of measure of readings that this limit judges."""
        return TO_CANONICAL[self.unit][0]

    @property
    def test_kpa(self) -> float | None:
        """The gauge pressure of the rule's test, None where the rule names none."""
        pressure = pressure_unit(self.unit)
        return None if self.test_pressure is None or pressure is None else self.test_pressure * KPA_PER[pressure]

    def canonical(self, value: float | None) -> float | None:
        """Turn a value in the row's own unit into the unit of readings."""
        return None if value is None else to_canonical(value, self.unit)

    def check_row(self) -> None:
        """Refuse a row that could never judge rightly."""
        if self.unit not in TO_CANONICAL:
            self._refuse("unit", f"{self.unit!r} is none of {', '.join(TO_CANONICAL)}")
        if self.low is None and self.high is None and self.breach != "cited":
            self._refuse("low, high", "neither is there, so nothing could cross it; such a row can only be cited")
        if self.low is not None and self.high is not None and not self.low < self.high:
            self._refuse("low", f"{self.low:g} is not below high {self.high:g}, so nothing could pass")
        if (self.status == "common practice") != (self.source is None):
            self._refuse("source", "one is needed, and only common practice has none")
        if self.status == "common practice" and self.breach == "fail":
            self._refuse("breach", "common practice can say watch, not fail")
        if self.test_pressure is not None and not self.check.startswith("leak_"):
            self._refuse("test_pressure", "it belongs to a leak rate and to nothing else")
        if self.at_rpm is not None and self.measure != "s":
            self._refuse("at_rpm", "it belongs to a time and to nothing else")
        if self.share_of_cut_out is not None and (self.low is None or self.measure != "kPa"):
            self._refuse("share_of_cut_out", "it lowers the low edge of a pressure, and there is none")

    def _refuse(self, field: str, why: str) -> NoReturn:
        raise LimitTableError(f"limit {self.id!r}, {field}: {why}")


class _Table(Struct, forbid_unknown_fields=True):
    limit: Annotated[list[dict[str, Any]], Meta(min_length=1)]


class Defaults(Struct, frozen=True, forbid_unknown_fields=True):
    """What is assumed of an unregistered unit under one rule set, and how its readers write pressures."""

    kind: Literal["tractor", "truck", "bus", "trailer"]
    governed_rpm: Annotated[float, Meta(gt=0)]
    shown_in: Literal["kPa", "psi", "bar"] = "kPa"


class DefaultsTable(Struct, frozen=True, forbid_unknown_fields=True):
    """`defaults.toml`."""

    default_rule_set: str
    rule_set: dict[str, Defaults]


def parse_limits(text: str) -> list[Limit]:
    """Read a limit table.

    Raises
    ------
    LimitTableError
        A row has an unknown, missing or impossible entry, or an id stands twice. The text names the row.
    """
    try:
        rows = msgspec.convert(tomllib.loads(text), _Table).limit
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as err:
        raise LimitTableError(f"limit table: {err}") from err
    limits = [_limit(row, number) for number, row in enumerate(rows, 1)]
    for limit in limits:
        limit.check_row()
    ids = [limit.id for limit in limits]
    if repeated := sorted({id_ for id_ in ids if ids.count(id_) > 1}):
        raise LimitTableError(f"limit table: ids stand twice: {', '.join(repeated)}")
    return limits


def _limit(row: dict[str, Any], number: int) -> Limit:
    try:
        return msgspec.convert(row, Limit)
    except msgspec.ValidationError as err:
        raise LimitTableError(f"limit {row.get('id', f'number {number}')!r}: {err}") from err


def parse_defaults(text: str) -> DefaultsTable:
    """Read the table of defaults.

    Raises
    ------
    LimitTableError
        It has an unknown, missing or impossible entry.
    """
    try:
        table = msgspec.convert(tomllib.loads(text), DefaultsTable)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as err:
        raise LimitTableError(f"defaults: {err}") from err
    if table.default_rule_set not in table.rule_set:
        raise LimitTableError(f"defaults: default_rule_set {table.default_rule_set!r} has no table of its own")
    return table


@cache
def shipped_limits() -> tuple[Limit, ...]:
    """Give the limit table that comes with the program."""
    return tuple(parse_limits(files("airwatch.limits").joinpath("limits.toml").read_text("utf-8")))


@cache
def shipped_defaults() -> DefaultsTable:
    """Give the defaults that come with the program."""
    return parse_defaults(files("airwatch.limits").joinpath("defaults.toml").read_text("utf-8"))


LIMIT_SCHEMA = pl.Schema(
    {
        "rule": pl.String(),
        "rule_set": pl.String(),
        "check": pl.String(),
        "kind": pl.String(),
        "coupling": pl.String(),
        "of_test": pl.String(),
        "edge_low": pl.Float64(),
        "edge_high": pl.Float64(),
        "test_kpa": pl.Float64(),
        "at_rpm": pl.Float64(),
        "share_of_cut_out": pl.Float64(),
        "is_scaled": pl.Boolean(),
        "breach": pl.String(),
        "rank": pl.Int32(),
    }
)


def limits_frame(limits: tuple[Limit, ...] | list[Limit]) -> pl.DataFrame:
    """Lay out the rows that judge, for joining.

    Returns
    -------
    DataFrame
        One row for each limit, kind and rule set, columns as `LIMIT_SCHEMA`, edges in the units of readings. A limit
        for any rule set stands once for each that the table has, and once for ``any`` itself, which is for units of a
        rule set that the table does not have. Rows that are only cited are left out.
    """
    sets = list(dict.fromkeys(limit.rule_set for limit in limits))
    every = [*(name for name in sets if name != ANY), ANY]
    rows = [
        (
            limit.id, rule_set, limit.check, kind, limit.coupling, limit.test,
            limit.canonical(limit.low), limit.canonical(limit.high), limit.test_kpa,
            limit.at_rpm, limit.share_of_cut_out, limit.scale is not None, limit.breach, rank,
        )
        for rank, limit in enumerate(limits)
        if limit.breach != "cited"
        for rule_set in (every if limit.rule_set == ANY else [limit.rule_set])
        for kind in limit.kinds
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=LIMIT_SCHEMA, orient="row")
