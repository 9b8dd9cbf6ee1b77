"""The tables of hand measurements: items, findings, stroke limits, lining minima and the share of defective brakes."""

from collections.abc import Sequence
from functools import cache
from importlib.resources import files
from typing import Annotated, Literal, NoReturn, TypeVar

import msgspec
from msgspec import Meta, Struct

from airwatch.errors import LimitTableError
from airwatch.hand.lengths import MM_PER

T = TypeVar("T")
Text = Annotated[str, Meta(min_length=1)]
Positive = Annotated[float, Meta(gt=0)]
Share = Annotated[float, Meta(ge=0, le=1)]
Status = Literal["read", "part", "memory", "common practice"]
Dimension = Literal["length", "pressure", "pressure rate", "time", "finding"]
Position = Literal["wheel", "coupling", "free", "none"]


class Item(Struct, frozen=True, forbid_unknown_fields=True):
    """What can be measured or found; the head of `items.toml` explains the fields."""

    id: Text
    says: Text
    dimension: Dimension
    position: Position
    check: Text | None = None
    possible: tuple[float, float] | None = None
    usual: tuple[float, float] | None = None
    half: Positive | None = None
    half_why: Text | None = None
    half_share: Annotated[float, Meta(gt=0, lt=1)] | None = None

    def check_row(self) -> None:
        """Refuse a row that could never ask back or judge rightly."""
        if (self.dimension == "finding") != (self.possible is None or self.usual is None or self.half is None):
            _refuse(f"item {self.id!r}", "a measure needs possible, usual and half, and a finding has none")
        if self.possible is not None and self.usual is not None:
            (least, most), (low, high) = self.possible, self.usual
            if not least <= low < high <= most:
                _refuse(f"item {self.id!r}", f"usual {low:g} to {high:g} must lie in possible {least:g} to {most:g}")


class Finding(Struct, frozen=True, forbid_unknown_fields=True):
    """What can be found by eye or ear; ``counts`` is how much of one brake it is in the share of defective ones."""

    item: Text
    id: Text
    says: Text
    verdict: Literal["pass", "watch", "fail"]
    counts: Share
    source: Text
    status: Status


class Chamber(Struct, frozen=True, forbid_unknown_fields=True):
    """The stroke limit and the full stroke of one type and size of chamber, inches."""

    type: Literal["clamp", "rotochamber", "bolt", "dual diaphragm"]
    size: Text
    stroke: Literal["standard", "long", "long 3 in"]
    limit: Positive
    source: Text
    status: Status
    full: Positive | None = None

    @property
    def limit_mm(self) -> float:
        """The longest stroke that still passes, mm."""
        return self.limit * MM_PER["in"]

    @property
    def full_mm(self) -> float | None:
        """The full stroke, mm; None where no public figure is known."""
        return None if self.full is None else self.full * MM_PER["in"]

    @property
    def rule(self) -> str:
        """The id that verdicts name."""
        return f"us-393-47-e-{self.type.replace(' ', '-')}-{self.size}-{self.stroke.replace(' ', '-')}"


class Lining(Struct, frozen=True, forbid_unknown_fields=True):
    """One least thickness, in ``unit``."""

    id: Text
    item: Literal["lining_drum", "lining_disc"]
    axle: Literal["steer", "other"]
    least: Positive
    unit: Literal["in", "mm"]
    breach: Literal["fail", "watch"]
    condition: Text
    source: Text
    status: Status

    @property
    def least_mm(self) -> float:
        """The thinnest lining that still passes, mm."""
        return self.least * MM_PER[self.unit]


class ShareRule(Struct, frozen=True, forbid_unknown_fields=True):
    """What makes a vehicle be put out of service by its share of defective brakes; `share.toml` gives sources."""

    out_share: Share
    out_source: Text
    out_status: Status
    whole_beyond_mm: Positive
    whole_source: Text
    whole_status: Status
    part_counts: Share
    part_source: Text
    part_status: Status
    thin_lining_counts: Share
    thin_lining_source: Text
    thin_lining_status: Status


class _Items(Struct, forbid_unknown_fields=True):
    item: Annotated[tuple[Item, ...], Meta(min_length=1)]


class _Findings(Struct, forbid_unknown_fields=True):
    finding: Annotated[tuple[Finding, ...], Meta(min_length=1)]


class _Chambers(Struct, forbid_unknown_fields=True):
    chamber: Annotated[tuple[Chamber, ...], Meta(min_length=1)]


class _Linings(Struct, forbid_unknown_fields=True):
    lining: Annotated[tuple[Lining, ...], Meta(min_length=1)]


class Tables(Struct, frozen=True):
    """All tables of hand measurements, by what they are asked for."""

    items: dict[str, Item]
    findings: dict[tuple[str, str], Finding]
    chambers: dict[tuple[str, str, str], Chamber]
    linings: tuple[Lining, ...]
    share: ShareRule

    def findings_of(self, item: str) -> list[str]:
        """Give the ids of what can be found of an item, in the order of the table."""
        return [id_ for of, id_ in self.findings if of == item]


def parse_tables(items: str, findings: str, chambers: str, linings: str, share: str) -> Tables:
    """Read the five tables from their TOML.

    Raises
    ------
    LimitTableError
        An entry is unknown, missing, impossible or stands twice. The text names the table.
    """
    read_items = _decode(items, _Items, "items.toml").item
    for item in read_items:
        item.check_row()
    read_findings = _decode(findings, _Findings, "findings.toml").finding
    read_chambers = _decode(chambers, _Chambers, "chambers.toml").chamber
    read_linings = _decode(linings, _Linings, "linings.toml").lining
    _once([item.id for item in read_items], "items.toml")
    _once([lining.id for lining in read_linings], "linings.toml")
    by_name = {(row.item, row.id): row for row in read_findings}
    _once([f"{row.item} {row.id}" for row in read_findings], "findings.toml")
    _once([row.rule for row in read_chambers], "chambers.toml")
    found = {item.id for item in read_items if item.dimension == "finding"}
    if found != {row.item for row in read_findings}:
        _refuse("findings.toml", f"it must have rows for just the items {', '.join(sorted(found))}")
    for row in read_chambers:
        if row.full is not None and not row.limit < row.full:
            _refuse(f"chamber {row.rule!r}", f"limit {row.limit:g} is not below the full stroke {row.full:g}")
    return Tables(
        items={item.id: item for item in read_items},
        findings=by_name,
        chambers={(row.type, row.size, row.stroke): row for row in read_chambers},
        linings=read_linings,
        share=_decode(share, ShareRule, "share.toml"),
    )


@cache
def shipped_tables() -> Tables:
    """Give the tables that come with the program."""
    folder = files("airwatch.hand")
    names = ("items", "findings", "chambers", "linings", "share")
    return parse_tables(*(folder.joinpath(f"{name}.toml").read_text("utf-8") for name in names))


def _decode(text: str, kind: type[T], name: str) -> T:
    try:
        return msgspec.toml.decode(text, type=kind)
    except msgspec.DecodeError as err:
        raise LimitTableError(f"{name}: {err}") from err


def _once(ids: Sequence[str], name: str) -> None:
    if repeated := sorted({id_ for id_ in ids if list(ids).count(id_) > 1}):
        _refuse(name, f"stands twice: {', '.join(repeated)}")


def _refuse(where: str, why: str) -> NoReturn:
    raise LimitTableError(f"{where}: {why}")
