"""Tokens with which programs ask the API."""

import secrets
import sqlite3
from dataclasses import dataclass
from typing import Any

from airwatch.access.fleets import Fleets
from airwatch.access.permissions import Role, TokenScope
from airwatch.store.access.accounts import fleets_of
from airwatch.store.access.file import AccessFile
from airwatch.store.access.sessions import hash_of

PREFIX = "airwatch_"
"""Tells people, and programs that look for secrets in files, what it is."""

_COLUMNS = (
    "t.id, t.account, t.label, t.scope, t.sees_all, t.made_s, t.ends_s, t.revoked_s, t.used_s, t.used_from,"
    " (SELECT group_concat(fleet, ' ') FROM token_fleets WHERE token = t.id) AS fleets"
)


@dataclass(frozen=True, slots=True)
class Token:
    """One token as it is listed; its fleets are those of them that its account has."""

    id: str
    account: str
    label: str
    scope: TokenScope
    fleets: Fleets
    made_s: float
    ends_s: float
    revoked_s: float | None
    used_s: float | None
    used_from: str | None

    def is_good(self, now: float) -> bool:
        """Tell whether it still opens anything."""
        return self.revoked_s is None and now < self.ends_s


@dataclass(frozen=True, slots=True)
class Bearer:
    """A token that is good now, and its account's rights as they are now."""

    token: Token
    role: Role
    account_fleets: Fleets


def insert_token(
    write: sqlite3.Connection, account: str, now: float, *, label: str, scope: TokenScope, fleets: Fleets, ends_s: float
) -> tuple[str, str]:
    """Add a token and give its id and itself; the latter is kept nowhere."""
    id_ = secrets.token_hex(6)
    whole = f"{PREFIX}{id_}_{secrets.token_urlsafe(32)}"
    write.execute(
        "INSERT INTO tokens (id, secret, account, label, scope, sees_all, made_s, ends_s)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [id_, hash_of(whole), account, label, scope, fleets.are_all, now, ends_s],
    )
    rows = [(id_, fleet) for fleet in sorted(fleets.names or ())]
    write.executemany("INSERT INTO token_fleets (token, fleet) VALUES (?, ?)", rows)
    return id_, whole


def find_bearer(file: AccessFile, whole: str, now: float) -> Bearer | None:
    """Give the token, None if it is unknown, over or revoked, or its account is shut out."""
    rows = file.rows(
        f"SELECT {_COLUMNS}, a.role, a.sees_all AS account_sees_all,"
        " (SELECT group_concat(fleet, ' ') FROM account_fleets WHERE account = a.name) AS account_fleets"
        " FROM tokens AS t JOIN accounts AS a ON a.name = t.account"
        " WHERE t.secret = ? AND t.revoked_s IS NULL AND t.ends_s > ? AND a.is_disabled = 0",
        [hash_of(whole), now],
    )
    if not rows:
        return None
    row = rows[0]
    return Bearer(_token(row), row["role"], fleets_of(row["account_sees_all"], row["account_fleets"]))


def tokens(file: AccessFile, account: str | None = None) -> list[Token]:
    """Give the tokens of an account, or of all, newest first."""
    sql = f"SELECT {_COLUMNS} FROM tokens AS t WHERE ?1 IS NULL OR t.account = ?1 ORDER BY t.made_s DESC, t.id"
    return [_token(row) for row in file.rows(sql, [account])]


def find_token(file: AccessFile, id_: str) -> Token | None:
    """Give one token by its id, None if there is none."""
    rows = file.rows(f"SELECT {_COLUMNS} FROM tokens AS t WHERE t.id = ?", [id_])
    return _token(rows[0]) if rows else None


def note_used(write: sqlite3.Connection, id_: str, now: float, address: str) -> None:
    """Write down when and from where a token was used last."""
    write.execute("UPDATE tokens SET used_s = ?, used_from = ? WHERE id = ?", [now, address, id_])


def revoke_token(write: sqlite3.Connection, id_: str, now: float) -> None:
    """Make a token open nothing any more."""
    write.execute("UPDATE tokens SET revoked_s = ? WHERE id = ? AND revoked_s IS NULL", [now, id_])


def revoke_tokens_of(write: sqlite3.Connection, account: str, now: float) -> int:
    """Do the same to all tokens of an account and give how many were good."""
    sql = "UPDATE tokens SET revoked_s = ? WHERE account = ? AND revoked_s IS NULL AND ends_s > ?"
    return write.execute(sql, [now, account, now]).rowcount


def _token(row: dict[str, Any]) -> Token:
    fleets = fleets_of(row["sees_all"], row["fleets"])
    return Token(
        row["id"], row["account"], row["label"], row["scope"], fleets, row["made_s"], row["ends_s"], row["revoked_s"],
        row["used_s"], row["used_from"],
    )  # fmt: skip
