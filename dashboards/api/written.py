"""What people send to be written down: who they are, why, and when."""

import re
from datetime import UTC, datetime
from typing import Annotated

from pydantic import AfterValidator, AwareDatetime, BeforeValidator, Field

from airwatch.alerts.lifecycle import ENGINE

_RFC_3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d:\d\d(\.\d+)?([Zz]|[+-]\d\d:\d\d)")


def is_rfc_3339(t: object) -> object:
    """Let a time pass that is written with its offset."""
    if t is not None and not (isinstance(t, str) and _RFC_3339.fullmatch(t)):
        raise ValueError("a time is written like 2031-02-03T11:20:00Z (RFC 3339, with an offset or Z)")
    return t


def has_no_control_characters(text: str) -> str:
    """Let text pass that can be kept and shown as it is."""
    if any(not (c.isprintable() or c in "\t\r\n") for c in text):
        raise ValueError("control characters can't be kept; write plain text")
    return text


def is_a_person(who: str) -> str:
    """Let a name pass that is not that of the program."""
    if who.strip().lower() == ENGINE:
        raise ValueError(f"{ENGINE} stands for changes that readings made; fill in who you are")
    return who


def as_stored(t: datetime) -> datetime:
    """Give a time with or without a zone as the store has it."""
    return t if t.tzinfo is None else t.astimezone(UTC).replace(tzinfo=None)


def _is_filled_in(text: str) -> str:
    if not text.strip():
        raise ValueError("fill it in")
    return text.strip()


GivenTime = Annotated[AwareDatetime, BeforeValidator(is_rfc_3339)]
Who = Annotated[
    Annotated[
        str,
        Field(max_length=100),
        AfterValidator(has_no_control_characters),
        AfterValidator(is_a_person),
        AfterValidator(_is_filled_in),
    ]
    | None,
    Field(
        description="Who asks for it, where there are no accounts. Otherwise it is the account that asks.",
        examples=["R. Okafor, ridge shop"],
    ),
]
Why = Annotated[
    str,
    Field(max_length=2000, description="What it is for.", examples=["week 10"]),
    AfterValidator(has_no_control_characters),
    AfterValidator(_is_filled_in),
]
