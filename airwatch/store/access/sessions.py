"""Sessions of people who signed in."""

import secrets
import sqlite3
from dataclasses import dataclass
from hashlib import sha256

from airwatch.access.fleets import Fleets
from airwatch.access.permissions import Role
from airwatch.store.access.accounts import fleets_of
from airwatch.store.access.file import AccessFile

_LIVE = "s.ends_s > :now AND s.seen_s + :idle_s > :now AND a.is_disabled = 0"


@dataclass(frozen=True, slots=True)
class Session:
    """A session that is good now, and its account's rights as they are now."""

    id: bytes
    account: str
    role: Role
    fleets: Fleets
    form_key: str
    seen_s: float
    pressure: str | None
    zone: str | None


def hash_of(secret: str) -> bytes:
    """Give what is kept of something drawn at random: such need no slow hash, nobody can try them all."""
    return sha256(secret.encode()).digest()


def begin_session(write: sqlite3.Connection, account: str, now: float, *, longest_s: float, address: str) -> str:
    """Begin a session and give its id, which is kept nowhere; sessions that are over are cleared away."""
    write.execute("DELETE FROM sessions WHERE ends_s <= ?", [now])
    id_, form_key = secrets.token_urlsafe(32), secrets.token_urlsafe(32)
    write.execute(
        "INSERT INTO sessions (id, account, form_key, began_s, seen_s, ends_s, address) VALUES (?, ?, ?, ?, ?, ?, ?)",
        [hash_of(id_), account, form_key, now, now, now + longest_s, address],
    )
    return id_


def find_session(file: AccessFile, id_: str, now: float, *, idle_s: float) -> Session | None:
    """Give the session of an id, None if it is over, unused for too long, or its account is shut out."""
    rows = file.rows(
        "SELECT s.id, a.name, a.role, a.sees_all, s.form_key, s.seen_s, a.pressure, a.zone,"
        " (SELECT group_concat(fleet, ' ') FROM account_fleets WHERE account = a.name) AS fleets"
        f" FROM sessions AS s JOIN accounts AS a ON a.name = s.account WHERE s.id = :id AND {_LIVE}",
        {"id": hash_of(id_), "now": now, "idle_s": idle_s},
    )
    if not rows:
        return None
    row = rows[0]
    fleets = fleets_of(row["sees_all"], row["fleets"])
    return Session(
        row["id"], row["name"], row["role"], fleets, row["form_key"], row["seen_s"], row["pressure"], row["zone"]
    )


def note_seen(write: sqlite3.Connection, id_: bytes, now: float) -> None:
    """Write down that a session was used."""
    write.execute("UPDATE sessions SET seen_s = max(seen_s, ?) WHERE id = ?", [now, id_])


def end_session(write: sqlite3.Connection, id_: bytes) -> None:
    """End one session."""
    write.execute("DELETE FROM sessions WHERE id = ?", [id_])


def end_sessions_of(write: sqlite3.Connection, account: str) -> int:
    """End all sessions of an account and give how many there were."""
    return write.execute("DELETE FROM sessions WHERE account = ?", [account]).rowcount
