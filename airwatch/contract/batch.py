"""Many delivered messages to frames: what landed, what was refused, and one ledger row for each accepted message.

Pure: the subscriber, `airwatch land` and the tests call the same `decode_batch`.
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from msgspec import UNSET

from airwatch.can.candump import decode_candump
from airwatch.contract.columns import COLUMN_NAMES, COLUMNS, SAMPLE_SCHEMA, TIME
from airwatch.contract.message import RawMessage
from airwatch.contract.payloads import (
    FaultsPayload,
    GovernorPayload,
    PressurePayload,
    decode_json,
    microseconds,
    sample_times_us,
    unknown_fields,
)
from airwatch.contract.topics import ROOT, Topic, parse_topic
from airwatch.errors import PayloadError

_MESSAGE = {"message": pl.UInt32()}
_UNIT = {"fleet": pl.String(), "unit": pl.String()}
GOVERNOR_SCHEMA = pl.Schema({**_UNIT, "t": TIME, "kind": pl.String(), "supply_kpa": pl.Float64()})
REPORT_SCHEMA = pl.Schema({**_UNIT, "t": TIME, "source_address": pl.Int16()})
CODE_SCHEMA = pl.Schema({**REPORT_SCHEMA, "spn": pl.Int32(), "fmi": pl.Int16(), "count": pl.Int16()})
LAMP_SCHEMA = pl.Schema({**_UNIT, "t": TIME, "lamp": pl.String(), "is_on": pl.Boolean()})
LEDGER_SCHEMA = pl.Schema(
    {
        **_UNIT,
        "stream": pl.String(),
        "seq": pl.Int64(),
        "received": TIME,
        "encoding": pl.String(),
        "bytes": pl.Int64(),
        "n_rows": pl.Int64(),
        "n_out_of_range": pl.Int64(),
        "remark": pl.String(),
    }
)
REJECT_SCHEMA = pl.Schema(
    {
        "received": TIME,
        "topic": pl.String(),
        "reason": pl.String(),
        "content_type": pl.String(),
        "payload": pl.Binary(),
    }
)


@dataclass(frozen=True, slots=True)
class DecodedBatch:
    """What a batch of messages holds; ``message`` in each frame is the row of ``ledger`` that the row came with."""

    samples: pl.DataFrame
    governor_events: pl.DataFrame
    fault_reports: pl.DataFrame
    fault_codes: pl.DataFrame
    lamp_events: pl.DataFrame
    ledger: pl.DataFrame
    rejects: pl.DataFrame


@dataclass(slots=True)
class _Gathered:
    """Rows of a batch while it is being decoded, column by column where there are many of them."""

    ledger: list[tuple[Any, ...]] = field(default_factory=list)
    rejects: list[tuple[Any, ...]] = field(default_factory=list)
    governor: list[tuple[Any, ...]] = field(default_factory=list)
    reports: list[tuple[Any, ...]] = field(default_factory=list)
    codes: list[tuple[Any, ...]] = field(default_factory=list)
    lamps: list[tuple[Any, ...]] = field(default_factory=list)
    blocks: list[tuple[int, Topic, str | None, int, int, float, list[int] | None]] = field(default_factory=list)
    values: dict[str, list[float | None]] = field(default_factory=lambda: {name: [] for name in COLUMN_NAMES})
    frames: list[pl.DataFrame] = field(default_factory=list)  # samples that came as a frame already (CAN)

    def account(
        self, topic: Topic, message: RawMessage, encoding: str, seq: int | None, n_rows: int, remark: str | None
    ) -> int:
        """Open the ledger row of an accepted message and give its number."""
        received = message.received_us
        row = (topic.fleet, topic.unit, topic.stream, seq, received, encoding, len(message.payload), n_rows, 0, remark)
        self.ledger.append(row)
        return len(self.ledger) - 1

    def refuse(self, message: RawMessage, reason: str) -> None:
        """Set a message aside with its reason."""
        where = f"{message.line}: {reason}" if message.line else reason
        self.rejects.append((message.received_us, message.topic, where, message.content_type, message.payload))


def decode_batch(messages: Iterable[RawMessage], *, root: str = ROOT) -> DecodedBatch:
    """Decode delivered messages of any stream.

    A message that breaks the contract becomes a row of ``rejects`` and nothing else; any bytes at all do one or the
    other. A value outside what the bus can carry becomes null and is counted in the ledger row of its message.

    Parameters
    ----------
    messages : iterable of RawMessage
        In order of arrival.
    root : str
        The topic root.

    Returns
    -------
    DecodedBatch
        Times UTC, pressures gauge kPa, as the contract has them.
    """
    gathered = _Gathered()
    for message in messages:
        try:
            topic = parse_topic(message.topic, root)
            encoding = (message.content_type or _DEFAULT_ENCODING[topic.stream]).split(";")[0].strip().lower()
            _reader(topic, encoding)(gathered, topic, message, encoding)
        except PayloadError as err:
            gathered.refuse(message, str(err))
    return _frames(gathered)


def _read_pressure(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    body = decode_json(message.payload, PressurePayload, topic.unit)
    n, times, dt_us = sample_times_us(body)
    trailer = _trailer(body)
    row = gathered.account(topic, message, encoding, body.seq, n, _remark(message.payload, PressurePayload))
    if n == 0:
        return
    gathered.blocks.append((row, topic, trailer, n, microseconds(body.t0), dt_us, times))
    for name, flat in gathered.values.items():
        values = getattr(body, name)
        flat.extend(values if isinstance(values, list) else [None] * n)


def _trailer(body: PressurePayload) -> str | None:
    """Give "" for a unit known to be bobtail, None where nothing is known."""
    if body.trailer is UNSET:
        return None
    return body.trailer if isinstance(body.trailer, str) else ""


def _remark(payload: bytes, kind: type[Any]) -> str | None:
    extra = unknown_fields(payload, kind)
    return f"fields not in the contract were left out: {', '.join(extra)}" if extra else None


def _read_governor(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    body = decode_json(message.payload, GovernorPayload, topic.unit)
    times = [microseconds(event.t) for event in body.events]
    remark = _remark(message.payload, GovernorPayload)
    row = gathered.account(topic, message, encoding, body.seq, len(body.events), remark)
    for t_us, event in zip(times, body.events, strict=True):
        gathered.governor.append((row, topic.fleet, topic.unit, t_us, event.kind, event.supply_kpa))


def _read_faults(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    body = decode_json(message.payload, FaultsPayload, topic.unit)
    codes = body.codes if isinstance(body.codes, list) else None
    lamps = body.lamps if isinstance(body.lamps, list) else []
    t_us, lamp_times = microseconds(body.t), [microseconds(event.t) for event in lamps]
    n_rows = (codes is not None) + len(lamps)
    row = gathered.account(topic, message, encoding, body.seq, n_rows, _remark(message.payload, FaultsPayload))
    key = (row, topic.fleet, topic.unit)
    if codes is not None:
        gathered.reports.append((*key, t_us, body.source_address))
        gathered.codes.extend((*key, t_us, body.source_address, code.spn, code.fmi, code.count) for code in codes)
    gathered.lamps.extend((*key, t, event.lamp, event.on) for t, event in zip(lamp_times, lamps, strict=True))


def _read_can(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    decoded = decode_candump(message.payload)
    if decoded.bad_lines.height:
        first = decoded.bad_lines.row(0, named=True)
        more = f" and {decoded.bad_lines.height - 1} more lines" if decoded.bad_lines.height > 1 else ""
        why = f"line {first['line_no']}: {first['reason']}{more}"
        lines = decoded.counts.lines
        if lines.n_lines == lines.n_bad + lines.n_blank:
            raise PayloadError(f"{why}; no line is a frame")
        gathered.refuse(message, f"{why}; the other lines were landed")
    n_rows = decoded.samples.height + decoded.fault_reports.height + decoded.lamp_events.height
    row = gathered.account(topic, message, encoding, None, n_rows, decoded.counts.remark())
    unit = [
        pl.lit(row, pl.UInt32).alias("message"),
        pl.lit(topic.fleet).alias("fleet"),
        pl.lit(topic.unit).alias("unit"),
    ]
    gathered.frames.append(decoded.samples.with_columns(*unit, trailer=pl.lit(None, pl.String)))
    for rows, frame in (
        (gathered.reports, decoded.fault_reports),
        (gathered.codes, decoded.fault_codes),
        (gathered.lamps, decoded.lamp_events),
    ):
        times = frame["t"].to_physical()
        others = frame.drop("t").iter_rows()
        rows.extend((row, topic.fleet, topic.unit, t, *rest) for t, rest in zip(times, others, strict=True))


_JSON = "application/json"
_DEFAULT_ENCODING = {"pressure": _JSON, "governor": _JSON, "faults": _JSON, "can": "text/plain"}
_Reader = Callable[[_Gathered, Topic, RawMessage, str], None]
_READERS: dict[tuple[str, str], _Reader] = {
    ("pressure", _JSON): _read_pressure,
    ("governor", _JSON): _read_governor,
    ("faults", _JSON): _read_faults,
    ("can", "text/plain"): _read_can,
}


def _reader(topic: Topic, encoding: str) -> _Reader:
    if (read := _READERS.get((topic.stream, encoding))) is None:
        known = ", ".join(sorted(e for stream, e in _READERS if stream == topic.stream))
        raise PayloadError(f"content type {encoding[:80]!r} is not one of {known} for stream {topic.stream}")
    return read


def _frames(gathered: _Gathered) -> DecodedBatch:
    samples = _samples(gathered)
    governor = _rows(gathered.governor, {**_MESSAGE, **GOVERNOR_SCHEMA})
    samples, n_bad_samples = _within_range(samples, {column.name: column for column in COLUMNS})
    governor, n_bad_events = _within_range(governor, {"supply_kpa": COLUMNS[0]})
    bad = pl.concat([n_bad_samples, n_bad_events]).group_by("message").agg(pl.col("n_bad").sum())
    ledger = (
        _rows(gathered.ledger, LEDGER_SCHEMA)
        .with_row_index("message")
        .join(bad, on="message", how="left", maintain_order="left")
        .with_columns(n_out_of_range=pl.col("n_bad").fill_null(0).cast(pl.Int64))
        .drop("n_bad")
    )
    return DecodedBatch(
        samples=samples,
        governor_events=governor,
        fault_reports=_rows(gathered.reports, {**_MESSAGE, **REPORT_SCHEMA}),
        fault_codes=_rows(gathered.codes, {**_MESSAGE, **CODE_SCHEMA}),
        lamp_events=_rows(gathered.lamps, {**_MESSAGE, **LAMP_SCHEMA}),
        ledger=ledger,
        rejects=_rows(gathered.rejects, REJECT_SCHEMA),
    )


def _rows(rows: Sequence[tuple[Any, ...]], schema: dict[str, Any]) -> pl.DataFrame:
    """Make a frame of row tuples whose times are microseconds since the epoch."""
    physical = {name: pl.Int64 if dtype == TIME else dtype for name, dtype in schema.items()}
    return pl.DataFrame(rows, schema=physical, orient="row").with_columns(
        pl.col(name).cast(TIME) for name, dtype in schema.items() if dtype == TIME
    )


def _samples(gathered: _Gathered) -> pl.DataFrame:
    """Lay the gathered blocks end to end."""
    schema = {**_MESSAGE, **SAMPLE_SCHEMA}
    size = np.array([block[3] for block in gathered.blocks], dtype=np.int64)
    blocks = pl.DataFrame(
        {
            "message": [block[0] for block in gathered.blocks],
            "fleet": [block[1].fleet for block in gathered.blocks],
            "unit": [block[1].unit for block in gathered.blocks],
            "trailer": [block[2] for block in gathered.blocks],
        },
        schema={**_MESSAGE, **_UNIT, "trailer": pl.String},
    )
    index = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    dt_us = np.repeat(np.array([block[5] for block in gathered.blocks], dtype=np.float64), size)
    t_us = np.repeat(np.array([block[4] for block in gathered.blocks], dtype=np.int64), size)
    t_us += np.rint(index * dt_us / 1000.0).astype(np.int64) * 1000
    for start, block in zip(np.cumsum(size) - size, gathered.blocks, strict=True):
        if block[6] is not None:
            t_us[start : start + block[3]] = block[6]
    frame = blocks[np.repeat(np.arange(size.size), size)].with_columns(
        pl.Series("t", t_us).cast(TIME),
        *(pl.Series(name, values, dtype=pl.Float64) for name, values in gathered.values.items()),
    )
    frames = [frame.select(schema.keys()), *(other.select(schema.keys()) for other in gathered.frames)]
    return pl.concat([other.cast(dict.fromkeys(COLUMN_NAMES, pl.Float64)) for other in frames])


def _within_range(frame: pl.DataFrame, columns: dict[str, Any]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Null what the bus can't carry; count it by message. A switch is 0 or 1, whatever its two bits may also say."""

    def is_bad(name: str) -> pl.Expr:
        value, column = pl.col(name), columns[name]
        fits = value.is_in([0.0, 1.0]) if column.is_switch else value.is_between(column.low, column.high)
        return value.is_not_null() & ~fits

    n_bad = pl.sum_horizontal(is_bad(name).cast(pl.UInt32) for name in columns)
    counts = frame.select("message", n_bad=n_bad).filter(pl.col("n_bad") > 0)
    cleaned = frame.with_columns(pl.when(~is_bad(name)).then(pl.col(name)).alias(name) for name in columns)
    return cleaned.cast({name: column.dtype for name, column in columns.items()}), counts
