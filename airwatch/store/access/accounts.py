"""Accounts as they are kept."""

import sqlite3
from dataclasses import dataclass
from typing import Any

from airwatch.access.errors import AccessError
from airwatch.access.fleets import ALL, Fleets
from airwatch.access.permissions import Role
from airwatch.store.access.file import AccessFile

_COLUMNS = (
    "name, role, sees_all, password, issuer, subject, is_disabled, made_s, password_s, pressure, zone,"
    " (SELECT group_concat(fleet, ' ') FROM account_fleets WHERE account = name) AS fleets"
)


@dataclass(frozen=True, slots=True)
class Account:
    """One account; ``password`` is a hash, None where somebody signs in at the identity provider only."""

    name: str
    role: Role
    fleets: Fleets
    password: str | None
    issuer: str | None
    subject: str | None
    is_disabled: bool
    made_s: float
    password_s: float | None
    pressure: str | None
    zone: str | None


def accounts(file: AccessFile) -> list[Account]:
    """Give all accounts by name."""
    return [_account(row) for row in file.rows(f"SELECT {_COLUMNS} FROM accounts ORDER BY name")]


def find_account(file: AccessFile, name: str) -> Account | None:
    """Give one account, None if there is none of this name (capitals and small letters are the same)."""
    rows = file.rows(f"SELECT {_COLUMNS} FROM accounts WHERE name = ?", [name])
    return _account(rows[0]) if rows else None


def find_account_at(file: AccessFile, issuer: str, subject: str) -> Account | None:
    """Give the account of somebody at an identity provider, None if there is none."""
    rows = file.rows(f"SELECT {_COLUMNS} FROM accounts WHERE issuer = ? AND subject = ?", [issuer, subject])
    return _account(rows[0]) if rows else None


def has_accounts(file: AccessFile) -> bool:
    """Tell whether there is any account, disabled ones included."""
    return bool(file.rows("SELECT EXISTS (SELECT 1 FROM accounts) AS there")[0]["there"])


def has_admin(file: AccessFile) -> bool:
    """Tell whether somebody can administer."""
    sql = "SELECT EXISTS (SELECT 1 FROM accounts WHERE role = 'admin' AND is_disabled = 0) AS there"
    return bool(file.rows(sql)[0]["there"])


def insert_account(write: sqlite3.Connection, account: Account) -> None:
    """Add an account.

    Raises
    ------
    AccessError
        There is one of this name, or of this subject at the identity provider.
    """
    try:
        write.execute(
            "INSERT INTO accounts (name, role, sees_all, password, issuer, subject, is_disabled, made_s, password_s,"
            " pressure, zone) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [
                account.name, account.role, account.fleets.are_all, account.password, account.issuer, account.subject,
                account.is_disabled, account.made_s, account.password_s, account.pressure, account.zone,
            ],
        )  # fmt: skip
    except sqlite3.IntegrityError as err:
        raise AccessError(f"account {account.name}: there is one already; choose another name") from err
    _put_fleets(write, account.name, account.fleets)


def set_rights(write: sqlite3.Connection, name: str, role: Role, fleets: Fleets) -> None:
    """Put role and fleets in place of those that an account has."""
    write.execute("UPDATE accounts SET role = ?, sees_all = ? WHERE name = ?", [role, fleets.are_all, name])
    write.execute("DELETE FROM account_fleets WHERE account = ?", [name])
    _put_fleets(write, name, fleets)


def set_password(write: sqlite3.Connection, name: str, password: str, now: float) -> None:
    """Put the hash of a new password in place."""
    write.execute("UPDATE accounts SET password = ?, password_s = ? WHERE name = ?", [password, now, name])


def set_rehashed(write: sqlite3.Connection, name: str, before: str, password: str) -> None:
    """Put a newer hash of the same password in place, unless it has been changed meanwhile."""
    write.execute("UPDATE accounts SET password = ? WHERE name = ? AND password = ?", [password, name, before])


def set_disabled(write: sqlite3.Connection, name: str, *, is_disabled: bool) -> None:
    """Shut an account out, or let it in again."""
    write.execute("UPDATE accounts SET is_disabled = ? WHERE name = ?", [is_disabled, name])


def set_preferences(write: sqlite3.Connection, name: str, pressure: str | None, zone: str | None) -> None:
    """Keep in which unit of pressure and time zone somebody wants to read."""
    write.execute("UPDATE accounts SET pressure = ?, zone = ? WHERE name = ?", [pressure, zone, name])


def _put_fleets(write: sqlite3.Connection, name: str, fleets: Fleets) -> None:
    rows = [(name, fleet) for fleet in sorted(fleets.names or ())]
    write.executemany("INSERT INTO account_fleets (account, fleet) VALUES (?, ?)", rows)


def _account(row: dict[str, Any]) -> Account:
    return Account(
        name=row["name"],
        role=row["role"],
        fleets=fleets_of(row["sees_all"], row["fleets"]),
        password=row["password"],
        issuer=row["issuer"],
        subject=row["subject"],
        is_disabled=bool(row["is_disabled"]),
        made_s=row["made_s"],
        password_s=row["password_s"],
        pressure=row["pressure"],
        zone=row["zone"],
    )


def fleets_of(sees_all: int, names: str | None) -> Fleets:
    """Give fleets as rows have them: a flag for all, and names with blanks between."""
    return ALL if sees_all else Fleets(frozenset((names or "").split()))
