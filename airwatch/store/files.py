"""How far recordings have been landed, so that an interrupted landing goes on where it was."""

from dataclasses import dataclass

import duckdb

from airwatch.store.database import Store


@dataclass(frozen=True, slots=True)
class FileProgress:
    """``key`` tells one recording from another; ``position`` in the unpacked file, ``line`` the next line's number."""

    key: str
    name: str
    position: int
    line: int


def note_progress(write: duckdb.DuckDBPyConnection, progress: FileProgress) -> None:
    """Note how far a file is landed; part of the transaction that holds its rows."""
    write.execute("DELETE FROM air.unfinished_files WHERE key = ?", [progress.key])
    row = [progress.key, progress.name, progress.position, progress.line]
    write.execute("INSERT INTO air.unfinished_files VALUES (?, ?, ?, ?)", row)


def progress_of(store: Store, key: str) -> FileProgress | None:
    """Give how far a file was landed when its landing was interrupted; None if it was not."""
    row = store.cursor.execute(
        "SELECT key, name, position, line FROM air.unfinished_files WHERE key = ?", [key]
    ).fetchone()
    return FileProgress(*row) if row else None


def forget_progress(store: Store, key: str) -> None:
    """Forget a file that is landed whole."""
    with store.transaction() as write:
        write.execute("DELETE FROM air.unfinished_files WHERE key = ?", [key])
