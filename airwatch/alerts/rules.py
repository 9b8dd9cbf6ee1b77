"""The rules that turn readings into alerts, other than those of air loss."""

from collections.abc import Sequence
from typing import Annotated, Literal

from msgspec import Meta, Struct

from airwatch.errors import LimitTableError

Severity = Literal["low", "medium", "high"]
Count = Annotated[int, Meta(ge=1)]


class Rule(Struct, frozen=True, forbid_unknown_fields=True):
    """One ``[[rule]]`` of `thresholds.toml`, where the fields are explained."""

    fault: str
    check: str
    beyond: Literal["high", "low", "either"]
    of_last: Count
    at_least: Count
    severity: dict[Literal["fail", "watch", "unknown"], Severity]
    says: str
    inspect: str
    reason: str
    circuit: str | None = None
    state: str | list[str] | None = None
    opens_at: Literal["start", "end"] = "end"
    names: str | None = None
    rated: bool = False
    follows: bool = False
    unsure: bool = False
    fastest: bool = False
    below_usual: float | None = None
    above_usual: float | None = None
    above_peers: float = 0.0
    usual_of: Count | None = None
    surely: bool = False
    past_limit: bool = False
    most_sure: float = 1.0
    blind: Literal["supply"] | None = None

    @property
    def states(self) -> list[str] | None:
        """The states that count, None for all."""
        return [self.state] if isinstance(self.state, str) else self.state


def check_rules(rules: Sequence[Rule]) -> None:
    """Check what rules must be to each other and in themselves.

    Raises
    ------
    LimitTableError
        One can never open anything, or a fault stands twice for one check and way of looking at it.
    """
    faults = [(rule.fault, rule.check, rule.above_usual is None) for rule in rules]
    for rule in rules:
        if rule.at_least > rule.of_last:
            raise LimitTableError(
                f"alert rule {rule.fault!r}: at_least {rule.at_least} is more than of_last {rule.of_last}"
            )
        if faults.count((rule.fault, rule.check, rule.above_usual is None)) > 1:
            raise LimitTableError(f"alert rule {rule.fault!r} stands twice for {rule.check}")
