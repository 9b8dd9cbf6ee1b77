"""Writing decoded batches: each sample and event once, in one transaction with the ledger and the rejects."""

from dataclasses import dataclass
from functools import cache
from hashlib import blake2b

import numpy as np
import polars as pl

from airwatch.contract.batch import (
    CODE_SCHEMA,
    GOVERNOR_SCHEMA,
    LAMP_SCHEMA,
    LEDGER_SCHEMA,
    REPORT_SCHEMA,
    DecodedBatch,
)
from airwatch.contract.columns import COLUMN_NAMES, COLUMNS, TIME
from airwatch.errors import StoreError
from airwatch.store.changes import Change
from airwatch.store.database import Store
from airwatch.store.files import FileProgress, note_progress

MEMORY = "48MB"
"""What a store needs that is only landed in."""

KEY = ["unit_key", "t"]
_VALUES = ["trailer", *COLUMN_NAMES]
_STORED = pl.Schema(
    {"unit_key": pl.Int64(), "t": TIME, "trailer": pl.String(), **{column.name: column.dtype for column in COLUMNS}}
)
_EVENTS = {
    "governor_events": GOVERNOR_SCHEMA,
    "fault_reports": REPORT_SCHEMA,
    "fault_codes": CODE_SCHEMA,
    "lamp_events": LAMP_SCHEMA,
}
_SPANS = pl.Schema(
    {"message": pl.UInt32(), "n": pl.UInt32(), "t_first": TIME, "t_last": TIME, "is_rising": pl.Boolean()}
)
_COUNTS = ["n_new", "n_filled", "n_conflicting"]
_LEDGER = ["batch", *LEDGER_SCHEMA, "t_first", "t_last", *_COUNTS]


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


@cache
def unit_key(fleet: str, unit: str) -> int:
    """Give the number of a unit: 64 bits of a hash of its names, the same in every store and for every writer."""
    return int.from_bytes(blake2b(f"{fleet}/{unit}".encode(), digest_size=8).digest(), signed=True)


class TelemetryWriter:
    """Lands decoded batches. There is one for a store: it remembers each unit's newest landed time."""

    def __init__(self, store: Store) -> None:
        self._store = store
        row = store.cursor.execute("SELECT coalesce(max(batch), 0) FROM air.messages").fetchone()
        self._batch: int = row[0] if row else 0
        known = store.cursor.execute("SELECT unit_key, fleet, unit FROM air.unit_keys").fetchall()
        self._names: dict[int, tuple[str, str]] = {key: (fleet, unit) for key, fleet, unit in known}
        self._newest = store.frame(
            "SELECT k.unit_key, max(m.t_last) AS newest"
            " FROM air.messages AS m JOIN air.unit_keys AS k USING (fleet, unit)"
            " WHERE m.t_last IS NOT NULL AND m.stream IN ('pressure', 'can') GROUP BY ALL"
        ).cast({"unit_key": pl.Int64, "newest": TIME})

    def write(self, decoded: DecodedBatch, progress: FileProgress | None = None) -> Landed:
        """Write a batch and commit it, with how far into a file it reaches.

        When it returns, the rows are on disk; when it raises, nothing of the batch is.

        Raises
        ------
        StoreError
            The database could not write, and the batch may be written again; or two units have the same key.
        """
        batch = self._batch + 1
        keyed = _keyed(decoded.ledger)
        new_names = self._new_names(keyed)
        spans = _spans(decoded.samples).join(keyed.select("message", "unit_key"), on="message", maintain_order="left")
        sorted_ = self._sort_out(decoded.samples, spans, keyed)
        events = {name: getattr(decoded, name) for name in _EVENTS}
        new_events = {name: self._new_events(name, frame) for name, frame in events.items() if frame.height}
        ledger = _ledger(decoded, spans, sorted_.accounts, new_events, batch)
        new = {"unit_keys": new_names, "samples": sorted_.new, "messages": ledger, "rejects": decoded.rejects}
        new |= {name: frame.drop("message") for name, frame in new_events.items()}
        new = {table: _with_values(frame) for table, frame in new.items() if frame.height}
        frames = {f"new_{table}": frame for table, frame in new.items()}
        with self._store.transaction(**frames, filled=sorted_.filled) as write:
            if sorted_.filled.height:
                first, last = sorted_.filled["t"].min(), sorted_.filled["t"].max()
                write.execute(
                    "DELETE FROM air.samples AS s USING filled AS f"
                    " WHERE s.t BETWEEN $first AND $last AND s.unit_key = f.unit_key AND s.t = f.t",
                    {"first": first, "last": last},
                )
                write.execute("INSERT INTO air.samples BY NAME SELECT * FROM filled")
            for table in new:
                write.execute(f"INSERT INTO air.{table} BY NAME SELECT * FROM new_{table}")
            if progress is not None:
                note_progress(write, progress)
        self._batch = batch
        self._remember(new_names, spans)
        self._store.tell(Change("samples", spans.select("unit_key", "t_first", "t_last")))
        n_new = sorted_.new.height
        return Landed(batch, ledger.height, n_new, decoded.samples.height - n_new, decoded.rejects.height)

    def _new_names(self, keyed: pl.DataFrame) -> pl.DataFrame:
        """Give the units that have no row of their own yet."""
        units = keyed.select("unit_key", "fleet", "unit").unique(maintain_order=True)
        fresh = units.filter(~pl.col("unit_key").is_in(list(self._names)))
        for key, fleet, unit in units.iter_rows():
            if self._names.get(key, (fleet, unit)) != (fleet, unit):
                raise StoreError(
                    f"units {fleet}/{unit} and {'/'.join(self._names[key])} have one key; rename one of them"
                )
        return fresh

    def _remember(self, new_names: pl.DataFrame, spans: pl.DataFrame) -> None:
        self._names |= {key: (fleet, unit) for key, fleet, unit in new_names.iter_rows()}
        latest = spans.group_by("unit_key").agg(newest=pl.col("t_last").max())
        self._newest = pl.concat([self._newest, latest]).group_by("unit_key").agg(pl.col("newest").max())

    def _sort_out(self, samples: pl.DataFrame, spans: pl.DataFrame, keyed: pl.DataFrame) -> _Sorted:
        """Tell new samples from repeated ones.

        A message's own samples never repeat each other unless they lie out of order. So a unit whose blocks all begin
        after everything landed of it, and don't overlap each other, has only new samples, and these go in as they
        are. The samples of the other units are compared one by one.
        """
        late = (pl.col("t_first") <= pl.col("newest")).fill_null(value=False)
        overlaps = pl.col("t_first") <= pl.col("t_last").cum_max().shift(1).over("unit_key")
        suspect = (
            spans.sort("unit_key", "t_first", maintain_order=True)
            .join(self._newest, on="unit_key", how="left", maintain_order="left")
            .filter(late | overlaps.fill_null(value=False) | ~pl.col("is_rising"))
        )
        full = samples.with_columns(_whose(samples, spans, keyed))
        accounts = spans.select(
            "message", n_new=pl.col("n").cast(pl.Int64), n_filled=pl.lit(0, pl.Int64), n_conflicting=pl.lit(0, pl.Int64)
        )
        order = list(_STORED)
        if suspect.is_empty():
            new = full.select(order)
            return _Sorted(new, new.clear(), accounts)
        is_suspect = full["unit_key"].is_in(suspect["unit_key"].unique().implode())
        folded = self._compare(full.filter(is_suspect))
        plain = full.filter(~is_suspect)
        accounts = accounts.join(folded.accounts, on="message", how="anti")
        new = pl.concat([plain.select(order), folded.new])
        return _Sorted(new, folded.filled, pl.concat([accounts, folded.accounts]))

    def _compare(self, samples: pl.DataFrame) -> _Sorted:
        """Tell new samples from repeated ones, one by one; only those with a repeat are folded together."""
        samples = samples.sort([*KEY, "message"], maintain_order=True)  # equal keys in the order of arrival
        aged = samples.join(self._newest, on="unit_key", how="left", maintain_order="left")
        late = aged.filter((pl.col("t") <= pl.col("newest")).fill_null(value=False)).select(KEY).unique()
        stored = self._stored(late) if late.height else pl.DataFrame(schema=_STORED)
        same = pl.all_horizontal(pl.col(name) == pl.col(name).shift(1) for name in KEY).fill_null(value=False)
        is_contested = samples.select(same | same.shift(-1, fill_value=False)).to_series()
        if stored.height:
            keys = stored.select(*KEY, is_stored=pl.lit(value=True))
            is_stored = samples.select(KEY).join(keys, on=KEY, how="left", maintain_order="left")["is_stored"]
            is_contested |= is_stored.fill_null(value=False)
        plain = samples.filter(~is_contested)
        none = pl.lit(0, pl.Int64)
        accounts = plain.group_by("message").agg(n_new=pl.len().cast(pl.Int64), n_filled=none, n_conflicting=none)
        alone = _Sorted(plain.select(_STORED.keys()), pl.DataFrame(schema=_STORED), accounts)
        if not is_contested.any():
            return alone
        folded = _fold(samples.filter(is_contested), stored)
        accounts = pl.concat([accounts, folded.accounts]).group_by("message").agg(pl.all().sum())
        return _Sorted(pl.concat([alone.new, folded.new]), folded.filled, accounts)

    def _stored(self, keys: pl.DataFrame) -> pl.DataFrame:
        return self._store.frame(
            "SELECT s.* FROM air.samples AS s SEMI JOIN suspect AS k USING (unit_key, t)"
            " WHERE s.t BETWEEN $first AND $last",
            {"first": keys["t"].min(), "last": keys["t"].max()},
            suspect=keys,
        ).cast(_STORED)

    def _new_events(self, table: str, events: pl.DataFrame) -> pl.DataFrame:
        """Give the events that are not stored yet; an event is the same as another if all its fields are."""
        names = list(_EVENTS[table])
        same = " AND ".join(f's."{name}" IS NOT DISTINCT FROM c."{name}"' for name in names)
        return self._store.frame(
            f"SELECT c.* FROM candidates AS c WHERE NOT EXISTS (SELECT 1 FROM air.{table} AS s WHERE {same})",
            candidates=events.unique(names, keep="first", maintain_order=True),
        ).cast(events.schema)


def _keyed(ledger: pl.DataFrame) -> pl.DataFrame:
    """Give each message the number of its unit."""
    units = ledger.select("fleet", "unit").unique()
    keys = pl.Series([unit_key(fleet, unit) for fleet, unit in units.iter_rows()], dtype=pl.Int64)
    return ledger.join(units.with_columns(unit_key=keys), on=["fleet", "unit"], how="left", maintain_order="left")


def _whose(samples: pl.DataFrame, spans: pl.DataFrame, keyed: pl.DataFrame) -> list[pl.Series]:
    """Give each sample's unit and trailer; the samples of a message lie together, so units are repeated."""
    key = pl.Series("unit_key", np.repeat(spans["unit_key"].to_numpy(), spans["n"].to_numpy()))
    trailer = keyed["trailer"]
    if trailer.null_count() == len(trailer):
        return [key, pl.Series("trailer", [None], dtype=pl.String).new_from_index(0, samples.height)]
    return [key, trailer.gather(samples["message"])]


def _with_values(frame: pl.DataFrame) -> pl.DataFrame:
    """Leave out columns without values: each costs as much as any other, and is null all the same."""
    n_null = frame.null_count().row(0)
    return frame.select([name for name, n in zip(frame.columns, n_null, strict=True) if n < frame.height])


def _spans(samples: pl.DataFrame) -> pl.DataFrame:
    """Give ``message, n, t_first, t_last, is_rising`` of each message that has samples, in order of arrival.

    The samples of a message lie together, so a look at each border does what grouping would.
    """
    message, t_us = samples["message"].to_numpy(), samples["t"].to_physical().to_numpy()
    if not message.size:
        return pl.DataFrame(schema=_SPANS)
    first = np.concatenate([[0], np.flatnonzero(message[1:] != message[:-1]) + 1])
    falls = np.concatenate([[False], t_us[1:] <= t_us[:-1]])
    falls[first] = False
    return pl.DataFrame(
        {
            "message": message[first],
            "n": np.diff(np.append(first, message.size)),
            "t_first": np.minimum.reduceat(t_us, first),
            "t_last": np.maximum.reduceat(t_us, first),
            "is_rising": ~np.logical_or.reduceat(falls, first),
        }
    ).cast(_SPANS)


def _fold(samples: pl.DataFrame, stored: pl.DataFrame) -> _Sorted:
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
    order = list(_STORED)
    gained = marked.filter(pl.col("fills")).select(KEY).unique()
    filled = whole.filter(pl.col("was_stored")).join(gained, on=KEY, how="semi").select(order)
    return _Sorted(whole.filter(~pl.col("was_stored")).select(order), filled, accounts)


def _ledger(
    decoded: DecodedBatch, spans: pl.DataFrame, accounts: pl.DataFrame, new_events: dict[str, pl.DataFrame], batch: int
) -> pl.DataFrame:
    """Complete the ledger rows: the span of each message's rows, and what it added."""
    times = [spans.select("message", "t_first", "t_last")]
    for name in _EVENTS:
        frame: pl.DataFrame = getattr(decoded, name)
        if frame.height:
            times.append(frame.group_by("message").agg(t_first=pl.col("t").min(), t_last=pl.col("t").max()))
    span = pl.concat(times).group_by("message").agg(pl.col("t_first").min(), pl.col("t_last").max())
    zero = [pl.lit(0, pl.Int64).alias(name) for name in ("n_filled", "n_conflicting")]
    counted = [frame for name, frame in new_events.items() if name != "fault_codes"]  # a code belongs to its report
    if (codes := new_events.get("fault_codes")) is not None:  # other codes of a report that is there count as one
        reports = new_events["fault_reports"].select("message")
        counted.append(codes.unique("message").join(reports, on="message", how="anti"))
    added = [f.group_by("message").agg(n_new=pl.len().cast(pl.Int64)).with_columns(*zero) for f in counted]
    total = pl.concat([accounts.select("message", *_COUNTS), *added]).group_by("message").agg(pl.col(_COUNTS).sum())
    return (
        decoded.ledger.join(span, on="message", how="left", maintain_order="left")
        .join(total, on="message", how="left", maintain_order="left")
        .with_columns(pl.col(_COUNTS).fill_null(0), batch=pl.lit(batch, pl.Int64))
        .select(_LEDGER)
    )
