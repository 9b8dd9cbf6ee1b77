"""Sets of fleets that somebody may see."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Self

from airwatch.access.errors import AccessError

_NAME = re.compile(r"[A-Za-z0-9._-]{1,64}")  # as in a topic


@dataclass(frozen=True, slots=True)
class Fleets:
    """Some fleets by name, or all, those to come included (``names`` is None)."""

    names: frozenset[str] | None

    @classmethod
    def of(cls, names: Iterable[str]) -> Self:
        """Give the fleets of these names.

        Raises
        ------
        AccessError
            There is none, or a name that no fleet can have.
        """
        found = frozenset(names)
        for name in sorted(found):
            if not _NAME.fullmatch(name):
                raise AccessError(f"fleet {name!r}: a fleet's name is 1 to 64 of A-Z a-z 0-9 . _ -")
        if not found:
            raise AccessError("no fleet is named; name at least one, or all")
        return cls(found)

    @property
    def are_all(self) -> bool:
        """Whether these are all fleets."""
        return self.names is None

    def has(self, fleet: str) -> bool:
        """Tell whether a fleet is among these."""
        return self.names is None or fleet in self.names

    def within(self, others: "Fleets") -> bool:
        """Tell whether all of these are among ``others``."""
        return others.names is None or (self.names is not None and self.names <= others.names)

    def common(self, others: "Fleets") -> "Fleets":
        """Give those that are in both; that may be none at all."""
        if self.names is None or others.names is None:
            return others if self.names is None else self
        return Fleets(self.names & others.names)

    def __str__(self) -> str:
        return "all" if self.names is None else ", ".join(sorted(self.names)) or "none"


ALL = Fleets(None)
