"""The server as a process: its address, a taken port, and how it ends."""

import re
import signal
import subprocess
import sys
import threading
import urllib.request
from pathlib import Path

import pytest

from airwatch.store.database import Store
from dashboards.errors import PagesError
from dashboards.server import Where, bind, is_loopback, serve_pages, url_of
from tests.dashboards.accounts import nobody

PROGRAM = """
import sys
from pathlib import Path
from airwatch.store.database import Store
from dashboards.server import Where, open_access, serve_pages
where = Where(port=0)
with Store.open(Path(sys.argv[1])) as store:
    serve_pages(store, health=None, access=open_access(store, where), where=where)
print("closed")
"""


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_a_signal_ends_it_and_its_caller_closes_the_store(tmp_path: Path, number: signal.Signals) -> None:
    command = [sys.executable, "-c", PROGRAM, str(tmp_path / "a.duckdb")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        killer = threading.Timer(60, process.kill)
        killer.start()
        assert process.stderr is not None
        address = re.fullmatch(
            r"pages at (http://127\.0\.0\.1:\d+/) \(open to this computer, .*\)\n", process.stderr.readline()
        )
        assert address
        with urllib.request.urlopen(address[1] + "landing") as answer:  # noqa: S310 own server
            assert answer.status == 200
        process.send_signal(number)
        out, err = process.communicate(timeout=60)
        killer.cancel()
    assert (process.returncode, out, err) == (0, "closed\n", "")


def test_a_taken_port_is_one_line(store: Store) -> None:
    with bind("127.0.0.1", 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(
            PagesError, match=rf"^the pages can't be served at 127\.0\.0\.1 port {port}: .*choose another"
        ):
            serve_pages(store, health=None, access=nobody(), where=Where(port=port))


def test_an_unknown_host_is_one_line(store: Store) -> None:
    with pytest.raises(PagesError, match="choose another with --port or --host"):
        serve_pages(store, health=None, access=nobody(), where=Where("192.0.2.1", 0))  # RFC 5737: nobody's address


def test_loopback_and_addresses() -> None:
    assert is_loopback("127.0.0.1")
    assert is_loopback("localhost")
    assert is_loopback("::1")
    assert not is_loopback("0.0.0.0")  # noqa: S104 that is the point
    with bind("127.0.0.1", 0) as bound:
        assert re.fullmatch(r"http://127\.0\.0\.1:\d+/", url_of("127.0.0.1", bound))
