"""Passwords: parameters against published ones, which are taken, and that nobody learns which names there are."""

import re
from typing import Literal

import pytest
from argon2 import PasswordHasher
from argon2.low_level import Type
from argon2.profiles import RFC_9106_LOW_MEMORY
from hypothesis import given
from hypothesis import strategies as st

from airwatch.access.errors import AccessError, wait_text
from airwatch.access.passwords import Hasher, check_account_name, check_password, hasher
from airwatch.access.settings import Wait, shipped_settings


def test_parameters_are_the_second_recommended_option_of_rfc_9106_as_the_library_has_it() -> None:
    ours, theirs = shipped_settings().argon2, RFC_9106_LOW_MEMORY
    assert theirs.type is Type.ID
    assert (ours.passes, ours.memory_kib, ours.lanes) == (theirs.time_cost, theirs.memory_cost, theirs.parallelism)
    assert (ours.tag_bytes, ours.salt_bytes) == (theirs.hash_len, theirs.salt_len)
    # RFC 9106 section 4, second option, from memory: t=3, p=4, m=2^16 KiB, 128-bit salt, 256-bit tag.
    assert (ours.passes, ours.lanes, ours.memory_kib, ours.salt_bytes, ours.tag_bytes) == (3, 4, 2**16, 16, 32)


def test_parameters_are_above_the_least_that_owasp_asks_for() -> None:
    ours = shipped_settings().argon2
    # OWASP Password Storage Cheat Sheet, from memory: Argon2id with at least m=19 MiB, t=2, p=1.
    assert ours.memory_kib >= 19 * 1024
    assert ours.passes >= 2
    assert ours.lanes >= 1


def test_a_hash_names_its_parameters_and_two_of_one_password_differ() -> None:
    first, second = hasher().hashed("one password of many"), hasher().hashed("one password of many")
    assert re.match(r"\$argon2id\$v=19\$m=65536,t=3,p=4\$", first)
    assert first != second
    assert hasher().is_right("one password of many", first)
    assert not hasher().is_right("one password of many.", first)
    assert not hasher().is_dated(first)


def test_characters_that_look_the_same_are_the_same() -> None:
    composed, apart = "caf\u00e9 au lait am Morgen", "cafe\u0301 au lait am Morgen"
    assert composed != apart
    kept = hasher().hashed(check_password(apart, account="enno"))
    assert hasher().is_right(composed, kept)


def test_where_there_is_no_account_a_password_is_compared_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    own, seen = Hasher(), list[str]()

    class Watched(PasswordHasher):
        def verify(self, hash: str | bytes, password: str | bytes) -> Literal[True]:  # noqa: A002 as the library has it
            seen.append(str(hash))
            return super().verify(hash, password)

    monkeypatch.setattr(own, "_hasher", Watched())
    assert not own.is_right("nobody has this password", None)  # not even the one that it is compared with
    kept = own.hashed("some password here")
    assert not own.is_right("another password", kept)
    parameters = [re.match(r"\$argon2id\$[^$]+\$[^$]+\$", text)[0].split("$")[3] for text in seen]  # type: ignore[index]
    assert len(seen) == 2
    assert parameters[0] == parameters[1]  # so it takes as long


@pytest.mark.parametrize("kept", ["", "plain", "$argon2id$v=19$m=65536"])
def test_what_is_no_hash_lets_nobody_in(kept: str) -> None:
    assert not hasher().is_right("", kept)


@pytest.mark.parametrize(
    "password",
    ["", "fourteen chars", "a" * 20, "abababababababab", "x" * 1025, "enno enno enno 12345", "11111222223333344444"],
)
def test_short_long_and_easily_guessed_passwords_are_refused(password: str) -> None:
    with pytest.raises(AccessError, match=r"a password has 15 to 1024 characters|easily guessed"):
        check_password(password, account="enno")


def test_a_long_sentence_of_any_characters_is_taken() -> None:
    assert check_password("Die Bremse hält! ☂", account="enno") == "Die Bremse hält! ☂"


@pytest.mark.parametrize("name", ["", "-a", "a b", "a/b", "a" * 65, "airwatch", "AirWatch", "a\n", "ä", "<b>"])
def test_names_that_no_account_can_have(name: str) -> None:
    with pytest.raises(AccessError, match=r"a name is 1 to 64 of"):
        check_account_name(name)


@given(failed=st.integers(0, 10_000), since_s=st.floats(-1e6, 1e6), free=st.integers(0, 20), first_s=st.floats(0.1, 60))
def test_a_wait_is_never_longer_than_the_longest_and_ends(
    failed: int, since_s: float, free: int, first_s: float
) -> None:
    rule = Wait(free, first_s, 900.0, 3600.0)
    wait_s = rule.left_s(failed, since_s)
    assert 0 <= wait_s <= 900.0  # so nobody is kept out for ever, even by a clock that was set back
    assert rule.left_s(failed, max(since_s, 0) + wait_s + 1e-3) == 0
    assert rule.left_s(min(failed, free - 1), since_s) == 0 or free == 0


def test_waits_double() -> None:
    rule = shipped_settings().attempts.account
    assert [rule.left_s(n, 0) for n in (4, 5, 6, 7, 8, 30)] == [0, 10, 20, 40, 80, 900]
    assert rule.left_s(6, 15.0) == 5.0
    assert [wait_text(s) for s in (0.2, 10, 99.1, 900)] == ["1 s", "10 s", "2 minutes", "15 minutes"]
