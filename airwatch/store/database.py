"""The store: one DuckDB file, attached as `air`, brought to the present schema when it is opened."""

import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Self

import duckdb
import polars as pl

from airwatch.errors import StoreError

CATALOG = "air"


class Store:
    """One open store. Each thread works through a cursor of its own; writers take turns.

    Use it as a context manager; leaving it checkpoints and closes the file.
    """

    def __init__(self, root: duckdb.DuckDBPyConnection, path: Path) -> None:
        self._root = root
        self._local = threading.local()
        self._writer = threading.RLock()
        self.path = path

    @classmethod
    def open(cls, path: Path, *, memory_limit: str = "1GB", must_exist: bool = False) -> Self:
        """Open the store at ``path``, making it where there is none, and bring its schema up to date.

        Parameters
        ----------
        path : Path
            The DuckDB file.
        memory_limit : str
            What DuckDB may use, as DuckDB writes it.
        must_exist : bool
            Refuse to make a new store; for commands that only read.

        Raises
        ------
        StoreError
            The file is in use by another process, is no store, or is newer than this program.
        """
        if must_exist and not path.exists():
            raise StoreError(f"{path}: no such store; land something first (airwatch land), or check --db")
        root = duckdb.connect(":memory:", config={"memory_limit": memory_limit})
        store = cls(root, path)
        try:
            root.execute("SET TimeZone = 'UTC'")
            quoted = str(path).replace("'", "''")
            # Without the type DuckDB takes a file that is there and is called .csv or .json for a table to read, and
            # keeps what is written in memory only.
            root.execute(f"ATTACH '{quoted}' AS {CATALOG} (TYPE duckdb)")
            store.migrate()
        except duckdb.Error as err:
            root.close()
            text = str(err).splitlines()[0]
            if "could not set lock" in text.lower():
                what = "another airwatch process has it open; stop that one, or ask it over its API"
                raise StoreError(f"{path}: the store is in use: {what}") from err
            raise StoreError(f"{path}: can't be opened as a store: {text}; check the path and its permissions") from err
        except StoreError:
            root.close()
            raise
        return store

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Checkpoint and close. Cursors of other threads are of no use afterwards."""
        self._root.execute("DETACH air")
        self._root.close()

    def checkpoint(self) -> None:
        """Write everything into the file, so that space that is no longer used can be used again."""
        self.cursor.execute(f"CHECKPOINT {CATALOG}")

    @property
    def cursor(self) -> duckdb.DuckDBPyConnection:
        """Give the cursor of the calling thread."""
        if (cursor := getattr(self._local, "cursor", None)) is None:
            cursor = self._local.cursor = self._root.cursor()
        return cursor

    def frame(
        self, sql: str, parameters: list[object] | dict[str, object] | None = None, **frames: pl.DataFrame
    ) -> pl.DataFrame:
        """Run one query and give its rows; each frame is a view of its name while it runs."""
        with _views(self.cursor, frames) as cursor:
            return cursor.execute(sql, parameters).pl()

    @contextmanager
    def transaction(self, **frames: pl.DataFrame) -> Iterator[duckdb.DuckDBPyConnection]:
        """Write in one transaction; each frame is a view of its name while it lasts.

        Commits at the end, or rolls back everything and raises.

        Raises
        ------
        StoreError
            The database could not write; nothing of the transaction is there, and it may be tried again.
        """
        with self._writer, _views(self.cursor, frames) as cursor:
            cursor.execute("BEGIN")
            try:
                yield cursor
                cursor.execute("COMMIT")
            except duckdb.Error as err:
                _roll_back(cursor)
                text = str(err).splitlines()[0]
                raise StoreError(f"{self.path}: can't be written: {text}; check disk space and memory") from err
            except BaseException:
                _roll_back(cursor)
                raise

    def migrate(self) -> None:
        """Apply the migrations that the store lacks, each in one transaction.

        Raises
        ------
        StoreError
            The store has a migration that this program does not know.
        """
        cursor = self.cursor
        cursor.execute(
            f"CREATE TABLE IF NOT EXISTS {CATALOG}.schema_versions (version INTEGER NOT NULL, name VARCHAR NOT NULL)"
        )
        present = {
            version for (version,) in cursor.execute(f"SELECT version FROM {CATALOG}.schema_versions").fetchall()
        }
        steps = migrations()
        if unknown := present - steps.keys():
            newest = max(unknown)
            raise StoreError(
                f"{self.path}: the store has schema {newest}, this airwatch knows {max(steps)}; use a newer airwatch"
            )
        for version in sorted(steps.keys() - present):
            name, sql = steps[version]
            with self.transaction() as write:
                write.execute(sql)
                write.execute(f"INSERT INTO {CATALOG}.schema_versions VALUES (?, ?)", [version, name])


def migrations() -> dict[int, tuple[str, str]]:
    """Give every migration: version to (name, SQL)."""
    found = sorted(
        file.name for file in files("airwatch.store").joinpath("migrations").iterdir() if file.name.endswith(".sql")
    )
    folder = files("airwatch.store").joinpath("migrations")
    return {int(name[:4]): (name, folder.joinpath(name).read_text("utf-8")) for name in found}


@contextmanager
def _views(
    cursor: duckdb.DuckDBPyConnection, frames: Mapping[str, pl.DataFrame]
) -> Iterator[duckdb.DuckDBPyConnection]:
    """Let a cursor see frames under their names."""
    for name, frame in frames.items():
        cursor.register(name, frame.to_arrow(compat_level=pl.CompatLevel.oldest()))
    try:
        yield cursor
    finally:
        for name in frames:
            cursor.unregister(name)


def _roll_back(cursor: duckdb.DuckDBPyConnection) -> None:
    """Roll back; a transaction that a failed commit has already ended needs nothing more."""
    try:
        cursor.execute("ROLLBACK")
    except duckdb.TransactionException:
        return
