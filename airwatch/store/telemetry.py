"""Writing decoded batches: each sample and event once, in one transaction with the ledger and the rejects."""

from dataclasses import dataclass

import polars as pl

from airwatch.contract.batch import (
    CODE_SCHEMA,
    GOVERNOR_SCHEMA,
    LAMP_SCHEMA,
    LEDGER_SCHEMA,
    REPORT_SCHEMA,
    DecodedBatch,
)
from airwatch.contract.columns import COLUMN_NAMES, SAMPLE_SCHEMA, TIME
from airwatch.store.database import Store

KEY = ["fleet", "unit", "t"]
_VALUES = ["trailer", *COLUMN_NAMES]
_EVENTS = {
    "governor_events": GOVERNOR_SCHEMA,
    "fault_reports": REPORT_SCHEMA,
    "fault_codes": CODE_SCHEMA,
    "lamp_events": LAMP_SCHEMA,
}
_LEDGER = ["batch", *(n for n in LEDGER_SCHEMA if n not in ("n_rows", "n_out_of_range", "remark"))]
_LEDGER += ["t_first", "t_last", "n_rows", "n_new", "n_filled", "n_conflicting", "n_out_of_range", "remark"]


@dataclass(frozen=True, slots=True)
class Landed:
    """What one commit added."""

    batch: int
    n_messages: int
    n_samples: int
    n_repeated: int
    n_rejected: int


@dataclass(frozen=True, slots=True)
class _Sorted:
    """Samples of a batch, told apart: rows to insert, stored rows to replace, and the accounts by message."""

    new: pl.DataFrame
    filled: pl.DataFrame
    accounts: pl.DataFrame


class TelemetryWriter:
    """Lands decoded batches. There is one for a store: it remembers each unit's newest landed time."""

    def __init__(self, store: Store) -> None:
        self._store = store
        row = store.cursor.execute("SELECT coalesce(max(batch), 0) FROM air.messages").fetchone()
        self._batch: int = row[0] if row else 0
        self._newest = store.frame(
            "SELECT fleet, unit, max(t_last) AS newest FROM air.messages WHERE t_last IS NOT NULL"
            " AND stream IN ('pressure', 'can') GROUP BY ALL"
        ).cast({"fleet": pl.String, "unit": pl.String, "newest": TIME})

    def write(self, decoded: DecodedBatch) -> Landed:
        """Write a batch and commit it.

        When it returns, the rows are on disk; when it raises, nothing of the batch is.

        Raises
        ------
        StoreError
            The database could not write; the batch may be written again.
        """
        batch = self._batch + 1
        sorted_ = self._sort_out(decoded.samples)
        events = {name: getattr(decoded, name) for name in _EVENTS}
        new_events = {name: self._new_events(name, frame) for name, frame in events.items() if frame.height}
        ledger = _ledger(decoded, sorted_, new_events, batch)
        frames = {"new_samples": sorted_.new, "new_ledger": ledger, "new_rejects": decoded.rejects}
        frames |= {f"new_{name}": frame.drop("message") for name, frame in new_events.items()}
        with self._store.transaction(**frames, filled=sorted_.filled) as write:
            if sorted_.filled.height:
                first, last = sorted_.filled["t"].min(), sorted_.filled["t"].max()
                write.execute(
                    "DELETE FROM air.samples AS s USING filled AS f WHERE s.t BETWEEN $first AND $last"
                    " AND s.fleet = f.fleet AND s.unit = f.unit AND s.t = f.t",
                    {"first": first, "last": last},
                )
                write.execute("INSERT INTO air.samples BY NAME SELECT * FROM filled")
            for table in ("samples", *new_events, "rejects"):
                if frames[f"new_{table}"].height:
                    write.execute(f"INSERT INTO air.{table} BY NAME SELECT * FROM new_{table}")
            if ledger.height:
                write.execute("INSERT INTO air.messages BY NAME SELECT * FROM new_ledger")
        self._batch = batch
        self._remember(decoded.samples)
        n_new = sorted_.new.height
        return Landed(batch, ledger.height, n_new, decoded.samples.height - n_new, decoded.rejects.height)

    def _remember(self, samples: pl.DataFrame) -> None:
        latest = samples.group_by("fleet", "unit").agg(newest=pl.col("t").max())
        self._newest = pl.concat([self._newest, latest]).group_by("fleet", "unit").agg(pl.col("newest").max())

    def _sort_out(self, samples: pl.DataFrame) -> _Sorted:
        """Tell new samples from repeated ones.

        Most samples of a batch stand in no other message; only the few that do are folded together.
        """
        samples = samples.sort(KEY, maintain_order=True)
        aged = samples.join(self._newest, on=["fleet", "unit"], how="left", maintain_order="left")
        late = aged.filter((pl.col("t") <= pl.col("newest")).fill_null(value=False)).select(KEY).unique()
        stored = self._stored(late) if late.height else samples.clear().select(SAMPLE_SCHEMA.keys())
        same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in KEY).fill_null(value=False)
        is_contested = samples.select(same | same.shift(-1, fill_value=False)).to_series()
        if stored.height:
            keys = stored.select(*KEY, is_stored=pl.lit(value=True))
            is_stored = samples.select(KEY).join(keys, on=KEY, how="left", maintain_order="left")["is_stored"]
            is_contested |= is_stored.fill_null(value=False)
        plain = samples.filter(~is_contested)
        none = pl.lit(0, pl.Int64)
        accounts = plain.group_by("message").agg(n_new=pl.len().cast(pl.Int64), n_filled=none, n_conflicting=none)
        alone = _Sorted(plain.select(SAMPLE_SCHEMA.keys()), plain.clear().select(SAMPLE_SCHEMA.keys()), accounts)
        if not is_contested.any():
            return alone
        folded = _merge(samples.filter(is_contested), stored)
        accounts = pl.concat([accounts, folded.accounts]).group_by("message").agg(pl.all().sum())
        return _Sorted(pl.concat([alone.new, folded.new]), folded.filled, accounts)

    def _stored(self, keys: pl.DataFrame) -> pl.DataFrame:
        cursor = self._store.cursor
        cursor.register("suspect", keys.to_arrow(compat_level=pl.CompatLevel.oldest()))
        try:
            return (
                cursor.execute(
                    "SELECT s.* FROM air.samples AS s SEMI JOIN suspect AS k USING (fleet, unit, t)"
                    " WHERE s.t BETWEEN $first AND $last",
                    {"first": keys["t"].min(), "last": keys["t"].max()},
                )
                .pl()
                .cast(SAMPLE_SCHEMA)
            )
        finally:
            cursor.unregister("suspect")

    def _new_events(self, table: str, events: pl.DataFrame) -> pl.DataFrame:
        """Give the events that are not stored yet; an event is the same as another if all its fields are."""
        names = list(_EVENTS[table])
        events = events.unique(names, keep="first", maintain_order=True)
        cursor = self._store.cursor
        cursor.register("candidates", events.to_arrow(compat_level=pl.CompatLevel.oldest()))
        same = " AND ".join(f's."{name}" IS NOT DISTINCT FROM c."{name}"' for name in names)
        try:
            return (
                cursor.execute(
                    f"SELECT c.* FROM candidates AS c WHERE NOT EXISTS (SELECT 1 FROM air.{table} AS s WHERE {same})"
                )
                .pl()
                .cast(events.schema)
            )
        finally:
            cursor.unregister("candidates")


def _merge(samples: pl.DataFrame, stored: pl.DataFrame) -> _Sorted:
    """Fold repeated samples: the first word stays, a null is filled by a later word, a different later word is counted.

    ``samples`` is sorted by key, equal keys in order of arrival; ``stored`` holds the stored samples of those keys.
    """
    held = stored.with_columns(message=pl.lit(None, pl.UInt32)).select(samples.columns)
    every = pl.concat([held, samples]).sort(KEY, maintain_order=True)
    is_first = pl.int_range(pl.len()).over(KEY) == 0
    fills, differs = pl.lit(value=False), pl.lit(value=False)
    for name in _VALUES:
        value = pl.col(name)
        fills |= value.is_not_null() & (value.is_not_null().cum_sum().over(KEY) == 1)
        differs |= (value != value.drop_nulls().first().over(KEY)).fill_null(value=False)
    marked = every.with_columns(is_first=is_first, fills=fills & ~is_first, differs=differs)
    accounts = (
        marked.filter(pl.col("message").is_not_null())
        .group_by("message")
        .agg(
            n_new=pl.col("is_first").sum().cast(pl.Int64),
            n_filled=pl.col("fills").sum().cast(pl.Int64),
            n_conflicting=pl.col("differs").sum().cast(pl.Int64),
        )
    )
    whole = every.group_by(KEY, maintain_order=True).agg(
        pl.col("message").is_null().any().alias("was_stored"), *(pl.col(name).drop_nulls().first() for name in _VALUES)
    )
    order = list(SAMPLE_SCHEMA)
    gained = marked.filter(pl.col("fills")).select(KEY).unique()
    filled = whole.filter(pl.col("was_stored")).join(gained, on=KEY, how="semi").select(order)
    return _Sorted(whole.filter(~pl.col("was_stored")).select(order), filled, accounts)


def _ledger(decoded: DecodedBatch, sorted_: _Sorted, new_events: dict[str, pl.DataFrame], batch: int) -> pl.DataFrame:
    """Complete the ledger rows: the span of each message's rows, and what it added."""
    spans = [decoded.samples.select("message", "t")]
    spans += [getattr(decoded, name).select("message", "t") for name in _EVENTS if getattr(decoded, name).height]
    span = pl.concat(spans).group_by("message").agg(t_first=pl.col("t").min(), t_last=pl.col("t").max())
    added = [sorted_.accounts]
    counted = [frame for name, frame in new_events.items() if name != "fault_codes"]  # a code belongs to its report
    zero = [pl.lit(0, pl.Int64).alias(name) for name in ("n_filled", "n_conflicting")]
    added += [f.group_by("message").agg(n_new=pl.len().cast(pl.Int64)).with_columns(*zero) for f in counted]
    total = pl.concat(added).group_by("message").agg(pl.col("n_new", "n_filled", "n_conflicting").sum())
    return (
        decoded.ledger.join(span, on="message", how="left", maintain_order="left")
        .join(total, on="message", how="left", maintain_order="left")
        .with_columns(pl.col("n_new", "n_filled", "n_conflicting").fill_null(0), batch=pl.lit(batch, pl.Int64))
        .select(_LEDGER)
    )
