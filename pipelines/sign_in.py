"""Signing in: a password is looked at, slowly for whoever fails, and a session begins."""

import secrets
from ipaddress import IPv6Address, ip_address, ip_network

from airwatch.access.errors import AccessError, WaitError
from airwatch.access.passwords import hasher
from airwatch.access.settings import Wait, shipped_settings
from airwatch.store.access import attempts, sessions
from airwatch.store.access.accounts import Account, find_account, set_rehashed
from airwatch.store.access.audit import Source, note
from airwatch.store.access.file import AccessFile, Connection

REFUSED = "Name or password is wrong, or the account is disabled."
"""The same for all three, so that nobody learns which names there are."""


def check_sign_in(
    file: AccessFile, now: float, *, name: str, password: str, address: str, device: str | None
) -> Account:
    """Give the account of whoever knows its password.

    Parameters
    ----------
    file : AccessFile
        Accounts.
    now : float
        Seconds since 1970.
    name, password : str
        As given.
    address : str
        Where the attempt comes from.
    device : str, optional
        What marks the browser as one from which this account was signed in before.

    Raises
    ------
    WaitError
        Too many attempts failed; this one was not looked at.
    AccessError
        Refused; the text is `REFUSED`.
    """
    rules = shipped_settings().attempts
    whose = name.strip().lower()[:64]
    own = f"device:{whose}:{device}" if device else f"account:{whose}"
    from_ = f"address:{network_of(address)}"
    buckets: dict[str, Wait] = {own: rules.known_device if device else rules.account, from_: rules.address}
    with file.writing() as write:
        attempts.clear_old(write, now, max(rule.forget_s for rule in buckets.values()))
        if (wait_s := attempts.longest_wait_s(write, now, buckets)) > 0:
            raise WaitError(wait_s)  # leaves no row: the failures that led to it did, and anybody can ask without end
        attempts.count_failure(write, now, buckets)
    account = find_account(file, name.strip())
    kept = None if account is None else account.password
    is_right = hasher().is_right(password[: shipped_settings().password.most_characters + 1], kept)
    if account is None or kept is None or not is_right or account.is_disabled:
        _note_refusal(file, now, account, address)
        raise AccessError(REFUSED)
    rehashed = hasher().hashed(password) if hasher().is_dated(kept) else None
    with file.writing() as write:
        attempts.forget(write, own)
        attempts.take_back(write, from_)
        if rehashed is not None:
            set_rehashed(write, account.name, kept, rehashed)
    return account


def begin(file: AccessFile, now: float, *, account: Account, address: str, ends: bytes | None) -> str:
    """Begin a session and give its id; the session that the browser had (``ends``) ends with that.

    Raises
    ------
    AccessError
        Meanwhile the account was disabled or its password changed.
    """
    with file.writing() as write:
        present = find_account(file, account.name)
        if present is None or present.is_disabled or present.password_s != account.password_s:
            raise AccessError(REFUSED)
        if ends is not None:
            sessions.end_session(write, ends)
        note(write, now, Source(account.name, "sign-in", address), "sign-in", account.name)
        return _session(write, now, account.name, address)


def sign_out(file: AccessFile, now: float, *, session: bytes, source: Source) -> None:
    """End a session."""
    with file.writing() as write:
        sessions.end_session(write, session)
        note(write, now, source, "sign-out", source.who)


def new_device() -> str:
    """Draw what marks a browser as one from which an account was signed in."""
    return secrets.token_urlsafe(12)


def network_of(address: str) -> str:
    """Give what counts as one address: an IPv6 customer has a /64 to choose from."""
    try:
        found = ip_address(address)
    except ValueError:
        return address
    return str(ip_network((found, 64), strict=False)) if isinstance(found, IPv6Address) else address


def _session(write: Connection, now: float, account: str, address: str) -> str:
    return sessions.begin_session(write, account, now, longest_s=shipped_settings().session.longest_s, address=address)


def _note_refusal(file: AccessFile, now: float, account: Account | None, address: str) -> None:
    """Write down a failed attempt; a name that no account has is not kept: people type passwords there by mistake."""
    name = "(no such account)" if account is None else account.name
    why = "no such account" if account is None else "disabled" if account.is_disabled else "wrong password"
    with file.writing() as write:
        note(write, now, Source(name, "sign-in", address), "sign-in", name, result="refused", detail=why)
