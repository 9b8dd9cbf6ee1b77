"""Accounts as a test wants them, and how somebody signs in."""

import re
import threading
import warnings
from functools import cache
from pathlib import Path

from argon2 import PasswordHasher

from airwatch.access.fleets import ALL, Fleets
from airwatch.access.passwords import Hasher
from airwatch.access.permissions import Role, TokenScope
from airwatch.store.access.accounts import Account, insert_account
from airwatch.store.access.file import AccessFile
from airwatch.store.access.tokens import insert_token
from dashboards.access.access import Access

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from fastapi.testclient import TestClient

PASSWORD = "a horse walks into a bar"  # noqa: S105 made up
BEGIN = 1_927_000_000.0
NORTH, SOUTH = Fleets(frozenset({"north"})), Fleets(frozenset({"south"}))
PEOPLE: dict[str, tuple[Role, Fleets]] = {
    "vera": ("viewer", NORTH),
    "enno": ("engineer", NORTH),
    "shirin": ("shop", NORTH),
    "adam": ("admin", NORTH),
    "sven": ("engineer", SOUTH),
    "zita": ("admin", ALL),
}


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self, now: float = BEGIN) -> None:
        self.now = now

    def __call__(self) -> float:
        """Give the time."""
        return self.now


class QuickHasher(Hasher):
    """Hashes in no time, for tests in which that is not the point."""

    def __init__(self) -> None:
        self._hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
        self._turns = threading.BoundedSemaphore(2)
        self._nobodys = self._hasher.hash("nobody has this password")


@cache
def quick_hasher() -> QuickHasher:
    """Give the one of all tests."""
    return QuickHasher()


@cache
def hashed() -> str:
    """Give the hash of the one password of all."""
    return quick_hasher().hashed(PASSWORD)


def account(name: str, role: Role, fleets: Fleets) -> Account:
    return Account(name, role, fleets, hashed(), None, None, False, BEGIN, BEGIN, None, None)  # noqa: FBT003


def nobody() -> Access:
    """Give access without any account: open to this computer."""
    return Access(AccessFile.open(None), is_open_here=True)


def peopled(path: Path | None = None, clock: Clock | None = None) -> Access:
    """Give access with the accounts of `PEOPLE`."""
    file = AccessFile.open(path)
    with file.writing() as write:
        for name, (role, fleets) in PEOPLE.items():
            insert_account(write, account(name, role, fleets))
    return Access(file, is_open_here=True, clock=clock or Clock())


def token_of(access: Access, name: str, scope: TokenScope = "admin", fleets: Fleets = ALL) -> str:
    """Make a token of an account and give it."""
    with access.file.writing() as write:
        now = access.clock()
        return insert_token(write, name, now, label="test", scope=scope, fleets=fleets, ends_s=now + 86400)[1]


def bearer(token: str) -> dict[str, str]:
    return {"Authorization": f"Bearer {token}"}


def sign_in(client: TestClient, name: str, password: str = PASSWORD, *, to: str = "/account") -> object:
    """Sign in as a browser does, and give the answer; the client keeps the cookies."""
    if "airwatch-session" in client.cookies:
        client.cookies.delete("airwatch-session")
    key = re.search(r'name="form_key" value="([^"]+)"', client.get("/sign-in").text)
    assert key
    return client.post(
        "/sign-in",
        data={"name": name, "password": password, "form_key": key[1], "next": to},
        follow_redirects=False,
    )


def form_key(client: TestClient) -> str:
    """Give the key that forms of the client's session carry."""
    found = re.search(r'<meta name="form-key" content="([^"]+)">', client.get("/limits").text)
    assert found
    return found[1]
