"""A real store that batches are decoded and landed into, with every row of it held against a model after each."""

import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Self

import polars as pl
from polars import selectors

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.message import RawMessage
from airwatch.store.database import Store
from airwatch.store.telemetry import Landed, TelemetryWriter
from tests.fuzz.outcome import Outcome, outcomes
from tests.fuzz.probe import Decode, decoded_or_violation, probe
from tests.fuzz.store_model import EVENTS, Account, StoreModel
from tests.fuzz.violation import ViolationError, of_exception

_COUNTS = ("n_new", "n_filled", "n_conflicting")
_MEMORY = "500MB"
SLOW_BATCH_S = 20.0


class Bench:
    """One new store; use it as a context manager.

    Parameters
    ----------
    path : Path
        Where the store is made.
    decode : callable
        What decodes.
    """

    def __init__(self, path: Path, decode: Decode = decode_batch) -> None:
        self._store = Store.open(path, memory_limit=_MEMORY)
        self._writer = TelemetryWriter(self._store)
        self._decode = decode
        self._model = StoreModel()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the store."""
        self._store.close()

    def land(self, messages: Sequence[RawMessage], alone: Mapping[int, Outcome]) -> dict[int, Outcome]:
        """Decode a batch, write it, deliver it a second time, and check what the store holds after both.

        Parameters
        ----------
        messages : sequence of RawMessage
            Each with a time of arrival of its own.
        alone : mapping of int to Outcome
            What became of each message when it was decoded by itself, by its time of arrival.

        Returns
        -------
        dict of int to Outcome
            By time of arrival.

        Raises
        ------
        ViolationError
            A message fared otherwise than alone, or the store holds something else than the model.
        """
        began = time.monotonic()
        decoded = decoded_or_violation(messages, self._decode)
        found = outcomes(decoded, messages)
        for received, outcome in alone.items():
            if found[received] != outcome:
                told = f"alone {outcome.ledger or outcome.rejects}, among others {found[received]}"
                raise ViolationError("among others a message fares otherwise", told[:300])
        in_order = [found[message.received_us] for message in messages]
        first = self._write(decoded)
        self._check(first, in_order, self._model.take(in_order))
        try:
            self._check(self._write(decoded), in_order, self._model.take(in_order))
        except ViolationError as violation:
            raise ViolationError(f"delivered twice: {violation.kind}", violation.detail) from violation
        if (seconds := time.monotonic() - began) > SLOW_BATCH_S:
            raise ViolationError("a slow batch", f"{seconds:.1f} s for {len(messages)} messages")
        return found

    def _write(self, decoded: DecodedBatch) -> Landed:
        try:
            return self._writer.write(decoded)
        except (KeyboardInterrupt, SystemExit):
            raise
        except BaseException as err:
            raise of_exception("TelemetryWriter.write", err) from err

    def _check(self, landed: Landed, batch: Sequence[Outcome], accounts: dict[int, Account]) -> None:
        self._check_ledger(landed.batch, batch, accounts)
        self._check_samples()
        for table in EVENTS:
            rows = _rows(self._store.frame(f"FROM air.{table}"))
            if len(rows) != len(set(rows)) or set(rows) != self._model.events[table]:
                kind = f"the store's {table} are not those sent"
                raise ViolationError(kind, _difference(rows, self._model.events[table]))

    def _check_ledger(self, number: int, batch: Sequence[Outcome], accounts: dict[int, Account]) -> None:
        stored = self._store.frame("SELECT * FROM air.messages WHERE batch = $number", {"number": number})
        ledger = {row["received"]: row for row in _dicts(stored)}
        sent = {row["received"]: row for outcome in batch for row in outcome.ledger}
        if len(stored) != len(sent) or ledger.keys() != sent.keys():
            raise ViolationError("the store's ledger", f"{len(stored)} rows for {len(sent)} accepted messages")
        for received, row in sent.items():
            kept = {name: ledger[received][name] for name in row}
            if kept != row:
                raise ViolationError("the store's ledger", f"decoded {row}, stored {kept}"[:300])
            account = tuple(ledger[received][name] for name in _COUNTS)
            if row["stream"] == "pressure" and account != accounts[received]:
                told = f"{_COUNTS} is {account}, must be {accounts[received]}"
                raise ViolationError("the store's account of a message", told)
        refused = [row for outcome in batch for row in outcome.rejects]
        if refused:
            times = [row["received"] for row in refused]
            stored = self._store.frame(
                "SELECT DISTINCT * FROM air.rejects WHERE epoch_us(received) BETWEEN $first AND $last",
                {"first": min(times), "last": max(times)},
            )
            if sorted(_dicts(stored), key=repr) != sorted(refused, key=repr):
                raise ViolationError("the store's rejects are not those decoded", f"{len(stored)} of {len(refused)}")

    def _check_samples(self) -> None:
        stored = self._store.frame(
            "SELECT k.fleet, k.unit, s.* EXCLUDE (unit_key) FROM air.samples AS s JOIN air.unit_keys AS k"
            " USING (unit_key)"
        ).with_columns(pl.col("t").cast(pl.Datetime("ms")))
        rows = [((fleet, unit, t_ms), values) for fleet, unit, t_ms, *values in _rows(stored)]
        if len(rows) != len(self._model.samples):
            told = f"{len(rows)} samples stored, {len(self._model.samples)} sent"
            raise ViolationError("the store has samples too many or too few", told)
        for key, values in rows:
            if (sent := self._model.samples.get(key)) != values:
                raise ViolationError("the store has other samples than sent", f"{key}: {values}, sent {sent}"[:300])


def land_case(path: Path, batches: Sequence[Sequence[RawMessage]], decode: Decode = decode_batch) -> Outcome | None:
    """Probe each message alone, then land the batches into a new store; give what became of the last message.

    Raises
    ------
    ViolationError
        As `probe` and `Bench.land`.
    """
    alone = [{message.received_us: probe(message, decode).outcome for message in batch} for batch in batches]
    last = None
    with Bench(path, decode) as bench:
        for batch, outcomes_alone in zip(batches, alone, strict=True):
            if batch:
                last = bench.land(batch, outcomes_alone)[batch[-1].received_us]
    return last


def _rows(frame: pl.DataFrame) -> list[tuple[Any, ...]]:
    return frame.with_columns(selectors.datetime().to_physical()).rows()


def _dicts(frame: pl.DataFrame) -> list[dict[str, Any]]:
    return frame.with_columns(selectors.datetime().to_physical()).to_dicts()


def _difference(rows: list[tuple[Any, ...]], wanted: set[tuple[Any, ...]]) -> str:
    lacking, spare = list(wanted - set(rows))[:2], list(set(rows) - wanted)[:2]
    return f"{len(rows)} stored, {len(wanted)} sent; lacking {lacking}, not sent {spare}"[:300]
