"""The store: one DuckDB file, attached as `air`, brought to the present schema when it is opened."""

import logging
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Self

import duckdb
import polars as pl

from airwatch.errors import StoreError
from airwatch.store.changes import Change

log = logging.getLogger(__name__)

CATALOG = "air"
_LONG_LOG_BYTES = 16 << 20  # DuckDB's own default


class Store:
    """One open store. Each thread works through a cursor of its own; writers take turns.

    Use it as a context manager; leaving it checkpoints and closes the file.

    A checkpoint is no part of a commit here. DuckDB makes one inside COMMIT when its log has grown long; if that fails,
    on a full disk for example, COMMIT raises whether or not what it committed is there to stay, and whoever tries again
    could write it twice. So COMMIT writes only the log, and a long log goes into the file afterwards. A checkpoint that
    fails costs nothing but the attachment, which DuckDB then refuses to use: it is made anew before the next use.
    """

    def __init__(self, root: duckdb.DuckDBPyConnection, path: Path) -> None:
        self._root = root
        self._local = threading.local()
        self._writer = threading.RLock()
        self._is_attached = False
        self._listeners: list[Callable[[Change], None]] = []
        self.path = path

    @classmethod
    def open(
        cls, path: Path, *, memory_limit: str = "1GB", threads: int | None = None, must_exist: bool = False
    ) -> Self:
        """Open the store at ``path``, making it where there is none, and bring its schema up to date.

        Parameters
        ----------
        path : Path
            The DuckDB file.
        memory_limit : str
            What DuckDB may use, as DuckDB writes it.
        threads : int, optional
            How many it works with; where nothing is said, one for each core.
        must_exist : bool
            Refuse to make a new store; for commands that only read.

        Raises
        ------
        StoreError
            The file is in use by another process, is no store, or is newer than this program.
        """
        if must_exist and not path.exists():
            raise StoreError(f"{path}: no such store; land something first (airwatch land), or check --db")
        spill = {"temp_directory": f"{path}.spill"}  # what does not fit goes there, and is gone afterwards
        root = duckdb.connect(":memory:", config={"memory_limit": memory_limit, **spill})
        if threads is not None:
            root.execute(f"SET threads = {threads:d}")
        store = cls(root, path)
        try:
            root.execute("SET TimeZone = 'UTC'")
            root.execute("SET wal_autocheckpoint = '1000 TB'")  # that is: never; see the class
            store._attach()
            store.migrate()
        except duckdb.Error as err:
            root.close()
            text = _first_line(err)
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
        try:
            self._root.execute(f"DETACH DATABASE IF EXISTS {CATALOG}")
        except duckdb.Error as err:
            log.warning("%s: not checkpointed; what is committed stays in its log: %s", self.path, _first_line(err))
        finally:
            self._root.close()

    def checkpoint(self) -> None:
        """Write everything into the file, so that space that is no longer used can be used again.

        Raises
        ------
        StoreError
            The file can't be written; what is committed stays in the log.
        """
        with self._writer:
            try:
                self.cursor.execute(f"CHECKPOINT {CATALOG}")
            except duckdb.Error as err:
                raise self._failure("written", err) from err

    @property
    def cursor(self) -> duckdb.DuckDBPyConnection:
        """Give the cursor of the calling thread.

        Raises
        ------
        StoreError
            The store could not be used any more, and can't be opened again yet.
        """
        if not self._is_attached:
            self._attach_anew()
        if (cursor := getattr(self._local, "cursor", None)) is None:
            cursor = self._local.cursor = self._root.cursor()
        return cursor

    def frame(
        self, sql: str, parameters: list[object] | dict[str, object] | None = None, **frames: pl.DataFrame
    ) -> pl.DataFrame:
        """Run one query and give its rows; each frame is a view of its name while it runs.

        Raises
        ------
        StoreError
            The database could not answer.
        """
        with _views(self.cursor, frames) as cursor:
            try:
                return cursor.execute(self._named(sql), parameters).pl()
            except duckdb.Error as err:
                raise self._failure("read", err) from err

    def listen(self, listener: Callable[[Change], None]) -> None:
        """Call ``listener`` after each commit that others may have to know of; it must be quick and not raise."""
        self._listeners.append(listener)

    def unlisten(self, listener: Callable[[Change], None]) -> None:
        """Call ``listener`` no more."""
        self._listeners.remove(listener)

    def tell(self, change: Change) -> None:
        """Tell all listeners what has just been committed."""
        for listener in tuple(self._listeners):
            listener(change)

    @property
    def sees_all(self) -> bool:
        """Whether all fleets are in it; a view of some fleets (`airwatch.store.views`) says no."""
        return True

    def has_fleet(self, _fleet: str) -> bool:
        """Tell whether a fleet is among those that are seen."""
        return True

    def for_writing(self, _fleet: str) -> "Store":
        """Give the store to write what is of one fleet.

        Raises
        ------
        StoreError
            The fleet is not seen through this view.
        """
        return self

    def _named(self, sql: str) -> str:
        """Give a statement with the names of the tables that it is run on."""
        return sql

    @contextmanager
    def exclusive(self) -> Iterator[None]:
        """Keep other writers out while something is read, decided and written; transactions within are allowed."""
        with self._writer:
            yield

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
                raise self._failure("written", err) from err
            except BaseException:
                _roll_back(cursor)
                raise
            self._shorten_log()

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

    def _attach(self) -> None:
        quoted = str(self.path).replace("'", "''")
        # Without the type DuckDB takes a file that is there and is called .csv or .json for a table to read, and
        # keeps what is written in memory only.
        self._root.execute(f"ATTACH '{quoted}' AS {CATALOG} (TYPE duckdb)")
        self._is_attached = True

    def _attach_anew(self) -> None:
        """Attach the file once more; what is committed is in it or in its log."""
        with self._writer:
            if self._is_attached:  # another thread has done it meanwhile
                return
            try:
                self._root.execute(f"DETACH DATABASE IF EXISTS {CATALOG}")
                self._attach()
            except duckdb.Error as err:
                text = f"{_first_line(err)}; it is tried again at the next use, check disk space"
                raise StoreError(f"{self.path}: can't be opened again: {text}") from err

    def _failure(self, what: str, err: duckdb.Error) -> StoreError:
        """Give the error to raise for one of the database, and see whether the attachment has outlived it."""
        with self._writer:  # so that nobody is attaching it just now
            try:
                self._root.cursor().execute(f"SELECT version FROM {CATALOG}.schema_versions LIMIT 1")
            except duckdb.Error:
                self._is_attached = False
        return StoreError(f"{self.path}: can't be {what}: {_first_line(err)}; check disk space and memory")

    def _shorten_log(self) -> None:
        """Write a long log into the file."""
        wal = self.path.with_name(f"{self.path.name}.wal")
        if wal.exists() and wal.stat().st_size >= _LONG_LOG_BYTES:
            try:
                self.checkpoint()
            except StoreError as err:  # what was to be committed is committed
                log.warning("%s; its log grows on", err)


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


def _first_line(err: duckdb.Error) -> str:
    return str(err).splitlines()[0]


def _roll_back(cursor: duckdb.DuckDBPyConnection) -> None:
    """Roll back; a transaction that a failed commit has already ended needs nothing more."""
    try:
        cursor.execute("ROLLBACK")
    except duckdb.TransactionException:
        return
