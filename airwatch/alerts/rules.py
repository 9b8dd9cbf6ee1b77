"""The table of rules that turn readings into alerts."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from airwatch.errors import LimitTableError

Severity = Literal["low", "medium", "high"]
Count = Annotated[int, Meta(ge=1)]


class Rule(Struct, frozen=True, forbid_unknown_fields=True):
    """One row of `rules.toml`, whose head explains the fields."""

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

    @property
    def states(self) -> list[str] | None:
        """The states that count, None for all."""
        return [self.state] if isinstance(self.state, str) else self.state


class _Table(Struct, forbid_unknown_fields=True):
    rule: list[Rule]


def parse_rules(text: str) -> list[Rule]:
    """Read a table of rules.

    Raises
    ------
    LimitTableError
        A row has an unknown, missing or impossible entry, or a fault stands twice for one check.
    """
    try:
        rules = msgspec.convert(tomllib.loads(text), _Table).rule
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as err:
        raise LimitTableError(f"alert rules: {err}") from err
    faults = [(rule.fault, rule.check) for rule in rules]
    for rule in rules:
        if rule.at_least > rule.of_last:
            raise LimitTableError(
                f"alert rule {rule.fault!r}: at_least {rule.at_least} is more than of_last {rule.of_last}"
            )
        if faults.count((rule.fault, rule.check)) > 1:
            raise LimitTableError(f"alert rule {rule.fault!r} stands twice for {rule.check}")
    return rules


@cache
def shipped_rules() -> tuple[Rule, ...]:
    """Give the rules that come with the program."""
    return tuple(parse_rules(files("airwatch.alerts").joinpath("rules.toml").read_text("utf-8")))
