"""What command line and pages do with accounts and tokens; each change leaves a row in the audit trail."""

from datetime import timedelta

from airwatch.access.caller import Caller
from airwatch.access.errors import AccessError
from airwatch.access.fleets import Fleets
from airwatch.access.passwords import check_account_name, check_password, hasher
from airwatch.access.permissions import TOKEN_SCOPES, Role, TokenScope
from airwatch.access.settings import shipped_settings
from airwatch.store.access import accounts as kept
from airwatch.store.access import sessions, tokens
from airwatch.store.access.accounts import Account
from airwatch.store.access.audit import Source, note
from airwatch.store.access.file import AccessFile

_LABEL = 100


def require_account(file: AccessFile, name: str) -> Account:
    """Give an account.

    Raises
    ------
    AccessError
        There is none of this name.
    """
    if (found := kept.find_account(file, name)) is None:
        raise AccessError(f"account {name[:70]}: there is none of this name; see airwatch account list")
    return found


def add_account(
    file: AccessFile, by: Source, now: float, *, name: str, role: Role, fleets: Fleets, password: str
) -> Account:
    """Make an account.

    Raises
    ------
    AccessError
        The name is taken or can't be one, or the password is not taken.
    """
    plain = check_password(password, account=check_account_name(name))
    account = Account(
        name=name, role=role, fleets=fleets, password=hasher().hashed(plain), issuer=None, subject=None,
        is_disabled=False, made_s=now, password_s=now, pressure=None, zone=None,
    )  # fmt: skip
    with file.writing() as write:
        kept.insert_account(write, account)
        note(write, now, by, "account.added", name, detail=f"{role}, fleets {fleets}")
    return account


def change_password(file: AccessFile, by: Source, now: float, *, name: str, password: str) -> None:
    """Set a new password, and end every session of the account: whoever knew the old one is out.

    Raises
    ------
    AccessError
        There is no such account, it signs in elsewhere, or the password is not taken.
    """
    account = require_account(file, name)
    if account.issuer is not None:
        raise AccessError(f"account {name}: it signs in at {account.issuer}; its password is changed there")
    hashed = hasher().hashed(check_password(password, account=account.name))
    with file.writing() as write:
        kept.set_password(write, account.name, hashed, now)
        ended = sessions.end_sessions_of(write, account.name)
        note(write, now, by, "account.password", account.name, detail=f"{ended} sessions ended")


def change_rights(file: AccessFile, by: Source, now: float, *, name: str, role: Role, fleets: Fleets) -> None:
    """Give an account another role or other fleets; they count from its next request on.

    Raises
    ------
    AccessError
        There is no such account, or it is the last that can administer.
    """
    account = require_account(file, name)
    with file.writing() as write:
        if role != "admin":
            _keep_an_admin(file, account)
        kept.set_rights(write, account.name, role, fleets)
        before = f"{account.role}, fleets {account.fleets}"
        note(write, now, by, "account.rights", account.name, detail=f"{before} -> {role}, fleets {fleets}")


def shut_out(file: AccessFile, by: Source, now: float, *, name: str) -> None:
    """Disable an account: its sessions end and its tokens are revoked.

    Raises
    ------
    AccessError
        There is no such account, or it is the last that can administer.
    """
    account = require_account(file, name)
    with file.writing() as write:
        _keep_an_admin(file, account)
        kept.set_disabled(write, account.name, is_disabled=True)
        ended = sessions.end_sessions_of(write, account.name)
        revoked = tokens.revoke_tokens_of(write, account.name, now)
        detail = f"{ended} sessions ended, {revoked} tokens revoked"
        note(write, now, by, "account.disabled", account.name, detail=detail)


def let_in(file: AccessFile, by: Source, now: float, *, name: str) -> None:
    """Enable an account again; revoked tokens stay revoked.

    Raises
    ------
    AccessError
        There is no such account.
    """
    account = require_account(file, name)
    with file.writing() as write:
        kept.set_disabled(write, account.name, is_disabled=False)
        note(write, now, by, "account.enabled", account.name)


def make_token(
    file: AccessFile,
    by: Source,
    now: float,
    *,
    caller: Caller,
    label: str,
    scope: TokenScope,
    fleets: Fleets,
    days: int | None,
) -> tuple[str, str]:
    """Make a token of the caller's account, no wider than what it is made with, and give its id and itself.

    Raises
    ------
    AccessError
        It would be wider or last longer, or has no label.
    """
    rule = shipped_settings().token
    days = rule.usual_days if days is None else days
    if not label.strip() or len(label) > _LABEL or not label.isprintable():
        raise AccessError(f"a token needs a label of 1 to {_LABEL} characters that says what uses it")
    if not 1 <= days <= rule.longest_days:
        raise AccessError(f"days: a token lasts 1 to {rule.longest_days} days; got {days}")
    if not fleets.within(caller.fleets) or TOKEN_SCOPES.index(scope) > TOKEN_SCOPES.index(caller.scope):
        raise AccessError(f"a token can't be wider than what it is made with: {caller.scope}, fleets {caller.fleets}")
    ends_s = now + timedelta(days=days).total_seconds()
    if caller.until is not None:
        ends_s = min(ends_s, caller.until)
    with file.writing() as write:
        id_, whole = tokens.insert_token(
            write, caller.name, now, label=label.strip(), scope=scope, fleets=fleets, ends_s=ends_s
        )
        note(write, now, by, "token.made", id_, detail=f"{scope}, fleets {fleets}, {days} days: {label.strip()}")
    return id_, whole


def revoke_token(file: AccessFile, by: Source, now: float, *, id_: str, account: str | None) -> None:
    """Revoke a token, of one account where it is named.

    Raises
    ------
    AccessError
        There is no such token.
    """
    found = tokens.find_token(file, id_)
    if found is None or (account is not None and found.account.lower() != account.lower()):
        raise AccessError(f"token {id_[:40]}: there is none of this id")
    with file.writing() as write:
        tokens.revoke_token(write, id_, now)
        note(write, now, by, "token.revoked", id_, detail=f"of {found.account}: {found.label}")


def take_in(
    file: AccessFile,
    now: float,
    *,
    issuer: str,
    subject: str,
    name: str,
    role: Role,
    fleets: Fleets,
    address: str,
) -> Account:
    """Give the account of somebody whom an identity provider vouches for, made or brought up to date with what it says.

    Raises
    ------
    AccessError
        The account is disabled, or the name is that of another account.
    """
    by = Source(name[:64], "sign-in", address)
    if (known := kept.find_account_at(file, issuer, subject)) is None:
        account = Account(
            name=check_account_name(name), role=role, fleets=fleets, password=None, issuer=issuer, subject=subject,
            is_disabled=False, made_s=now, password_s=None, pressure=None, zone=None,
        )  # fmt: skip
        with file.writing() as write:
            kept.insert_account(write, account)
            note(write, now, by, "account.added", name, detail=f"{role}, fleets {fleets}, signs in at {issuer}")
        return account
    if known.is_disabled:
        raise AccessError(f"account {known.name}: it is disabled; ask who runs airwatch")
    if (known.role, known.fleets) != (role, fleets):
        with file.writing() as write:
            kept.set_rights(write, known.name, role, fleets)
            before = f"{known.role}, fleets {known.fleets}"
            note(write, now, by, "account.rights", known.name, detail=f"{before} -> {role}, fleets {fleets}")
    return known


def note_refused(file: AccessFile, now: float, *, address: str, why: str) -> None:
    """Write down that somebody came from an identity provider and was not taken in."""
    with file.writing() as write:
        note(write, now, Source("(provider)", "sign-in", address), "sign-in", result="refused", detail=why)


def _keep_an_admin(file: AccessFile, account: Account) -> None:
    """Refuse what would leave nobody to administer; within the transaction, so that two can't do it to each other."""
    others = [
        one for one in kept.accounts(file) if one.role == "admin" and not one.is_disabled and one.name != account.name
    ]
    if account.role == "admin" and not account.is_disabled and not others:
        raise AccessError(f"account {account.name}: it is the last that can administer; make another admin first")
