"""What a second reading of a payload says that is to land, and how it is compared with what did."""

from dataclasses import dataclass, field
from typing import Any

from tests.fuzz.outcome import Outcome, Row
from tests.fuzz.violation import ViolationError

NEARLY_US = 1000  # times land to the millisecond, whichever way the half is rounded


@dataclass(slots=True)
class Expected:
    """Rows without fleet and unit; times in microseconds, not rounded."""

    seq: int | None
    trailer: str | None = None
    samples: list[Row] = field(default_factory=list)
    governor: list[Row] = field(default_factory=list)
    reports: list[Row] = field(default_factory=list)
    codes: list[Row] = field(default_factory=list)
    lamps: list[Row] = field(default_factory=list)


def check_expected(expected: Expected, outcome: Outcome) -> None:
    """Compare an accepted message with its second reading.

    Raises
    ------
    ViolationError
        They differ.
    """
    ledger = outcome.ledger[0]
    _same("seq", expected.seq, ledger["seq"])
    _same("trailer", expected.trailer, ledger["trailer"])
    _same_rows("samples", expected.samples, outcome.rows.get("samples", ()))
    for what, wanted, table in (
        ("governor events", expected.governor, "governor_events"),
        ("fault reports", expected.reports, "fault_reports"),
        ("fault codes", expected.codes, "fault_codes"),
        ("lamp events", expected.lamps, "lamp_events"),
    ):
        _same_rows(what, wanted, tuple(row[2:] for row in outcome.rows.get(table, ())))


def _same(what: str, wanted: Any, got: Any) -> None:
    if wanted != got:
        raise ViolationError("a second reading differs", f"{what}: read {wanted!r}, landed {got!r}"[:300])


def _same_rows(what: str, wanted: list[Row], got: tuple[Row, ...]) -> None:
    _same(f"number of {what}", len(wanted), len(got))
    for one, other in zip(wanted, got, strict=True):
        _same(what, one[1:], other[1:])
        if abs(one[0] - other[0]) > NEARLY_US:
            raise ViolationError("a second reading differs", f"{what}: at {one[0]} us, landed at {other[0]} us")
