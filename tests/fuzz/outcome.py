"""What became of each message of a decoded batch, told apart by its time of arrival."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl
from polars import selectors

from airwatch.contract.batch import DecodedBatch
from airwatch.contract.message import RawMessage
from tests.fuzz.violation import ViolationError

TABLES = ("samples", "governor_events", "fault_reports", "fault_codes", "lamp_events")
Row = tuple[Any, ...]
"""One row; times are microseconds since the epoch."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """The rows of one message. ``rows`` has those of each table, without the number of the message."""

    ledger: tuple[dict[str, Any], ...]
    rejects: tuple[dict[str, Any], ...]
    rows: dict[str, tuple[Row, ...]]

    @property
    def verdict(self) -> str:
        """Say in a word what became of the message."""
        if self.ledger and self.rejects:
            return "both"
        return "landed" if self.ledger else "set aside"


def outcomes(decoded: DecodedBatch, messages: Sequence[RawMessage]) -> dict[int, Outcome]:
    """Give the outcome of each message by its time of arrival, which must be its own.

    Raises
    ------
    ViolationError
        A row belongs to no message of the batch.
    """
    ledger = _named(decoded.ledger)
    received_of = {row.pop("message"): row["received"] for row in ledger}
    accepted = defaultdict(list)
    for row in ledger:
        accepted[row["received"]].append(row)
    refused = defaultdict(list)
    for row in _named(decoded.rejects):
        refused[row["received"]].append(row)
    rows: dict[int, dict[str, list[Row]]] = defaultdict(lambda: defaultdict(list))
    for table in TABLES:
        frame: pl.DataFrame = getattr(decoded, table)
        if frame.height:
            ordered = frame.select("message", pl.exclude("message")).with_columns(selectors.datetime().to_physical())
            for number, *values in ordered.iter_rows():
                rows[received_of.get(number, -1)][table].append(tuple(values))
    if strangers := (accepted.keys() | refused.keys() | rows.keys()) - {message.received_us for message in messages}:
        raise ViolationError("a row of no message", f"rows of messages that came at {sorted(strangers)[:3]}")
    return {
        m.received_us: Outcome(
            tuple(accepted[m.received_us]),
            tuple(refused[m.received_us]),
            {table: tuple(found) for table, found in rows[m.received_us].items()},
        )
        for m in messages
    }


def _named(frame: pl.DataFrame) -> list[dict[str, Any]]:
    if not frame.height:
        return []
    return frame.with_columns(selectors.datetime().to_physical()).to_dicts()
