"""The audit trail: rows are only added."""

import sqlite3
from dataclasses import dataclass
from typing import Any, Literal

from airwatch.store.access.file import AccessFile

_LONGEST = 500  # characters of what comes from outside


@dataclass(frozen=True, slots=True)
class Source:
    """Who does something and from where: ``via`` a session, a token, the open pages, a sign-in, or the command line."""

    who: str
    via: Literal["session", "token", "open", "sign-in", "command"]
    address: str


def note(
    write: sqlite3.Connection,
    now: float,
    source: Source,
    action: str,
    what: str = "",
    *,
    result: Literal["done", "refused"] = "done",
    detail: str = "",
) -> None:
    """Add a row, in the transaction of what it tells of."""
    row = (now, source.who, source.via, source.address, action, what, result, detail)
    write.execute(
        "INSERT INTO audit (at_s, who, via, address, action, what, result, detail) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [part[:_LONGEST] if isinstance(part, str) else part for part in row],
    )


def trail(file: AccessFile, *, page: int, size: int, who: str = "", action: str = "") -> list[dict[str, Any]]:
    """Give one page of the trail, newest first: ``id, at_s, who, via, address, action, what, result, detail``."""
    return file.rows(
        "SELECT id, at_s, who, via, address, action, what, result, detail FROM audit"
        " WHERE (?1 = '' OR who = ?1 COLLATE NOCASE) AND (?2 = '' OR action = ?2)"
        " ORDER BY id DESC LIMIT ?3 OFFSET ?4",
        [who, action, size, (page - 1) * size],
    )


def count_trail(file: AccessFile, *, who: str = "", action: str = "") -> int:
    """Give the number of rows of the trail."""
    (row,) = file.rows(
        "SELECT count(*) AS n FROM audit WHERE (?1 = '' OR who = ?1 COLLATE NOCASE) AND (?2 = '' OR action = ?2)",
        [who, action],
    )
    return int(row["n"])
