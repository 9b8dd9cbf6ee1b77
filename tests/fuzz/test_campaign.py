"""The fuzzer finds what is planted, makes it small, and finds nothing among good messages."""

from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

import pytest

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.message import RawMessage
from airwatch.store.telemetry import TelemetryWriter
from tests.fuzz.campaign import Campaign
from tests.fuzz.case import changed, read_case
from tests.fuzz.in_flight import InFlight, read_in_flight
from tests.fuzz.probe import Decode
from tests.fuzz.report import Report
from tests.fuzz.seeds import good_messages, seeds

MARK = b"\xde\xad"
SENT = [changed(message, received_us=0) for message in seeds()]
MARKED = changed(SENT[0], payload=b"[" + MARK + b"]" * 20)


def run(decode: Decode, folder: Path, messages: Iterable[RawMessage], *, shrink_s: float = 20.0) -> Report:
    with InFlight(folder / "in-flight") as in_flight:
        campaign = Campaign(folder, folder / "findings", in_flight, decode=decode, shrink_s=shrink_s)
        for message in messages:
            campaign.offer(message)
        campaign.close()
    return campaign.report


def test_good_messages_are_no_finding(tmp_path: Path) -> None:
    report = run(decode_batch, tmp_path, [*SENT, *SENT])
    assert (report.violations, report.findings) == ({}, [])
    assert (report.n_payloads, report.n_compared) == (2 * len(SENT), 2 * len(SENT))
    assert report.n_batches == 1


def test_an_exception_is_found_and_its_payload_made_small(tmp_path: Path) -> None:
    def decode(messages: Iterable[RawMessage]) -> DecodedBatch:
        if any(MARK in message.payload for message in messages):
            raise KeyError("planted")
        return decode_batch(messages)

    report = run(decode, tmp_path, [*SENT, MARKED, *SENT, MARKED])
    assert [kind.rpartition(" at ")[0] for kind in report.violations] == ["decode_batch raises KeyError"]
    assert [*report.violations.values()] == [2]
    (finding,) = report.findings
    assert [[message.payload for message in batch] for batch in read_case(Path(finding)).raw()] == [[MARK]]


def test_harm_to_a_neighbour_is_found_and_the_batch_made_small(tmp_path: Path) -> None:
    def decode(messages: Iterable[RawMessage]) -> DecodedBatch:
        kept = list(messages)
        if len(kept) > 1 and any(MARK in message.payload for message in kept):
            kept = [message for message in kept if message.content_type != "application/cbor"]
        return decode_batch(kept)

    report = run(decode, tmp_path, [*SENT[:2], MARKED, *SENT[2:]])
    assert report.violations == {"among others a message fares otherwise": 1}
    (batch,) = read_case(Path(report.findings[0])).raw()
    assert sorted(message.content_type == "application/cbor" for message in batch) == [False, True]
    assert MARK in {message.payload for message in batch}


def test_a_changed_value_in_the_store_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def write(self: TelemetryWriter, decoded: DecodedBatch) -> object:
        higher = decoded.samples.with_columns(decoded.samples["primary_kpa"] + 1)
        return original(self, replace(decoded, samples=higher))

    original = TelemetryWriter.write
    monkeypatch.setattr(TelemetryWriter, "write", write)
    report = run(decode_batch, tmp_path, SENT[:1], shrink_s=0.0)
    assert [*report.violations] == ["the store has other samples than sent"]


def test_every_good_message_is_of_its_own_stream_and_encoding() -> None:
    kinds = {(message.topic.rpartition("/")[2], message.content_type) for message in good_messages("north", "K-204", 0)}
    assert len(kinds) == 9


def test_what_is_in_flight_can_be_read_by_another(tmp_path: Path) -> None:
    with InFlight(tmp_path / "in-flight") as in_flight:
        in_flight.note(SENT[:2])
        assert read_in_flight(tmp_path / "in-flight") == SENT[:2]
        in_flight.clear()
    assert read_in_flight(tmp_path / "in-flight") == []
