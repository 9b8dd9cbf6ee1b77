"""The store as somebody sees it who may see some fleets only: the one place where fleets are kept apart.

Every statement of this package names its tables `air.…`. A view has a schema of its own in which each table of the
catalog `air` is a view of that table's rows of some fleets, and runs the same statements there. So nothing that reads
has to remember whose rows it may give, and what a view is not made for is not there to be read.
"""

import re
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from hashlib import sha256
from typing import cast

import duckdb
import polars as pl

from airwatch.access.fleets import Fleets
from airwatch.errors import StoreError
from airwatch.store.changes import Change
from airwatch.store.database import CATALOG, Store

_TABLE = re.compile(rf"\b{CATALOG}\.(?=\w)")
_BY_FLEET = "fleet IN ({fleets})"
_BY_UNIT_KEY = f"unit_key IN (SELECT unit_key FROM {CATALOG}.unit_keys WHERE fleet IN ({{fleets}}))"

_SPECIAL = {
    # {root}/{fleet}/{unit}/{stream}; of a topic of any other form nobody knows whose it is
    "rejects": "split_part(topic, '/', -3) IN ({fleets})"
    " AND split_part(topic, '/', -1) IN ('pressure', 'governor', 'faults', 'can')",
    # numbers of the program's own work, without anything that came from a vehicle
    "schema_versions": "true",
    "raw_since": "true",
    "compacted": "false",
    "derive_marks": "true",
    # of all fleets at once, and read by nobody who sees some
    "notify_outbox": "false",
    "unfinished_files": "false",
    # a shop's plan is one text of the units of all fleets that it serves; who sees some has no part of it
    "plans": "false",
    "shop_setups": "false",
}
"""Tables that have neither a column `fleet` nor `unit_key`, and which of their rows are seen."""

_guard = threading.Lock()


class FleetView(Store):
    """Some fleets of a store, to be read only; `for_writing` gives the whole one, for one of these fleets."""

    def __init__(self, whole: Store, fleets: frozenset[str]) -> None:
        self._whole, self._fleets = whole, fleets
        self.path = whole.path
        self._schema = _make_schema(whole, fleets)

    @property
    def sees_all(self) -> bool:
        """Whether all fleets are in it."""
        return False

    def has_fleet(self, fleet: str) -> bool:
        """Tell whether a fleet is among those that are seen."""
        return fleet in self._fleets

    def for_writing(self, fleet: str) -> Store:
        """Give the whole store to write what is of one fleet.

        Raises
        ------
        StoreError
            The fleet is not seen through this view.
        """
        if fleet not in self._fleets:
            raise StoreError(f"{self.path}: fleet {fleet!r} is not among those that may be written here")
        return self._whole

    @property
    def cursor(self) -> duckdb.DuckDBPyConnection:
        """Give a cursor that only runs statements, on the tables of this view."""
        return cast("duckdb.DuckDBPyConnection", _ViewCursor(self))

    def frame(
        self, sql: str, parameters: list[object] | dict[str, object] | None = None, **frames: pl.DataFrame
    ) -> pl.DataFrame:
        """Run one query on this view and give its rows; see `Store.frame`."""
        return self._whole.frame(self._named(sql), parameters, **frames)

    @contextmanager
    def exclusive(self) -> Iterator[None]:
        """Keep other writers out."""
        with self._whole.exclusive():
            yield

    @contextmanager
    def transaction(self, **_frames: pl.DataFrame) -> Iterator[duckdb.DuckDBPyConnection]:
        """Refuse: a view is read only.

        Raises
        ------
        StoreError
            Always.
        """
        raise StoreError(
            f"{self.path}: a view of some fleets is read only; ask for_writing(fleet) for what can be written"
        )
        yield  # type: ignore[unreachable]  # it has to be a generator

    def listen(self, listener: Callable[[Change], None]) -> None:
        """Call ``listener`` after each commit of the whole store."""
        self._whole.listen(listener)

    def unlisten(self, listener: Callable[[Change], None]) -> None:
        """Call ``listener`` no more."""
        self._whole.unlisten(listener)

    def tell(self, change: Change) -> None:
        """Leave that to the whole store."""
        self._whole.tell(change)

    def checkpoint(self) -> None:
        """Leave that to the whole store."""
        self._whole.checkpoint()

    def migrate(self) -> None:
        """Leave that to the whole store."""
        self._whole.migrate()

    def close(self) -> None:
        """Do nothing: the store is not this view's."""

    def _named(self, sql: str) -> str:
        return _TABLE.sub(f"{self._schema}.", sql)


class _ViewCursor:
    """As much of a DuckDB cursor as those who read use."""

    def __init__(self, view: FleetView) -> None:
        self._view = view

    def execute(self, sql: str, parameters: object = None) -> duckdb.DuckDBPyConnection:
        """Run one statement on the tables of the view."""
        return self._view._whole.cursor.execute(self._view._named(sql), parameters)  # noqa: SLF001 its own view


class Views:
    """Gives a store as somebody sees it; keeps the views that were asked for."""

    def __init__(self, whole: Store) -> None:
        self._whole = whole
        self._made: dict[frozenset[str], FleetView] = {}

    def of(self, fleets: Fleets) -> Store:
        """Give the store as somebody sees it who may see these fleets.

        Raises
        ------
        StoreError
            The store can't be read.
        """
        if fleets.names is None:
            return self._whole
        if (found := self._made.get(fleets.names)) is None:
            found = self._made[fleets.names] = FleetView(self._whole, fleets.names)
        return found


def rows_seen(table: str, columns: set[str]) -> str | None:
    """Give the condition for a table's rows to be seen, with `{fleets}` for the names; None: none is known."""
    if "fleet" in columns:
        return _BY_FLEET
    if "unit_key" in columns:
        return _BY_UNIT_KEY
    return _SPECIAL.get(table)


def tables_of(store: Store) -> dict[str, set[str]]:
    """Give the columns of each table of the catalog."""
    found = store.frame(
        "SELECT table_name, list(column_name) AS columns FROM duckdb_columns()"
        f" WHERE database_name = '{CATALOG}' GROUP BY ALL ORDER BY ALL"
    )
    return {row["table_name"]: set(row["columns"]) for row in found.iter_rows(named=True)}


def _make_schema(whole: Store, fleets: frozenset[str]) -> str:
    """Make the views of these fleets, once, and give the name of their schema."""
    names = sorted(fleets)
    schema = f"memory.fleets_{sha256('/'.join(names).encode()).hexdigest()[:24]}"
    with _guard:
        cursor = whole.cursor
        made = cursor.execute(
            "SELECT EXISTS (FROM duckdb_schemas() WHERE database_name = 'memory' AND schema_name = ?)",
            [schema.partition(".")[2]],
        ).fetchone()
        if made and made[0]:
            return schema
        literals = ", ".join("'" + name.replace("'", "''") + "'" for name in names) or "NULL"
        try:
            cursor.execute("BEGIN")
            cursor.execute(f"CREATE SCHEMA {schema}")
            for table, columns in tables_of(whole).items():
                if (seen := rows_seen(table, columns)) is not None:
                    condition = seen.replace("{fleets}", literals)
                    cursor.execute(f"CREATE VIEW {schema}.{table} AS SELECT * FROM {CATALOG}.{table} WHERE {condition}")
            cursor.execute("COMMIT")
        except duckdb.Error as err:
            cursor.execute("ROLLBACK")
            raise StoreError(f"{whole.path}: a view of some fleets can't be made: {err}") from err
    return schema
