"""What the store must hold after each batch, in plain dictionaries: each sample and event once, first word first."""

from collections.abc import Iterable
from typing import Any

from tests.fuzz.outcome import TABLES, Outcome, Row

EVENTS = TABLES[1:]
Key = tuple[str, str, int]
"""Fleet, unit, and time in milliseconds, which is how the store has it."""
Account = tuple[int, int, int]
"""New samples, samples that were there and gained a value, samples that were there with another value."""


class StoreModel:
    """The samples and events of one store."""

    def __init__(self) -> None:
        self.samples: dict[Key, list[Any]] = {}
        self.events: dict[str, set[Row]] = {table: set() for table in EVENTS}

    def take(self, batch: Iterable[Outcome]) -> dict[int, Account]:
        """Add the rows of a batch, in order of arrival; give each accepted message's account by its time of arrival."""
        accounts = {}
        for outcome in batch:
            for row in outcome.ledger:
                accounts[row["received"]] = self._take_samples(row, outcome.rows.get("samples", ()))
            for table in EVENTS:
                self.events[table].update(outcome.rows.get(table, ()))
        return accounts

    def _take_samples(self, ledger: dict[str, Any], samples: tuple[Row, ...]) -> Account:
        n_new = n_filled = n_conflicting = 0
        for t_us, *values in samples:
            given = [ledger["trailer"], *values]
            held = self.samples.setdefault((ledger["fleet"], ledger["unit"], t_us // 1000), given)
            if held is given:
                n_new += 1
                continue
            pairs = list(zip(held, given, strict=True))
            n_filled += any(old is None and new is not None for old, new in pairs)
            n_conflicting += any(old is not None and new is not None and old != new for old, new in pairs)
            held[:] = [new if old is None else old for old, new in pairs]
        return n_new, n_filled, n_conflicting
