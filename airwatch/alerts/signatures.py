"""The patterns that each air loss shows in each state."""

from collections.abc import Sequence
from typing import Literal

from msgspec import Struct

from airwatch.errors import LimitTableError

State = Literal["parked", "other", "released", "applied", "running", "after_cut_out"]
STATES: tuple[State, ...] = ("parked", "other", "released", "applied", "running", "after_cut_out")
TANK_PATTERNS = ("none", "primary", "secondary", "both", "supply", "tank")
DROP_PATTERNS = ("none", "drops", "faster", "follows")
Shares = dict[str, float]
_LEAST = 0.004  # no pattern is impossible


class Signature(Struct, frozen=True, forbid_unknown_fields=True):
    """One ``[[signature]]`` of `thresholds.toml`, where the fields are explained."""

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
    size_kpa_min: float = 30.0
    size_factor: float = 3.0
    ramp: float = 0.5
    other: Shares | None = None

    def share(self, state: str, pattern: str) -> float:
        """Give the share of holds in ``state`` that show ``pattern`` if the fault is there."""
        shares: Shares = getattr(self, state) or self.parked
        if pattern in shares:
            return max(shares[pattern], _LEAST)
        patterns = DROP_PATTERNS if state == "after_cut_out" else TANK_PATTERNS
        return max((1.0 - sum(shares.values())) / (len(patterns) - len(shares)), _LEAST)


def check_signatures(signatures: Sequence[Signature]) -> None:
    """Check the shares of each row.

    Raises
    ------
    LimitTableError
        A pattern is unknown, or shares are impossible.
    """
    for row in signatures:
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
