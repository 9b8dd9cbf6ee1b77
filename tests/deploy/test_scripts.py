"""The shipped scripts: what they make, what they keep, and what they refuse."""

import shutil
import subprocess
from pathlib import Path

import pytest

from tests.deploy.conftest import needed
from tests.deploy.fleet_broker import SHIPPED, done, script

SCRIPTS = ["make_certs.sh", "add_unit.sh"]


@pytest.fixture
def authority(tmp_path: Path) -> Path:
    """Give a folder with a certificate authority."""
    needed("openssl", "openssl")
    folder = tmp_path / "authority"
    done(script("make_certs.sh", "ca", folder))
    return folder


def openssl(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["openssl", *map(str, arguments)], capture_output=True, text=True, check=False)


def files(folder: Path) -> dict[Path, bytes]:
    return {path: path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("name", SCRIPTS)
def test_scripts_are_plain_shell(name: str) -> None:
    for command in (["dash", "-n"], ["bash", "-n"], ["shellcheck"]):
        if shutil.which(command[0]) is None:
            assert command[0] == "shellcheck", f"{command[0]} is not installed"
            continue  # a nicety where it is installed
        ran = subprocess.run([*command, str(SHIPPED / name)], capture_output=True, text=True, check=False)
        assert ran.returncode == 0, ran.stdout + ran.stderr


@pytest.mark.parametrize("name", SCRIPTS)
@pytest.mark.parametrize("arguments", [[], ["help"], ["unit"], ["ca", "a", "b"], ["nonsense", "a", "b"]])
def test_wrong_usage_is_status_2_and_shows_the_usage(name: str, arguments: list[str], tmp_path: Path) -> None:
    ran = subprocess.run([str(SHIPPED / name), *arguments], capture_output=True, text=True, check=False, cwd=tmp_path)
    assert ran.returncode == 2
    assert ran.stderr.startswith(f"usage: {name} ")
    assert list(tmp_path.iterdir()) == []


def test_certificates_serve_one_purpose_and_keys_are_private(authority: Path) -> None:
    done(script("make_certs.sh", "server", authority, "broker.example", "192.0.2.7", "2001:db8::7"))
    done(script("make_certs.sh", "unit", authority, "north/K-204"))
    server, unit = authority / "server.crt", authority / "units" / "north+K-204.crt"
    for certificate, purpose, is_fit in (
        (server, "sslserver", True),
        (server, "sslclient", False),
        (unit, "sslclient", True),
        (unit, "sslserver", False),
    ):
        verified = openssl("verify", "-CAfile", authority / "ca.crt", "-purpose", purpose, certificate)
        assert (verified.returncode == 0) is is_fit, (certificate, purpose)
    names = openssl("x509", "-in", server, "-noout", "-ext", "subjectAltName").stdout
    assert "DNS:broker.example, IP Address:192.0.2.7, IP Address:2001:DB8:0:0:0:0:0:7" in names
    assert openssl("x509", "-in", unit, "-noout", "-subject").stdout == "subject=CN = north/K-204\n"
    keys = list(authority.rglob("*.key"))
    assert len(keys) == 3
    assert {key.stat().st_mode & 0o777 for key in keys} == {0o600}


def test_a_second_run_keeps_everything(authority: Path) -> None:
    arguments = [("ca", authority), ("server", authority, "broker.example"), ("unit", authority, "north/K-204")]
    for one in arguments:
        done(script("make_certs.sh", *one))
    before = files(authority)
    said = [done(script("make_certs.sh", *one)) for one in arguments]
    assert [line.split()[0] for line in said] == ["kept"] * 3
    assert files(authority) == before
    done(script("make_certs.sh", "unit", authority, "north/K-204", "south/B.7"))
    assert len(files(authority)) == len(before) + 2


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("server", "other.example"), "is not for other.example; move it and server.key away"),
        (("server", "broker.example,other"), "'broker.example,other' is no host name and no address"),
        (("unit", "K-204"), "'K-204': write FLEET/UNIT"),
        (("unit", "north/"), "'north/': a unit is 1 to 64 of A-Z a-z 0-9 . _ -"),
        (("unit", "north/a/b"), "'north/a/b': a unit is 1 to 64 of"),
        (("unit", "nor+th/a"), "'nor+th/a': a fleet is 1 to 64 of"),
        (
            ("unit", f"{'f' * 40}/{'u' * 40}"),
            "has 81 characters, a certificate's name holds 64; give",
        ),
        (("unit", "north/half"), "north+half.key is there without its certificate; move it away"),
    ],
)
def test_what_would_overwrite_or_be_wrong_is_refused(
    authority: Path, arguments: tuple[str, str], sentence: str
) -> None:
    done(script("make_certs.sh", "server", authority, "broker.example"))
    (authority / "units").mkdir()
    (authority / "units" / "north+half.key").write_text("half")
    before = files(authority)
    verb, name = arguments
    ran = script("make_certs.sh", verb, authority, name)
    assert ran.returncode == 1
    assert ran.stderr.startswith("make_certs.sh: ")
    assert sentence in ran.stderr
    assert files(authority) == before


def test_an_authority_of_which_half_is_missing_is_not_replaced(authority: Path) -> None:
    (authority / "ca.key").unlink()
    for arguments, sentence in (
        (("ca", authority), "has only one of ca.crt and ca.key"),
        (("unit", authority, "north/K-204"), "has no ca.crt and ca.key; first: make_certs.sh ca"),
    ):
        ran = script("make_certs.sh", *arguments)
        assert ran.returncode == 1
        assert sentence in ran.stderr


def test_a_password_is_said_once_and_stored_as_a_hash(tmp_path: Path) -> None:
    needed("mosquitto_passwd", "mosquitto")
    file = tmp_path / "units.passwd"
    file.touch(mode=0o600)
    first = done(script("add_unit.sh", "password", file, "north/K-204"))
    second = done(script("add_unit.sh", "password", file, "north/K-20"))
    assert len(first) == len(second) == 32
    assert first != second
    users, hashes = zip(*(line.split(":") for line in file.read_text().splitlines()), strict=True)
    assert users == ("north/K-204", "north/K-20")
    assert all(one.startswith("$7$") for one in hashes)  # PBKDF2, salted
    assert file.stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (("password", "north/K-204"), "has 'north/K-204' already; to renew it: mosquitto_passwd -D"),
        (("password", "north"), "'north': write FLEET/UNIT"),
        (("password", "north/#"), "'north/#': a unit is 1 to 64 of"),
        (("password", f"north/{'u' * 65}"), "a unit is 1 to 64 of"),
        (("staff", "a/b"), "'a/b': a name is 1 to 64 of"),
    ],
)
def test_a_password_that_would_replace_or_be_wrong_is_refused(
    tmp_path: Path, arguments: tuple[str, str], sentence: str
) -> None:
    needed("mosquitto_passwd", "mosquitto")
    file = tmp_path / "units.passwd"
    file.touch()
    done(script("add_unit.sh", "password", file, "north/K-204"))
    before = file.read_bytes()
    kind, name = arguments
    ran = script("add_unit.sh", kind, file, name)
    assert ran.returncode == 1
    assert ran.stderr.startswith("add_unit.sh: ")
    assert sentence in ran.stderr
    assert file.read_bytes() == before


def test_a_password_file_that_is_not_there_is_named(tmp_path: Path) -> None:
    needed("mosquitto_passwd", "mosquitto")
    ran = script("add_unit.sh", "password", tmp_path / "none", "north/K-204")
    assert ran.returncode == 1
    assert "make it first: install -o mosquitto -m 600 /dev/null" in ran.stderr
