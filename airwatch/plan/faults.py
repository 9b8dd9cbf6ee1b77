"""What work each fault usually makes, read from `faults.toml`, whose head explains the fields."""

import tomllib
from functools import cache
from importlib.resources import files
from typing import Annotated

import msgspec
from msgspec import Meta, Struct

from airwatch.errors import PlanError

Text = Annotated[str, Meta(min_length=1)]


class Part(Struct, frozen=True, forbid_unknown_fields=True):
    """A part that is usually needed, and the days from ordering to its being there."""

    name: Text
    lead_days: Annotated[float, Meta(ge=0)]


class Fill(Struct, frozen=True, forbid_unknown_fields=True):
    """A value to write down; ``check`` names the limits printed beside it."""

    what: Text
    measure: Text
    check: str | None = None


class Work(Struct, frozen=True, forbid_unknown_fields=True):
    """The work of one fault."""

    work_h: Annotated[float, Meta(gt=0)]
    skills: tuple[Text, ...]
    equipment: tuple[Text, ...]
    parts: tuple[Part, ...]
    first: Annotated[tuple[Text, ...], Meta(min_length=1)]
    fill: tuple[Fill, ...]
    cautions: tuple[Text, ...]


class FaultWork(Struct, frozen=True, forbid_unknown_fields=True):
    """All of `faults.toml`; ``cautions`` stand on every sheet."""

    cautions: Annotated[tuple[Text, ...], Meta(min_length=1)]
    fault: dict[str, Work]

    def of(self, fault: str) -> Work:
        """Give the work of a fault.

        Raises
        ------
        PlanError
            There is none of that name.
        """
        if (work := self.fault.get(fault)) is None:
            raise PlanError(f"fault {fault!r}: the table of work has none of that name; add it to plan/faults.toml")
        return work


def parse_fault_work(text: str) -> FaultWork:
    """Read a table of work.

    Raises
    ------
    PlanError
        It has an unknown, missing or impossible entry.
    """
    try:
        return msgspec.convert(tomllib.loads(text), FaultWork)
    except (tomllib.TOMLDecodeError, msgspec.ValidationError) as err:
        raise PlanError(f"table of work: {err}") from err


@cache
def shipped_fault_work() -> FaultWork:
    """Give the table of work that comes with the program."""
    return parse_fault_work(files("airwatch.plan").joinpath("faults.toml").read_text("utf-8"))
