"""The file of accounts: private, shared by processes, and a trail that is only added to."""

import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest

from airwatch.access.errors import AccessError
from airwatch.errors import StoreError
from airwatch.store.access.accounts import accounts, find_account, insert_account, set_rights
from airwatch.store.access.audit import Source, note, trail
from airwatch.store.access.file import AccessFile, access_path
from airwatch.store.access.sessions import begin_session, find_session
from airwatch.store.access.tokens import find_bearer, insert_token
from tests.dashboards.accounts import BEGIN, NORTH, SOUTH, account

BY = Source("adam", "command", "")


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return access_path(tmp_path / "fleet.duckdb")


def test_it_stands_beside_the_store_for_its_owner_alone_with_its_log(path: Path) -> None:
    assert path.name == "fleet.duckdb.access.sqlite3"
    path.touch(0o644)
    with AccessFile.open(path) as file:
        with file.writing() as write:
            insert_account(write, account("enno", "engineer", NORTH))
        kept = list(path.parent.iterdir())
        assert {f"{path.name}-wal", path.name} <= {one.name for one in kept}
        assert {stat.S_IMODE(one.stat().st_mode) for one in kept} == {0o600}
        assert len(accounts(file)) == 1  # the mode of a connection shows after its first look at the file
        assert file.rows("PRAGMA journal_mode") == [{"journal_mode": "wal"}]
        assert file.rows("PRAGMA foreign_keys") == [{"foreign_keys": 1}]


def test_another_process_adds_an_account_while_it_is_open(path: Path) -> None:
    program = (
        "import sys; from pathlib import Path; from airwatch.store.access.file import AccessFile\n"
        "from airwatch.store.access.accounts import insert_account; from tests.dashboards.accounts import *\n"
        "with AccessFile.open(Path(sys.argv[1])) as file, file.writing() as write:\n"
        "    insert_account(write, account('vera', 'viewer', NORTH))\n"
    )
    with AccessFile.open(path) as file:
        key = file.signing_key()
        subprocess.run([sys.executable, "-c", program, path], check=True, cwd=Path(__file__).parents[2])
        assert [one.name for one in accounts(file)] == ["vera"]
        assert file.signing_key() == key
        assert len(key) == 32


def test_nothing_of_a_transaction_that_fails_stays(path: Path) -> None:
    with AccessFile.open(path) as file:
        with pytest.raises(AccessError, match=r"account ENNO: there is one already"):
            _add_twice(file)
        assert accounts(file) == []
        assert trail(file, page=1, size=9) == []


def _add_twice(file: AccessFile) -> None:
    with file.writing() as write:
        note(write, BEGIN, BY, "account.added", "enno")
        insert_account(write, account("enno", "engineer", NORTH))
        insert_account(write, account("ENNO", "viewer", NORTH))


def test_rows_of_the_trail_are_only_added(path: Path) -> None:
    with AccessFile.open(path) as file:
        with file.writing() as write:
            note(write, BEGIN, BY, "sign-in", "enno", result="refused", detail="x" * 1000)
        for sql in ("UPDATE audit SET who = 'nobody'", "DELETE FROM audit"):
            with pytest.raises(StoreError, match=r"audit rows are only added"), file.writing() as write:
                write.execute(sql)
        (row,) = trail(file, page=1, size=9)
        assert (row["who"], row["result"], len(row["detail"])) == ("adam", "refused", 500)


def test_of_what_lets_somebody_in_only_hashes_are_kept(path: Path) -> None:
    with AccessFile.open(path) as file:
        with file.writing() as write:
            insert_account(write, account("enno", "engineer", NORTH))
            session = begin_session(write, "enno", BEGIN, longest_s=100, address="192.0.2.1")
            _, token = insert_token(write, "enno", BEGIN, label="x", scope="read", fleets=NORTH, ends_s=BEGIN + 100)
        raw = b"".join(one.read_bytes() for one in path.parent.iterdir())
        assert b"enno" in raw
        assert session.encode() not in raw
        assert token.encode() not in raw
        assert find_session(file, session, BEGIN + 1, idle_s=50) is not None
        assert find_bearer(file, token, BEGIN + 1) is not None


@pytest.mark.parametrize(("at_s", "is_good"), [(0, True), (49.9, True), (50, False), (99.9, False), (100, False)])
def test_a_session_ends_unused_or_at_its_end(path: Path, at_s: float, *, is_good: bool) -> None:
    with AccessFile.open(path) as file:
        with file.writing() as write:
            insert_account(write, account("enno", "engineer", NORTH))
            session = begin_session(write, "enno", BEGIN, longest_s=100, address="")
        assert (find_session(file, session, BEGIN + at_s, idle_s=50) is not None) == is_good
        assert (find_session(file, session, BEGIN + at_s, idle_s=1e9) is not None) == (at_s < 100)


def test_a_session_and_a_token_have_the_rights_that_the_account_has_now(path: Path) -> None:
    with AccessFile.open(path) as file:
        with file.writing() as write:
            insert_account(write, account("enno", "engineer", NORTH))
            session = begin_session(write, "enno", BEGIN, longest_s=100, address="")
            _, token = insert_token(write, "enno", BEGIN, label="x", scope="read", fleets=NORTH, ends_s=BEGIN + 100)
            set_rights(write, "Enno", "viewer", SOUTH)
        found, held = find_session(file, session, BEGIN, idle_s=9), find_bearer(file, token, BEGIN)
        assert found is not None
        assert held is not None
        assert (found.role, found.fleets, held.role) == ("viewer", SOUTH, "viewer")
        assert held.account_fleets.common(held.token.fleets).names == frozenset()
        assert find_account(file, "ENNO") == find_account(file, "enno")


def test_a_file_that_is_something_else_or_newer_is_one_line(path: Path) -> None:
    path.write_bytes(b"no database at all, only text " * 100)
    with pytest.raises(StoreError, match=r"can't be opened as a file of accounts"):
        AccessFile.open(path)
    path.unlink()
    AccessFile.open(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute("PRAGMA user_version = 99")
    raw.close()
    with pytest.raises(StoreError, match=r"accounts have schema 99, this airwatch knows 1; use a newer airwatch"):
        AccessFile.open(path)
    with pytest.raises(StoreError, match=r"can't be opened"):
        AccessFile.open(path / "no" / "such")
