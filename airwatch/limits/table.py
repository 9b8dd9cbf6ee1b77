"""The limit table: read whole, checked whole, refused whole."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Annotated, Literal

import msgspec
import polars as pl
from msgspec import Meta, Struct

from airwatch.errors import LimitTableError
from airwatch.limits.units_of_measure import TO_CANONICAL

Text = Annotated[str, Meta(min_length=1)]


class Limit(Struct, frozen=True, forbid_unknown_fields=True):
    """One row of `limits.toml`, whose head explains the fields."""

    id: Text
    rule_set: Text
    check: Text
    kinds: Annotated[list[Literal["tractor", "truck", "bus", "trailer"]], Meta(min_length=1)]
    coupling: Literal["any", "single", "combination"]
    unit: Text
    breach: Literal["fail", "watch"]
    condition: Text
    jurisdiction: Text
    section: str
    status: Literal["read", "part", "memory", "common practice"]
    source: Text | None = None
    low: float | None = None
    high: float | None = None
    test: Annotated[float, Meta(gt=0)] | None = None
    scale: Literal["reservoir_volume"] | None = None

    @property
    def measure(self) -> str:
        """The unit of measure of readings that this limit judges."""
        return TO_CANONICAL[self.unit][0]

    def canonical(self, value: float | None) -> float | None:
        """Turn a value in the row's own unit into the unit of readings."""
        return None if value is None else value * TO_CANONICAL[self.unit][1]

    def check_row(self) -> None:
        """Refuse a row that could never judge rightly."""
        if self.unit not in TO_CANONICAL:
            raise LimitTableError(f"limit {self.id!r}: unit {self.unit!r} is none of {', '.join(TO_CANONICAL)}")
        if self.low is None and self.high is None:
            raise LimitTableError(f"limit {self.id!r}: neither low nor high is there, so nothing could cross it")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise LimitTableError(
                f"limit {self.id!r}: low {self.low:g} is not below high {self.high:g}, so nothing could pass"
            )
        if (self.status == "common practice") != (self.source is None):
            raise LimitTableError(f"limit {self.id!r}: a source is needed, and only common practice has none")
        if (self.test is not None) != self.check.startswith("leak_"):
            raise LimitTableError(f"limit {self.id!r}: a test pressure belongs to a leak rate and to nothing else")


class _Table(Struct, forbid_unknown_fields=True):
    limit: Annotated[list[Limit], Meta(min_length=1)]


class Defaults(Struct, frozen=True, forbid_unknown_fields=True):
    """What is assumed of an unregistered unit under one rule set."""

    kind: Literal["tractor", "truck", "bus", "trailer"]
    governed_rpm: Annotated[float, Meta(gt=0)]


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
        limits = msgspec.convert(tomllib.loads(text), _Table).limit
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as err:
        raise LimitTableError(f"limit table: {err}") from err
    for limit in limits:
        limit.check_row()
    ids = [limit.id for limit in limits]
    if repeated := sorted({id_ for id_ in ids if ids.count(id_) > 1}):
        raise LimitTableError(f"limit table: ids stand twice: {', '.join(repeated)}")
    return limits


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
        "edge_low": pl.Float64(),
        "edge_high": pl.Float64(),
        "test_kpa": pl.Float64(),
        "is_scaled": pl.Boolean(),
        "breach": pl.String(),
        "rank": pl.Int32(),
    }
)


def limits_frame(limits: tuple[Limit, ...] | list[Limit]) -> pl.DataFrame:
    """Lay the table out for joining: one row for each limit and kind, edges in the units of readings."""
    rows = [
        (
            limit.id, limit.rule_set, limit.check, kind, limit.coupling,
            limit.canonical(limit.low), limit.canonical(limit.high), limit.canonical(limit.test),
            limit.scale is not None, limit.breach, rank,
        )
        for rank, limit in enumerate(limits)
        for kind in limit.kinds
    ]  # fmt: skip
    return pl.DataFrame(rows, schema=LIMIT_SCHEMA, orient="row")
