"""Server-sent events: who listens is told, no more than allowed listen, and the server ends at once."""

import threading
import urllib.request

import pytest

import dashboards.live
from airwatch.alerts.lifecycle import Step
from airwatch.store.database import Store
from dashboards.server import Where, bind, make_server, url_of
from pipelines.alerts import take_step
from tests.dashboards.accounts import nobody
from tests.dashboards.small_fleet import NEWEST


def test_a_change_is_told_and_a_listener_does_not_hold_up_the_end(
    changed_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(dashboards.live, "MOST_LISTENERS", 1)
    bound = bind("127.0.0.1", 0)
    server = make_server(changed_store, health=None, access=nobody(), where=Where())
    thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
    thread.start()
    address = url_of("127.0.0.1", bound)
    with urllib.request.urlopen(f"{address}live", timeout=60) as stream:  # noqa: S310 own server
        assert stream.headers["content-type"].startswith("text/event-stream")
        assert stream.readline() == b"retry: 5000\n"
        take_step(changed_store, Step("772011b3fce89477", "acknowledged", "J. Doe", NEWEST, ""))
        while (line := stream.readline()) != b"event: changed\n":
            assert line  # it goes on until then
        with pytest.raises(urllib.error.HTTPError, match="503"):
            urllib.request.urlopen(f"{address}live", timeout=60)  # noqa: S310 own server
        server.should_exit = True
        while stream.readline():  # until the server ends it
            pass
    thread.join(60)
    assert not thread.is_alive()
