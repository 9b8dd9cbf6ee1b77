"""The table of patterns by fault, read from `signatures.toml`, whose head explains it."""

from functools import cache
from importlib.resources import files
from typing import Literal

import msgspec
from msgspec import Struct

from airwatch.errors import LimitTableError

State = Literal["parked", "other", "released", "applied", "running", "after_cut_out"]
STATES: tuple[State, ...] = ("parked", "other", "released", "applied", "running", "after_cut_out")
TANK_PATTERNS = ("none", "primary", "secondary", "both", "supply", "tank")
DROP_PATTERNS = ("none", "drops", "faster", "follows")
Shares = dict[str, float]
_LEAST = 0.004  # no pattern is impossible


class Signature(Struct, frozen=True, forbid_unknown_fields=True):
    """One row of `signatures.toml`."""

    fault: str
    prior: float
    parked: Shares
    released: Shares
    applied: Shares
    running: Shares
    after_cut_out: Shares
    says: str
    inspect: str
    circuit: str = ""
    large: float = 0.25
    other: Shares | None = None

    def share(self, state: str, pattern: str) -> float:
        """Give the share of holds in ``state`` that show ``pattern`` if the fault is there."""
        shares: Shares = getattr(self, state) or self.parked
        if pattern in shares:
            return max(shares[pattern], _LEAST)
        patterns = DROP_PATTERNS if state == "after_cut_out" else TANK_PATTERNS
        return max((1.0 - sum(shares.values())) / (len(patterns) - len(shares)), _LEAST)


class _Table(Struct, forbid_unknown_fields=True):
    signature: list[Signature]


def parse_signatures(text: str | bytes) -> list[Signature]:
    """Read a table of signatures.

    Raises
    ------
    LimitTableError
        A row has an unknown, missing or impossible entry.
    """
    try:
        rows = msgspec.toml.decode(text, type=_Table).signature
    except msgspec.DecodeError as err:
        raise LimitTableError(f"signatures: {err}") from err
    for row in rows:
        for state in STATES:
            shares = getattr(row, state)
            if shares is None:
                continue
            known = DROP_PATTERNS if state == "after_cut_out" else TANK_PATTERNS
            if unknown := set(shares) - set(known):
                raise LimitTableError(
                    f"signature {row.fault!r}, {state}: no such pattern: {', '.join(sorted(unknown))}"
                )
            if not 0.0 < sum(shares.values()) <= 1.0 or min(shares.values()) < 0.0:
                raise LimitTableError(
                    f"signature {row.fault!r}, {state}: shares must be positive and add up to 1 at most"
                )
    return rows


@cache
def shipped_signatures() -> tuple[Signature, ...]:
    """Give the signatures that come with the program."""
    return tuple(parse_signatures(files("airwatch.alerts").joinpath("signatures.toml").read_bytes()))
