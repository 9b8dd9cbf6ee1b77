"""Passwords: which are taken, and how they are hashed and compared."""

import re
import threading
import unicodedata
from functools import cache

from argon2 import PasswordHasher, Type
from argon2.exceptions import InvalidHashError, VerificationError

from airwatch.access.errors import AccessError
from airwatch.access.settings import shipped_settings

_ACCOUNT = re.compile(r"[A-Za-z0-9][A-Za-z0-9._@+-]{0,63}")


def check_account_name(name: str) -> str:
    """Give a name that an account may have.

    Raises
    ------
    AccessError
        It is another.
    """
    if not _ACCOUNT.fullmatch(name) or name.lower() == "airwatch":
        raise AccessError(
            f"account {name[:70]!r}: a name is 1 to 64 of A-Z a-z 0-9 . _ @ + -, begins with a letter or digit, and is"
            " not airwatch, which stands for changes that readings made"
        )
    return name


def check_password(password: str, *, account: str) -> str:
    """Give a password as it is hashed (Unicode NFKC), if it is one that is taken.

    Raises
    ------
    AccessError
        It is too short, too long, or easily guessed.
    """
    rule = shipped_settings().password
    plain = unicodedata.normalize("NFKC", password)
    if not rule.fewest_characters <= len(plain) <= rule.most_characters:
        raise AccessError(
            f"a password has {rule.fewest_characters} to {rule.most_characters} characters, this one {len(plain)};"
            " a sentence is easily remembered"
        )
    if len(set(plain)) < rule.fewest_different or not plain.lower().replace(account.lower(), "").strip("0123456789 "):
        raise AccessError(
            "this password is easily guessed (few different characters, or the account's name); choose another"
        )
    return plain


class Hasher:
    """Hashes and compares passwords, a few at a time: each takes tens of megabytes."""

    def __init__(self) -> None:
        numbers = shipped_settings().argon2
        self._hasher = PasswordHasher(
            time_cost=numbers.passes,
            memory_cost=numbers.memory_kib,
            parallelism=numbers.lanes,
            hash_len=numbers.tag_bytes,
            salt_len=numbers.salt_bytes,
            type=Type.ID,
        )
        self._turns = threading.BoundedSemaphore(numbers.at_once)
        self._nobodys = self._hasher.hash("nobody has this password")

    def hashed(self, password: str) -> str:
        """Give the hash of a password that `check_password` gave, with its salt and parameters (PHC string)."""
        with self._turns:
            return self._hasher.hash(password)

    def is_right(self, password: str, kept: str | None) -> bool:
        """Tell whether a password is the one of a hash; None (no such account) takes as long and is never right."""
        plain = unicodedata.normalize("NFKC", password)
        with self._turns:
            try:
                same = self._hasher.verify(kept or self._nobodys, plain)
            except (VerificationError, InvalidHashError):
                return False
        return same and kept is not None

    def is_dated(self, kept: str) -> bool:
        """Tell whether a hash was made with other parameters than are used now."""
        return self._hasher.check_needs_rehash(kept)


@cache
def hasher() -> Hasher:
    """Give the one hasher of this process."""
    return Hasher()
