"""`airwatch account`, and that `airwatch serve` does not open to others what nobody could sign in to."""

import io
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from airwatch.store.access.file import AccessFile, access_path
from dashboards.errors import PagesError
from dashboards.server import Where, check_where
from tests.conftest import Command, Done

PASSWORD = "a horse walks into a bar"  # noqa: S105 made up
LISTENS_TO_ALL = "0.0.0.0"  # noqa: S104 that is the point


@pytest.fixture
def account(command: Command, monkeypatch: pytest.MonkeyPatch) -> Command:
    def run(*arguments: object, said: str = "") -> Done:
        monkeypatch.setattr(sys, "stdin", io.StringIO(said))
        return command("account", *arguments, "--db", "f.duckdb")

    return run


def test_accounts_are_made_listed_changed_and_shut_out(account: Command, tmp_path: Path) -> None:
    assert account("add", "adam", "--role", "admin", "--all-fleets", said=f"{PASSWORD}\n").status == 0
    made = account("add", "enno", "--role", "engineer", "--fleet", "north", "--fleet", "east", said=f"{PASSWORD}\n")
    assert (made.status, made.out.decode()) == (0, "account enno: engineer, fleets east, north\n")
    assert not (tmp_path / "f.duckdb").exists()  # the store is another process's business
    assert account("grant", "enno", "--role", "viewer", "--fleet", "west").status == 0
    assert account("password", "enno", said="another horse in another bar\n").status == 0
    assert account("disable", "enno").status == 0
    listed = account("list").out.decode()
    assert listed == "adam: admin, fleets all\nenno: viewer, fleets west, disabled\n"
    assert account("enable", "enno").status == 0
    lines = account("audit").out.decode().splitlines()
    assert [re.split(r"  ", line)[3] for line in lines] == [
        "account.enabled",
        "account.disabled",
        "account.password",
        "account.rights",
        "account.added",
        "account.added",
    ]
    assert "and 4 older ones" in account("audit", "-n", "2").out.decode()


@pytest.mark.parametrize(
    ("arguments", "said", "status", "why"),
    [
        (["add", "a", "--role", "viewer"], PASSWORD, 2, "Say what it sees"),
        (["add", "a", "--role", "viewer", "--fleet", "x", "--all-fleets"], PASSWORD, 2, "Say what it sees"),
        (["add", "a", "--role", "boss", "--all-fleets"], PASSWORD, 2, "'boss' is not one of"),
        (["add", "a", "--role", "viewer", "--all-fleets", "--password", PASSWORD], PASSWORD, 2, "No such option"),
        (["add", "a", "--role", "viewer", "--all-fleets"], "short", 1, "a password has 15 to 1024 characters"),
        (["add", "a", "--role", "viewer", "--all-fleets"], "", 1, "a password has 15"),
        (["add", "a b", "--role", "viewer", "--all-fleets"], PASSWORD, 1, "a name is 1 to 64 of"),
        (["add", "a", "--role", "viewer", "--fleet", "n s"], PASSWORD, 1, "a fleet's name is 1 to 64 of"),
        (["add", "ADAM", "--role", "viewer", "--all-fleets"], PASSWORD, 1, "there is one already"),
        (["password", "nobody"], PASSWORD, 1, "account nobody: there is none of this name"),
        (["disable", "adam"], "", 1, "it is the last that can administer"),
        (["grant", "adam", "--role", "viewer", "--all-fleets"], "", 1, "it is the last that can administer"),
        (["revoke", "none"], "", 1, "token none: there is none of this id"),
    ],
)
def test_what_can_not_be_done_is_one_line(
    account: Command, arguments: list[str], said: str, status: int, why: str
) -> None:
    account("add", "adam", "--role", "admin", "--all-fleets", said=PASSWORD)
    done = account(*arguments, said=said)
    assert (done.status, why in done.error) == (status, True), done.error
    assert status == 2 or done.error.count("\n") == 1


def test_without_accounts_the_command_to_make_one_is_named(account: Command) -> None:
    done = account("list")
    assert done.status == 1
    assert "airwatch account add NAME --role admin --db f.duckdb" in done.error


def test_a_password_typed_at_a_terminal_is_asked_for_twice_and_not_shown(tmp_path: Path) -> None:
    command = [str(Path(sys.executable).with_name("airwatch")), "account", "add", "adam", "--role", "admin"]
    terminal, theirs = os.openpty()
    with subprocess.Popen(
        [*command, "--all-fleets", "--db", tmp_path / "f.duckdb"],
        stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, env={**os.environ},
    ) as process:  # fmt: skip
        os.close(theirs)
        heard = b""
        for question in (b"Password for adam: ", b"Once more: "):
            while question not in heard:
                heard += os.read(terminal, 1000)
            os.write(terminal, PASSWORD.encode() + b"\n")
        while b"fleets all" not in heard:
            heard += os.read(terminal, 1000)
        assert process.wait(60) == 0
    os.close(terminal)
    assert PASSWORD.encode() not in heard


def test_serving_others_needs_an_admin_and_tls_and_says_the_command(account: Command, tmp_path: Path) -> None:
    db = tmp_path / "f.duckdb"
    with AccessFile.open(access_path(db)) as file:
        with pytest.raises(PagesError, match=rf"no admin account; make one: airwatch account add NAME .* --db {db}"):
            check_where(file, Where(LISTENS_TO_ALL, proxies=("127.0.0.1",)), db)
        check_where(file, Where(), db)
        account("add", "vera", "--role", "viewer", "--all-fleets", said=PASSWORD)
        with pytest.raises(PagesError, match=r"no admin account"):
            check_where(file, Where(LISTENS_TO_ALL, proxies=("127.0.0.1",)), db)
        account("add", "adam", "--role", "admin", "--all-fleets", said=PASSWORD)
        with pytest.raises(PagesError, match=r"in the clear; give --tls-cert and --tls-key, or --proxy"):
            check_where(file, Where(LISTENS_TO_ALL), db)
        check_where(file, Where(LISTENS_TO_ALL, proxies=("127.0.0.1",)), db)
        check_where(file, Where(LISTENS_TO_ALL, certificate=db, key=db), db)
        with pytest.raises(PagesError, match=r"a certificate needs its key"):
            check_where(file, Where(certificate=db), db)


def test_the_command_serve_refuses_before_it_reaches_for_the_broker(command: Command) -> None:
    done = command("serve", "--broker", "mqtt://127.0.0.1:1", "--db", "f.duckdb", "--host", LISTENS_TO_ALL)
    assert done.status == 1
    assert "airwatch account add NAME --role admin --all-fleets --db f.duckdb" in done.error
    help_ = command("serve", "--help").out.decode() + command("demo", "--help").out.decode()
    assert "--open" not in help_
    assert "--host" not in command("demo", "--help").out.decode()
