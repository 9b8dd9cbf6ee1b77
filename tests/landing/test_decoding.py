"""The decoding process: it gives what decoding here gives, survives what kills it, and ends with its parent."""

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
from polars.testing import assert_frame_equal

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.message import RawMessage
from airwatch.errors import DecoderError
from airwatch.landing.decoding import InlineDecoder, ProcessDecoder, decode_packets
from tests.broker import wait_until
from tests.landing.wire import packets
from tests.messages import drive, faults, governor, message

DEADLY = b'{"deadly": true}'


def decode_or_die(about: Any, parts: list[memoryview], root: str) -> DecodedBatch:
    """Decode, unless a message is one that stands for a fault in a native library."""
    if any(DEADLY in bytes(part) for part in parts):
        os.kill(os.getpid(), signal.SIGKILL)
    return decode_packets(about, parts, root)


def every_kind() -> list[RawMessage]:
    kinds = [message(governor(), "governor"), message(faults(codes=[]), "faults"), message(b"\xff")]
    return [*drive("K-1", 3), *kinds, message(b"(1.5) can0 18FEAE31#FFFF6565FFFFFFFF", "can")]


def test_the_process_gives_what_decoding_here_gives() -> None:
    decoder = ProcessDecoder()
    try:
        (there,) = decoder.submit([packets(every_kind())])()
        (here,) = InlineDecoder().submit([packets(every_kind())])()
    finally:
        decoder.close()
    for name in DecodedBatch.__dataclass_fields__:
        assert_frame_equal(getattr(there, name), getattr(here, name))


def decode_never(_about: Any, _parts: list[memoryview], _root: str) -> DecodedBatch:
    """Stand for a machine that is out of memory."""
    os.kill(os.getpid(), signal.SIGKILL)
    raise AssertionError


@pytest.fixture
def found_by_workers(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let worker processes import this module."""
    monkeypatch.syspath_prepend(str(Path(__file__).parents[2]))


@pytest.mark.usefixtures("found_by_workers")
def test_a_machine_that_can_not_decode_at_all_blames_no_message() -> None:
    decoder = ProcessDecoder(decode=decode_never)
    try:
        with pytest.raises(DecoderError, match="out of memory"):
            decoder.submit([packets([message(DEADLY)])])()
    finally:
        decoder.close()


@pytest.mark.usefixtures("found_by_workers")
def test_a_message_that_kills_the_process_is_set_aside_and_the_others_are_decoded() -> None:
    decoder = ProcessDecoder(decode=decode_or_die)
    good = drive("K-1", 6)
    batch = [*good[:4], message(DEADLY), *good[4:]]
    try:
        killed, after = (
            decoder.submit([packets(batch[:3]), packets(batch[3:])]),
            decoder.submit([packets(drive("K-2", 2))]),
        )
        parts = killed()
        assert sum(part.ledger.height for part in parts) == len(good)
        assert sum(part.samples.height for part in parts) == decode_batch(good).samples.height
        (reason,) = [reason for part in parts for reason in part.rejects["reason"]]
        assert reason == "the decoding process died over this message"
        assert sum(part.ledger.height for part in after()) == 2
        assert sum(part.ledger.height for part in decoder.submit([packets(good)])()) == len(good)
    finally:
        decoder.close()


def test_the_process_ends_when_its_parent_is_killed(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(
        "from airwatch.landing.decoding import ProcessDecoder\n"
        "if __name__ == '__main__':\n"
        "    decoder = ProcessDecoder()\n"
        "    decoder.submit([])()\n"
        "    print(decoder._worker._process.pid, flush=True)\n"
        "    import time\n"
        "    time.sleep(600)\n"
    )
    with subprocess.Popen([sys.executable, script], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        worker = Path("/proc") / parent.stdout.readline().strip()
        assert worker.exists()
        parent.kill()
    wait_until(lambda: not worker.exists(), "the decoding process outlives its parent")
