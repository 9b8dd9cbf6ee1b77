"""Messages as gateways send them, for tests of the contract, the store, landing and the command line."""

import hashlib
import json
import re
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.columns import COLUMN_NAMES
from airwatch.contract.message import RawMessage
from airwatch.contract.recordings import recording_line

FLEET, UNIT = "north", "K-204"
T0 = datetime(2031, 2, 3, 11, 20, tzinfo=UTC)
T0_US = 1_927_884_000_000_000  # 2031-02-03T11:20:00Z, GNU date -u -d … +%s
SECOND_US = 1_000_000


def at(seconds: float) -> str:
    """Write the instant ``seconds`` after `T0` as RFC 3339 with milliseconds."""
    stamp = datetime.fromtimestamp(T0.timestamp() + seconds, tz=UTC)
    return stamp.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def pressure(**fields: Any) -> dict[str, Any]:
    """Give a pressure block of two samples; a field given replaces or adds, ``...`` takes one out."""
    block = {"v": 1, "unit": UNIT, "seq": 8812, "t0": at(0), "dt_ms": 1000, "primary_kpa": [824, 816]} | fields
    return {name: value for name, value in block.items() if value is not ...}


def governor(*events: dict[str, Any], **fields: Any) -> dict[str, Any]:
    """Give a governor message."""
    return {"v": 1, "unit": UNIT, "seq": 3, "events": list(events)} | fields


def faults(**fields: Any) -> dict[str, Any]:
    """Give a faults message that reports neither codes nor lamps unless told to."""
    return {"v": 1, "unit": UNIT, "seq": 9, "t": at(0), "source_address": 11} | fields


def message(
    body: bytes | dict[str, Any],
    stream: str = "pressure",
    *,
    fleet: str = FLEET,
    unit: str | None = None,
    content_type: str | None = None,
    received_us: int = T0_US,
) -> RawMessage:
    """Give a delivered message; its topic's unit is that of the body, unless named."""
    payload = body if isinstance(body, bytes) else json.dumps(body).encode()
    named = body.get("unit", UNIT) if isinstance(body, dict) else UNIT
    return RawMessage(f"air/v1/{fleet}/{unit or named}/{stream}", payload, received_us, content_type)


def decode(body: bytes | dict[str, Any], stream: str = "pressure", **options: Any) -> DecodedBatch:
    """Decode one message."""
    return decode_batch([message(body, stream, **options)])


def assert_refused(body: bytes | dict[str, Any], why: str, stream: str = "pressure", **options: Any) -> None:
    """Check that the message is refused with a reason like ``why``, kept as it came, and leaves nothing else."""
    sent = message(body, stream, unit=UNIT, **options)
    decoded = decode_batch([sent])
    landed = (decoded.samples, decoded.governor_events, decoded.fault_reports, decoded.fault_codes, decoded.lamp_events)
    assert [frame.height for frame in (*landed, decoded.ledger, decoded.rejects)] == [0] * 6 + [1]
    kept = decoded.rejects.row(0, named=True)
    assert re.search(why, kept["reason"]), kept["reason"]
    assert (kept["topic"], kept["content_type"], kept["payload"]) == (sent.topic, sent.content_type, sent.payload)


def drive(unit: str, n_blocks: int, *, n: int = 60, fleet: str = FLEET, first: int = 0) -> list[RawMessage]:
    """Give blocks of one unit, one second a sample, ``n`` samples each; each value is told from all others nearby."""
    messages = []
    for block in range(first, first + n_blocks):
        k = range(block * n, (block + 1) * n)
        columns: dict[str, Sequence[float | None]] = {
            "supply_kpa": [800.0 + i % 97 for i in k],
            "primary_kpa": [700.0 + i % 89 for i in k],
            "secondary_kpa": [650.0 + i % 83 for i in k],
            "engine_rpm": [600.0 + i % 1009 * 0.125 for i in k],
            "speed_kph": [None if i % 7 == 0 else i % 90 for i in k],
            "park_brake": [i % 2 for i in k],
            "service_brake": [i // 2 % 2 for i in k],
        }
        body = pressure(unit=unit, seq=block, t0=at(block * n), **columns)
        received_us = T0_US + (block + 1) * n * SECOND_US
        messages.append(message(body, fleet=fleet, received_us=received_us))
    return messages


def write_recording(path: Path, messages: Iterable[RawMessage]) -> Path:
    """Write an NDJSON recording."""
    path.write_bytes(b"".join(recording_line(m) + b"\n" for m in messages))
    return path


def samples_of(messages: Iterable[RawMessage]) -> pl.DataFrame:
    """Read the samples of JSON pressure blocks by plain loops, as the `samples` export has them, sorted, each once.

    The second reading that landing is compared with: it shares nothing with the program's own decoder.
    """
    rows: dict[tuple[str, str, int], tuple[Any, ...]] = {}
    for one in messages:
        _, _, fleet, unit, _ = one.topic.split("/")
        body = json.loads(one.payload)
        t0_ms = round(datetime.fromisoformat(body["t0"]).timestamp() * 1000)
        for k in range(len(body["primary_kpa"])):
            t_ms = t0_ms + k * body["dt_ms"]
            values = (body[name][k] if name in body else None for name in COLUMN_NAMES)
            rows.setdefault((fleet, unit, t_ms), tuple(values))
    switches = ("park_brake", "service_brake", "low_air_warning", "compressor_loaded")
    schema = {name: pl.Int8() if name in switches else pl.Float64() for name in COLUMN_NAMES}
    ordered = sorted(rows)
    times = pl.Series("t", [t for _, _, t in ordered], pl.Int64).cast(pl.Datetime("ms", "UTC"))
    units = pl.Series("unit", [unit for _, unit, _ in ordered], pl.String)
    table = pl.DataFrame([rows[key] for key in ordered], schema=schema, orient="row", strict=False)
    return pl.DataFrame([units, times, *table])


def content_hash(samples: pl.DataFrame) -> str:
    """Hash the content of a samples export: every value of every row in order."""
    digest = hashlib.sha256(",".join(f"{k}:{v}" for k, v in samples.schema.items()).encode())
    digest.update(samples.write_csv().encode())
    return digest.hexdigest()
