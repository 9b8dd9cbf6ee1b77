"""Many delivered messages to frames: what landed, what was refused, and one ledger row for each accepted message.

Pure: the subscriber, `airwatch land` and the tests call the same `decode_batch`.
"""

import logging
import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import polars as pl
from msgspec import UNSET
from numpy.typing import NDArray
from polars.exceptions import PanicException

from airwatch.can.candump import decode_candump
from airwatch.can.j1939 import CanDecoded
from airwatch.contract.cbor import decode_cbor
from airwatch.contract.columns import COLUMN_NAMES, COLUMNS, TIME, Column
from airwatch.contract.fast_json import decode_pressure_json
from airwatch.contract.lines import Blocks, Doubles, Whole
from airwatch.contract.message import RawMessage
from airwatch.contract.payloads import (
    Columns,
    FaultsPayload,
    GovernorPayload,
    PressurePayload,
    block_shape,
    columns_of,
    decode_json,
    microseconds,
)
from airwatch.contract.senml import decode_senml
from airwatch.contract.topics import ROOT, Topic, parse_topic
from airwatch.errors import PayloadError

log = logging.getLogger(__name__)

_NAN = struct.pack("d", float("nan"))
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
        "trailer": pl.String(),
        "n_rows": pl.Int64(),
        "n_cells": pl.Int64(),
        "n_null": pl.Int64(),
        "n_out_of_range": pl.Int64(),
        "remark": pl.String(),
    }
)
"""One accepted message. ``trailer`` is "" for bobtail, null where not known. Of the ``n_cells`` values in the columns
that it has, ``n_null`` came as null and ``n_out_of_range`` were made null here."""

REJECT_SCHEMA = pl.Schema(
    {
        "received": TIME,
        "topic": pl.String(),
        "reason": pl.String(),
        "content_type": pl.String(),
        "payload": pl.Binary(),
    }
)


SAMPLES_SCHEMA = pl.Schema({**_MESSAGE, "t": TIME, **{column.name: column.dtype for column in COLUMNS}})


@dataclass(frozen=True, slots=True)
class DecodedBatch:
    """What a batch of messages holds; ``message`` in each frame is the row of ``ledger`` that the row came with.

    Whose a sample is, and which trailer was coupled, stands in that row. The samples of a message lie together.
    """

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
    blocks: list[tuple[int, int, int, float, list[int] | None]] = field(default_factory=list)
    values: dict[str, bytearray] = field(default_factory=lambda: {name: bytearray() for name in COLUMN_NAMES})
    filled: dict[str, int] = field(default_factory=lambda: dict.fromkeys(COLUMN_NAMES, 0))
    n_samples: int = 0  # of the blocks so far; a column that is filled less far lacks nulls at its end
    read: list[tuple[int, Blocks]] = field(default_factory=list)  # each with the row of its first
    frames: list[pl.DataFrame] = field(default_factory=list)  # samples that came as a frame already (CAN)

    def account(
        self,
        topic: Topic,
        message: RawMessage,
        encoding: str,
        seq: int | None,
        *,
        n_rows: int,
        n_cells: int = 0,
        trailer: str | None = None,
        remark: str | None = None,
    ) -> int:
        """Open the ledger row of an accepted message and give its number."""
        whose = (topic.fleet, topic.unit, topic.stream, seq, message.received_us, encoding, len(message.payload))
        self.ledger.append((*whose, trailer, n_rows, n_cells, 0, 0, remark))
        return len(self.ledger) - 1

    def put(self, n: int, columns: Columns) -> None:
        """Take the columns of one block of ``n`` samples, NaN for null."""
        for name, (_, values) in columns.items():
            if lacking := self.n_samples - self.filled[name]:
                self.values[name] += _NAN * lacking
            self.values[name] += _doubles(values) if isinstance(values, list) else values
            self.filled[name] = self.n_samples + n
        self.n_samples += n

    def take(self, blocks: Blocks) -> None:
        """Take blocks whose numbers are read already."""
        self.read.append((len(self.ledger), blocks))
        for line, n in zip(blocks.lines, blocks.sizes.tolist(), strict=True):
            topic, body = line.topic, line.body
            whose = (topic.fleet, topic.unit, topic.stream, body.seq, line.received_us, _JSON, line.n_bytes)
            self.ledger.append((*whose, _trailer(body), n, n * line.layout.n_columns, 0, 0, None))

    def refuse(self, message: RawMessage, reason: str) -> None:
        """Set a message aside with its reason."""
        where = f"{message.line}: {reason}" if message.line else reason
        self.rejects.append((message.received_us, message.topic, where, message.content_type, message.payload))


def decode_batch(messages: Iterable[RawMessage | Blocks], *, root: str = ROOT) -> DecodedBatch:
    """Decode delivered messages of any stream.

    A message that breaks the contract becomes a row of ``rejects`` and nothing else; any bytes at all do one or the
    other. A value outside what the bus can carry becomes null and is counted in the ledger row of its message.

    Parameters
    ----------
    messages : iterable of RawMessage or Blocks
        In order of arrival, some of them read already. An iterator is held whole; what can be gone through again is
        not.
    root : str
        The topic root.

    Returns
    -------
    DecodedBatch
        Times UTC, pressures gauge kPa, as the contract has them.
    """
    batch = list(messages) if isinstance(messages, Iterator) else messages  # it may be gone through twice
    try:
        return _frames(_gather(batch, root))
    except MemoryError:
        raise
    except (Exception, PanicException):  # whatever it is: one message must not keep the others from landing
        log.exception("a message can't be decoded and nobody foresaw why; looking for it")
        return _frames(_gather(batch, root, is_screened=True))


def _gather(messages: Iterable[RawMessage | Blocks], root: str, *, is_screened: bool = False) -> _Gathered:
    """Decode one message after the other; where they are screened, each is tried by itself first."""
    gathered = _Gathered()
    for message in _singly(messages) if is_screened else messages:
        if isinstance(message, Blocks):
            gathered.take(message)
            continue
        try:
            if is_screened:
                _try_alone(message, root)
            _read(gathered, message, root)
        except PayloadError as err:
            gathered.refuse(message, str(err))
    return gathered


def _singly(messages: Iterable[RawMessage | Blocks]) -> Iterator[RawMessage]:
    for message in messages:
        if isinstance(message, Blocks):
            yield from message.messages()
        else:
            yield message


def _read(gathered: _Gathered, message: RawMessage, root: str) -> None:
    topic = parse_topic(message.topic, root)
    encoding = (message.content_type or _DEFAULT_ENCODING[topic.stream]).split(";")[0].strip().lower()
    _reader(topic, encoding)(gathered, topic, message, encoding)


def _try_alone(message: RawMessage, root: str) -> None:
    """Decode one message for nothing; what nobody foresaw becomes a reason to set it aside."""
    alone = _Gathered()
    try:
        _read(alone, message, root)
        _frames(alone)
    except (PayloadError, MemoryError):
        raise
    except (Exception, PanicException) as err:
        raise PayloadError(f"can't be decoded, please report it: {type(err).__name__}: {err}".splitlines()[0]) from err


def refused(message: RawMessage, reason: str) -> DecodedBatch:
    """Set one message aside that something else than its contents makes unusable."""
    gathered = _Gathered()
    gathered.refuse(message, reason)
    return _frames(gathered)


def _read_pressure(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    body, columns, unknown = _PRESSURE_DECODERS[encoding](message.payload, topic.unit)
    n, t0_us, times, dt_us = block_shape(body, columns)
    gathered.put(n, columns)
    row = gathered.account(
        topic,
        message,
        encoding,
        body.seq,
        n_rows=n,
        n_cells=n * len(columns),
        trailer=_trailer(body),
        remark=_remark(unknown),
    )
    if n:
        gathered.blocks.append((row, n, t0_us, dt_us, times))


def _trailer(body: PressurePayload) -> str | None:
    """Give "" for a unit known to be bobtail, None where nothing is known."""
    if body.trailer is UNSET:
        return None
    return body.trailer if isinstance(body.trailer, str) else ""


def _shown(name: str) -> str:
    return name if name.isprintable() else repr(name)


def _remark(unknown: list[str]) -> str | None:
    return f"fields not in the contract were left out: {', '.join(map(_shown, unknown))}" if unknown else None


def _read_governor(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    body, unknown = _DECODERS[encoding](message.payload, GovernorPayload, topic.unit)
    times = [microseconds(event.t) for event in body.events]
    row = gathered.account(topic, message, encoding, body.seq, n_rows=len(body.events), remark=_remark(unknown))
    for t_us, event in zip(times, body.events, strict=True):
        gathered.governor.append((row, topic.fleet, topic.unit, t_us, event.kind, event.supply_kpa))


def _read_faults(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    body, unknown = _DECODERS[encoding](message.payload, FaultsPayload, topic.unit)
    codes = body.codes if isinstance(body.codes, list) else None
    lamps = body.lamps if isinstance(body.lamps, list) else []
    t_us, lamp_times = microseconds(body.t), [microseconds(event.t) for event in lamps]
    n_rows = (codes is not None) + len(lamps)
    row = gathered.account(topic, message, encoding, body.seq, n_rows=n_rows, remark=_remark(unknown))
    key = (row, topic.fleet, topic.unit)
    if codes is not None:
        gathered.reports.append((*key, t_us, body.source_address))
        gathered.codes.extend((*key, t_us, body.source_address, code.spn, code.fmi, code.count) for code in codes)
    gathered.lamps.extend((*key, t, event.lamp, event.on) for t, event in zip(lamp_times, lamps, strict=True))


def can_batch(topic: Topic, decoded: CanDecoded, message: RawMessage) -> DecodedBatch:
    """Give a batch of one stretch of a CAN recording that is decoded already; ``message`` says where it came from."""
    gathered = _Gathered()
    _take_can(gathered, topic, message, "application/octet-stream", decoded)
    return _frames(gathered)


def _read_senml(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    block = decode_senml(message.payload, encoding, topic.unit, message.received_us)
    n = len(block.times_us)
    gathered.put(n, {name: (n, values) for name, values in block.columns.items()})
    row = gathered.account(
        topic,
        message,
        encoding,
        block.seq,
        n_rows=n,
        n_cells=n * len(block.columns),
        trailer=block.trailer,
        remark=block.remark,
    )
    if n:
        gathered.blocks.append((row, n, block.times_us[0], 0.0, block.times_us))


def _read_can(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str) -> None:
    # Each message stands alone: what joining would hold back for the next one would be acknowledged and not committed.
    _take_can(gathered, topic, message, encoding, decode_candump(message.payload))


def _take_can(gathered: _Gathered, topic: Topic, message: RawMessage, encoding: str, decoded: CanDecoded) -> None:
    if decoded.bad_lines.height:
        first = decoded.bad_lines.row(0, named=True)
        more = f" and {decoded.bad_lines.height - 1} more lines" if decoded.bad_lines.height > 1 else ""
        why = f"line {first['line_no']}: {first['reason']}{more}"
        lines = decoded.counts.lines
        if lines.n_lines == lines.n_bad + lines.n_blank:
            raise PayloadError(f"{why}; no line is a frame")
        gathered.refuse(message, f"{why}; the other lines were landed")
    # the contract's times are whole milliseconds; of two moments within one the first word counts
    at = decoded.samples.with_columns(pl.col("t").dt.truncate("1ms"))
    samples = at.unique("t", keep="first", maintain_order=True)
    n_rows = samples.height + decoded.fault_reports.height + decoded.lamp_events.height
    sent = sum(samples[name].null_count() < samples.height for name in COLUMN_NAMES)
    n_cells, remark = sent * samples.height, decoded.counts.remark()
    row = gathered.account(topic, message, encoding, None, n_rows=n_rows, n_cells=n_cells, remark=remark)
    gathered.frames.append(samples.with_columns(message=pl.lit(row, pl.UInt32)))
    for rows, frame in (
        (gathered.reports, decoded.fault_reports),
        (gathered.codes, decoded.fault_codes),
        (gathered.lamps, decoded.lamp_events),
    ):
        times = frame["t"].to_physical()
        others = frame.drop("t").iter_rows()
        rows.extend((row, topic.fleet, topic.unit, t, *rest) for t, rest in zip(times, others, strict=True))


_JSON, _CBOR = "application/json", "application/cbor"
_SENML_JSON, _SENML_CBOR = "application/senml+json", "application/senml+cbor"
_DECODERS = {_JSON: decode_json, _CBOR: decode_cbor}


def _pressure_cbor(payload: bytes, unit: str) -> tuple[PressurePayload, Columns, list[str]]:
    body, unknown = decode_cbor(payload, PressurePayload, unit)
    return body, columns_of(body), unknown


_PRESSURE_DECODERS: dict[str, Callable[[bytes, str], tuple[PressurePayload, Columns, list[str]]]] = {
    _JSON: decode_pressure_json,
    _CBOR: _pressure_cbor,
}
_DEFAULT_ENCODING = {"pressure": _JSON, "governor": _JSON, "faults": _JSON, "can": "text/plain"}
_Reader = Callable[[_Gathered, Topic, RawMessage, str], None]
_READERS: dict[tuple[str, str], _Reader] = {
    **{("pressure", encoding): _read_pressure for encoding in _DECODERS},
    **{("governor", encoding): _read_governor for encoding in _DECODERS},
    **{("faults", encoding): _read_faults for encoding in _DECODERS},
    ("pressure", _SENML_JSON): _read_senml,
    ("pressure", _SENML_CBOR): _read_senml,
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
    n_valid = _n_valid(samples)
    samples, n_bad_samples = _within_range(samples, {column.name: column for column in COLUMNS})
    governor, n_bad_events = _within_range(governor, {"supply_kpa": COLUMNS[0]})
    bad = pl.concat([n_bad_samples, n_bad_events]).group_by("message").agg(pl.col("n_bad").sum())
    ledger = (
        _rows(gathered.ledger, LEDGER_SCHEMA)
        .with_row_index("message")
        .join(bad, on="message", how="left", maintain_order="left")
        .join(n_valid, on="message", how="left", maintain_order="left")
        .with_columns(
            n_out_of_range=pl.col("n_bad").fill_null(0).cast(pl.Int64),
            n_null=(pl.col("n_cells") - pl.col("n_valid")).fill_null(0),
        )
        .drop("n_bad", "n_valid")
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


def _n_valid(samples: pl.DataFrame) -> pl.DataFrame:
    """Count the values of each message; its samples lie together, so a look at each border does what grouping would."""
    message = samples["message"].to_numpy()
    first = (
        np.concatenate([[0], np.flatnonzero(message[1:] != message[:-1]) + 1]) if message.size else np.array([], int)
    )
    size = np.diff(first, append=message.size)
    n_valid = np.zeros(first.size, np.int64)
    for column in samples.select(COLUMN_NAMES):
        if not (n_null := column.null_count()):
            n_valid += size
        elif n_null < message.size:
            n_valid += np.add.reduceat(column.is_not_null().to_numpy(), first, dtype=np.int64)
    return pl.DataFrame({"message": message[first], "n_valid": n_valid}, schema={**_MESSAGE, "n_valid": pl.Int64})


def _rows(rows: Sequence[tuple[Any, ...]], schema: dict[str, Any]) -> pl.DataFrame:
    """Make a frame of row tuples whose times are microseconds since the epoch."""
    physical = {name: pl.Int64 if dtype == TIME else dtype for name, dtype in schema.items()}
    return pl.DataFrame(rows, schema=physical, orient="row").with_columns(
        pl.col(name).cast(TIME) for name, dtype in schema.items() if dtype == TIME
    )


def _samples(gathered: _Gathered) -> pl.DataFrame:
    """Lay the gathered blocks end to end; values are not within range yet."""
    frames = [_read_samples(gathered.read)] if gathered.read else []
    if gathered.blocks or not frames:
        rows, sizes, starts_us, steps_us, _ = zip(*gathered.blocks, strict=True) if gathered.blocks else ((),) * 5
        size = np.array(sizes, dtype=np.int64)
        t_us = _even_times(size, np.array(starts_us, dtype=np.int64), np.array(steps_us, dtype=np.float64))
        for at, (_, n, _, _, times) in zip(np.cumsum(size) - size, gathered.blocks, strict=True):
            if times is not None:
                t_us[at : at + n] = times
        columns = [_column(gathered, name) for name in COLUMN_NAMES]
        frames.append(_laid_out(np.array(rows, dtype=np.uint32), size, t_us, columns))
    names = list(SAMPLES_SCHEMA)
    frames += [other.select(names).cast(dict.fromkeys(COLUMN_NAMES, pl.Float64)) for other in gathered.frames]
    return pl.concat(frames)


def _read_samples(read: list[tuple[int, Blocks]]) -> pl.DataFrame:
    """Lay blocks end to end whose numbers are read already."""
    size = np.concatenate([blocks.sizes for _, blocks in read])
    rows = np.concatenate([np.arange(row, row + blocks.sizes.size, dtype=np.uint32) for row, blocks in read])
    start_us = np.concatenate([blocks.t0_us for _, blocks in read])
    t_us = _even_times(size, start_us, np.concatenate([blocks.dt_us for _, blocks in read]))
    at = 0
    for _, blocks in read:
        if blocks.times_us is not None:
            is_given, times_us = blocks.times_us
            t_us[at : at + is_given.size][is_given] = times_us
        at += int(blocks.sizes.sum())
    return _laid_out(
        rows, size, t_us, [_read_column([blocks for _, blocks in read], name, t_us.size) for name in COLUMN_NAMES]
    )


def _read_column(read: list[Blocks], name: str, n: int) -> pl.Series:
    """Lay one column end to end, null where blocks have none."""
    if not any(name in blocks.columns for blocks in read):
        return _nothing(name, n)
    lacking = [np.full(int(blocks.sizes.sum()), np.nan) if name not in blocks.columns else None for blocks in read]
    parts = [blocks.columns[name] if other is None else other for blocks, other in zip(read, lacking, strict=True)]
    values = pl.Series(name, np.concatenate(parts))
    has_nulls = any(name in blocks.with_nulls or name not in blocks.columns for blocks in read)
    return values.fill_nan(None) if has_nulls else values


def _even_times(size: Whole, start_us: Whole, step_us: Doubles) -> Whole:
    """Give the times of evenly spaced blocks, in whole milliseconds after each one's first."""
    index = np.arange(size.sum()) - np.repeat(np.cumsum(size) - size, size)
    t_us = np.repeat(start_us, size)
    t_us += np.rint(index * np.repeat(step_us, size) / 1000.0).astype(np.int64) * 1000
    return t_us


def _laid_out(rows: NDArray[np.uint32], size: Whole, t_us: Whole, columns: list[pl.Series]) -> pl.DataFrame:
    message = pl.Series("message", np.repeat(rows, size))
    return pl.DataFrame([message, pl.Series("t", t_us).cast(TIME), *columns])


def _doubles(values: list[float | None]) -> bytes:
    """Write doubles, NaN for null; a NaN that was sent (CBOR can) becomes infinite, which is out of range."""
    array = np.array(values, dtype=np.float64)
    if np.isnan(array).any():
        sent = np.array([value is not None for value in values])
        array[sent & np.isnan(array)] = np.inf
    return array.tobytes()


def _column(gathered: _Gathered, name: str) -> pl.Series:
    """Lay one column's values end to end."""
    doubles, filled = gathered.values[name], gathered.filled[name]
    if not doubles:
        return _nothing(name, gathered.n_samples)
    values = pl.Series(name, np.frombuffer(doubles, dtype=np.float64)).fill_nan(None)
    return values.extend_constant(None, gathered.n_samples - filled) if filled < gathered.n_samples else values


def _nothing(name: str, n: int) -> pl.Series:
    return pl.Series(name, [None], dtype=pl.Float64).new_from_index(0, n)


def _within_range(frame: pl.DataFrame, columns: dict[str, Column]) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Null what the bus can't carry; count it by message. A switch is 0 or 1, whatever its two bits may also say."""
    final = pl.Schema({name: column.dtype for name, column in columns.items()})
    suspect = [name for name, column in columns.items() if not _all_fit(frame[name], column)]
    if not suspect:
        return frame.cast(final), pl.DataFrame(schema={**_MESSAGE, "n_bad": pl.UInt32})

    def is_bad(name: str) -> pl.Expr:
        value, column = pl.col(name), columns[name]
        fits = value.is_in([0.0, 1.0]) if column.is_switch else value.is_between(column.low, column.high)
        return value.is_not_null() & ~fits

    n_bad = pl.sum_horizontal(is_bad(name).cast(pl.UInt32) for name in suspect)
    counts = frame.select("message", n_bad=n_bad).filter(pl.col("n_bad") > 0)
    cleaned = frame.with_columns(pl.when(~is_bad(name)).then(pl.col(name)).alias(name) for name in suspect)
    return cleaned.cast(final), counts


def _all_fit(values: pl.Series, column: Column) -> bool:
    """Tell quickly that nothing is out of range, as in nearly every batch."""
    if values.null_count() == len(values):
        return True
    numbers = values.drop_nulls().to_numpy()
    fits = bool(column.low <= numbers.min() and numbers.max() <= column.high)  # NaN, which may be sent, does not
    return fits and not (column.is_switch and (numbers != np.floor(numbers)).any())
