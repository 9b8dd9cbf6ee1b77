"""`airwatch account`: who may sign in."""

import getpass
import sys
import time
from datetime import UTC, datetime
from pathlib import Path

import click

from airwatch.access.errors import AccessError
from airwatch.access.fleets import ALL, Fleets
from airwatch.access.permissions import ROLES, Role
from airwatch.cli import options
from airwatch.errors import StoreError
from airwatch.store.access import accounts as kept
from airwatch.store.access.audit import Source, count_trail, trail
from airwatch.store.access.file import AccessFile, access_path
from airwatch.store.access.tokens import tokens
from pipelines import accounts

_ROLE = click.option("--role", type=click.Choice(ROLES), required=True, help="What it may do.")
_FLEETS = click.option("--fleet", "fleets", multiple=True, help="A fleet that it sees; may be given several times.")
_ALL = click.option("--all-fleets", is_flag=True, help="It sees all fleets, those to come included.")


@click.group()
def account() -> None:
    """Say who may sign in to the pages and the API of a store; also while they are served.

    Passwords are asked for, or read from standard input: one line.
    """


@account.command("add")
@click.argument("name")
@options.db
@_ROLE
@_FLEETS
@_ALL
def add(name: str, db: Path, role: Role, fleets: tuple[str, ...], *, all_fleets: bool) -> None:
    """Make an account."""
    chosen = _chosen(fleets, all_fleets=all_fleets)
    with AccessFile.open(access_path(db)) as file:
        accounts.add_account(
            file, _source(), time.time(), name=name, role=role, fleets=chosen, password=_ask_password(name)
        )
    click.echo(f"account {name}: {role}, fleets {chosen}")


@account.command("list")
@options.db
def list_(db: Path) -> None:
    """List accounts and their tokens that open something."""
    with _opened(db) as file:
        now = time.time()
        for one in kept.accounts(file):
            state = ", disabled" if one.is_disabled else ""
            signs_in = f", signs in at {one.issuer}" if one.issuer else ""
            click.echo(f"{one.name}: {one.role}, fleets {one.fleets}{state}{signs_in}")
            for token in tokens(file, one.name):
                if token.is_good(now):
                    ends = datetime.fromtimestamp(token.ends_s, UTC)
                    click.echo(
                        f"  token {token.id} {token.scope}, fleets {token.fleets}, until {ends:%Y-%m-%d}: {token.label}"
                    )


@account.command("password")
@click.argument("name")
@options.db
def password(name: str, db: Path) -> None:
    """Set a new password; every session of the account ends."""
    with _opened(db) as file:
        accounts.require_account(file, name)
        accounts.change_password(file, _source(), time.time(), name=name, password=_ask_password(name))
    click.echo(f"account {name}: the new password counts from now on, and it is signed out everywhere")


@account.command("grant")
@click.argument("name")
@options.db
@_ROLE
@_FLEETS
@_ALL
def grant(name: str, db: Path, role: Role, fleets: tuple[str, ...], *, all_fleets: bool) -> None:
    """Give an account another role and other fleets, in place of those it has."""
    chosen = _chosen(fleets, all_fleets=all_fleets)
    with _opened(db) as file:
        accounts.change_rights(file, _source(), time.time(), name=name, role=role, fleets=chosen)
    click.echo(f"account {name}: {role}, fleets {chosen}")


@account.command("disable")
@click.argument("name")
@options.db
def disable(name: str, db: Path) -> None:
    """Shut an account out: its sessions end, its tokens are revoked."""
    with _opened(db) as file:
        accounts.shut_out(file, _source(), time.time(), name=name)
    click.echo(f"account {name}: disabled")


@account.command("enable")
@click.argument("name")
@options.db
def enable(name: str, db: Path) -> None:
    """Let an account in again; revoked tokens stay revoked."""
    with _opened(db) as file:
        accounts.let_in(file, _source(), time.time(), name=name)
    click.echo(f"account {name}: enabled")


@account.command("revoke")
@click.argument("token")
@options.db
def revoke(token: str, db: Path) -> None:
    """Revoke a token by its id."""
    with _opened(db) as file:
        accounts.revoke_token(file, _source(), time.time(), id_=token, account=None)
    click.echo(f"token {token}: revoked")


@account.command("audit")
@options.db
@click.option("--who", default="", help="Only what this account did.")
@click.option("-n", "most", default=50, show_default=True, type=click.IntRange(1, 100_000), help="The newest so many.")
def audit(db: Path, who: str, most: int) -> None:
    """List who did what, when and from where, newest first."""
    with _opened(db) as file:
        for row in trail(file, page=1, size=most, who=who):
            at = datetime.fromtimestamp(row["at_s"], UTC)
            words = [row[name] for name in ("who", "via", "address", "action", "what", "result", "detail")]
            click.echo(f"{at:%Y-%m-%d %H:%M:%S}Z  " + "  ".join(_printable(word) for word in words if word))
        if (left := count_trail(file, who=who) - most) > 0:
            click.echo(f"and {left} older ones; -n shows more")


def _opened(db: Path) -> AccessFile:
    path = access_path(db)
    if not path.exists():
        raise StoreError(
            f"{path}: there are no accounts yet; make one: airwatch account add NAME --role admin --db {db}"
        )
    return AccessFile.open(path)


def _chosen(fleets: tuple[str, ...], *, all_fleets: bool) -> Fleets:
    if all_fleets == bool(fleets):
        raise click.UsageError("Say what it sees: --fleet NAME, several times if need be, or --all-fleets.")
    return ALL if all_fleets else Fleets.of(fleets)


def _ask_password(name: str) -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass(f"Password for {name}: ")
    if getpass.getpass("Once more: ") != first:
        raise AccessError("the password was typed in two ways; nothing is changed, try again")
    return first


def _source() -> Source:
    return Source(getpass.getuser(), "command", "")


def _printable(text: str) -> str:
    return "".join(c if c.isprintable() else "?" for c in text)
