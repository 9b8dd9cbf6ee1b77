"""What a campaign can look at, read from `items.toml`, whose comments give the reasons."""

from functools import cache
from importlib.resources import files
from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct

from airwatch.errors import LimitTableError

Share = Annotated[float, Meta(ge=0, le=1)]
NotNegative = Annotated[float, Meta(ge=0)]
Text = Annotated[str, Meta(min_length=1)]


class Focus(Struct, frozen=True, forbid_unknown_fields=True):
    """One item that a campaign can look at; the head of `items.toml` explains the fields."""

    id: Text
    says: Text
    combine: Literal["all", "worst", "share"]
    forget_days: Annotated[float, Meta(gt=0)]
    usual_fail: Share
    weight: Annotated[float, Meta(gt=0)]
    driver: Text
    shop: Text
    hand: tuple[str, ...] = ()
    checks: tuple[str, ...] = ()
    faults: tuple[str, ...] = ()
    per_wheel: bool = False
    drift: float = 0.0
    drift_sd: NotNegative = 0.0
    hazard: NotNegative = 0.0
    missed: Share = 0.0


class Answers(Struct, frozen=True, forbid_unknown_fields=True):
    """Where chances become words."""

    ready: Share
    not_ready: Share
    judged_otherwise: Share
    worth_a_line: Share


class AlertShares(Struct, frozen=True, forbid_unknown_fields=True):
    """How much an open alert lowers the chance of its item, by severity."""

    low: Share
    medium: Share
    high: Share


class Settings(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `items.toml`."""

    answers: Answers
    alerts: AlertShares
    item: Annotated[tuple[Focus, ...], Meta(min_length=1)]

    def of(self, items: tuple[str, ...] | list[str]) -> tuple[Focus, ...]:
        """Give some items by their ids, in the order of the table.

        Raises
        ------
        LimitTableError
            An id is not in the table.
        """
        if unknown := sorted(set(items) - {focus.id for focus in self.item}):
            known = ", ".join(focus.id for focus in self.item)
            raise LimitTableError(f"focus items: {', '.join(unknown)} is none of {known}")
        return tuple(focus for focus in self.item if focus.id in items)


def parse_settings(text: str | bytes) -> Settings:
    """Read the items of readiness.

    Raises
    ------
    LimitTableError
        An entry is unknown, missing or impossible, or an id stands twice.
    """
    try:
        settings = msgspec.toml.decode(text, type=Settings)
    except msgspec.DecodeError as err:
        raise LimitTableError(f"readiness items: {err}") from err
    ids = [focus.id for focus in settings.item]
    if repeated := sorted({id_ for id_ in ids if ids.count(id_) > 1}):
        raise LimitTableError(f"readiness items: ids stand twice: {', '.join(repeated)}")
    if not settings.answers.not_ready < settings.answers.ready:
        raise LimitTableError("readiness items: answers.not_ready must be below answers.ready")
    for focus in settings.item:
        if not focus.hand and not focus.checks:
            raise LimitTableError(
                f"readiness items: {focus.id!r} has neither hand items nor checks, so nothing is known"
            )
    return settings


@cache
def shipped_settings() -> Settings:
    """Give the items that come with the program."""
    return parse_settings(files("airwatch.readiness").joinpath("items.toml").read_bytes())
