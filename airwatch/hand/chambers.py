"""The chambers of a unit as the registry lists them, and their rows of the stroke table."""

from collections.abc import Mapping
from dataclasses import dataclass

from airwatch.hand.tables import Chamber, Tables


@dataclass(frozen=True, slots=True)
class Fitted:
    """A chamber as the registry has it: size as stamped, and whether it is marked for long stroke."""

    position: str
    size: str
    is_long: bool

    @property
    def text(self) -> str:
        """The chamber in words."""
        return f"type {self.size}{' long stroke' if self.is_long else ''}"


def fitted_chambers(text: str | None) -> dict[str, Fitted]:
    """Read the registry's ``chambers``, ``1L:20;1R:20;2L:30L``.

    Returns
    -------
    dict
        Position to chamber, in the order of the registry; empty where it lists none.
    """
    if not text:
        return {}
    pairs = (entry.split(":") for entry in text.split(";"))
    return {
        position: Fitted(position, size.removesuffix("L"), size.endswith("L")) for position, size in map(tuple, pairs)
    }


def row_of(fitted: Fitted | None, tables: Tables) -> Chamber | None:
    """Give a chamber's row of the stroke table, None where there is none.

    The registry does not say how a chamber is closed, so it is taken as clamp type, and a long-stroke one as without
    the 3 in mark, whose limit is longer: the shorter limit asks for more.
    """
    if fitted is None:
        return None
    return tables.chambers.get(("clamp", fitted.size, "long" if fitted.is_long else "standard"))


def n_brakes(unit: Mapping[str, object]) -> int | None:
    """Give how many service brakes a unit has: its chambers, or two an axle; None where neither is registered."""
    chambers, axles = unit.get("chambers"), unit.get("axles")
    if isinstance(chambers, str) and chambers:
        return len(fitted_chambers(chambers))
    return 2 * axles if isinstance(axles, int) else None
