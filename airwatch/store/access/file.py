"""The file of accounts: opened, brought to the present schema, read and written."""

import os
import secrets
import sqlite3
import threading
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from importlib.resources import files
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from airwatch.errors import StoreError

Connection = sqlite3.Connection
"""What a transaction is written through."""

_BUSY_S = 10.0  # how long a writer waits for one of another process
_KEY = "signing_key"


class AccessFile:
    """One open file of accounts; any thread may use it, several processes may have it open.

    Readers have a connection of their own, so in the file's write-ahead log they never wait for writers.
    """

    def __init__(self, path: Path | None) -> None:
        self.path = path
        self._writing = threading.RLock()
        self._writer = _connect(path)
        self._reader, self._reading = self._writer, self._writing  # one in memory has nothing else
        if path is not None:
            self._reader, self._reading = _connect(path), threading.RLock()

    @classmethod
    def open(cls, path: Path | None) -> Self:
        """Open the file, making it where there is none; None opens one in memory, for a demo.

        Raises
        ------
        StoreError
            It can't be opened, is no such file, or is newer than this program.
        """
        try:
            if path is not None:
                _make_private(path)
            opened = cls(path)
        except (OSError, sqlite3.Error) as err:
            raise StoreError(f"{path}: can't be opened as a file of accounts: {err}; check its permissions") from err
        try:
            opened._prepare()
        except BaseException:
            opened.close()
            raise
        return opened

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close it."""
        with self._writing, self._reading:
            self._reader.close()
            self._writer.close()

    def rows(self, sql: str, parameters: Sequence[object] | Mapping[str, object] = ()) -> list[dict[str, Any]]:
        """Give the rows of a query.

        Raises
        ------
        StoreError
            The file can't be read.
        """
        with self._reading:
            try:
                return [dict(row) for row in self._reader.execute(sql, parameters)]
            except sqlite3.Error as err:
                raise StoreError(f"{self.path}: accounts can't be read: {err}; check the disk") from err

    @contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """Read and write in one transaction, which no other writer comes between; on an error nothing of it stays.

        Raises
        ------
        StoreError
            The file can't be written.
        """
        with self._writing:
            try:
                self._writer.execute("BEGIN IMMEDIATE")
                yield self._writer
                self._writer.execute("COMMIT")
            except sqlite3.Error as err:
                self._roll_back()
                raise StoreError(f"{self.path}: accounts can't be written: {err}; check disk and permissions") from err
            except BaseException:
                self._roll_back()
                raise

    def signing_key(self) -> bytes:
        """Give the key that cookies are signed with, made at random with the file."""
        (row,) = self.rows("SELECT value FROM settings WHERE name = ?", [_KEY])
        return bytes(row["value"])

    def _roll_back(self) -> None:
        if self._writer.in_transaction:
            self._writer.execute("ROLLBACK")

    def _prepare(self) -> None:
        steps = migrations()
        try:
            with self._writing:
                if self.path is not None:
                    self._writer.execute("PRAGMA journal_mode = WAL")
                version = int(self._writer.execute("PRAGMA user_version").fetchone()[0])
                if version > max(steps):
                    raise StoreError(
                        f"{self.path}: accounts have schema {version}, this airwatch knows {max(steps)};"
                        " use a newer airwatch"
                    )
                for number in range(version + 1, max(steps) + 1):
                    key = secrets.token_hex(32)
                    self._writer.executescript(
                        f"BEGIN IMMEDIATE; {steps[number]} PRAGMA user_version = {number:d};"
                        + (f"INSERT INTO settings VALUES ('{_KEY}', x'{key}');" if number == 1 else "")
                        + "COMMIT;"
                    )
        except sqlite3.Error as err:
            self._roll_back()
            if self._is_ready():  # another process was quicker
                return
            raise StoreError(f"{self.path}: can't be opened as a file of accounts: {err}; check the path") from err

    def _is_ready(self) -> bool:
        try:
            return int(self._writer.execute("PRAGMA user_version").fetchone()[0]) == max(migrations())
        except sqlite3.Error:
            return False


def access_path(store: Path) -> Path:
    """Give where the accounts of a store are kept."""
    return store.with_name(f"{store.name}.access.sqlite3")


def migrations() -> dict[int, str]:
    """Give every migration: version to SQL."""
    folder = files("airwatch.store.access").joinpath("migrations")
    names = sorted(file.name for file in folder.iterdir() if file.name.endswith(".sql"))
    return {int(name[:4]): folder.joinpath(name).read_text("utf-8") for name in names}


def _connect(path: Path | None) -> sqlite3.Connection:
    name = ":memory:" if path is None else str(path)
    connection = sqlite3.connect(name, timeout=_BUSY_S, isolation_level=None, check_same_thread=False)
    connection.row_factory = sqlite3.Row
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")  # what the audit trail says happened must outlast a power failure
    return connection


def _make_private(path: Path) -> None:
    """Make the file for its owner alone; SQLite gives its log the same rights."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT, 0o600))
    path.chmod(0o600)
