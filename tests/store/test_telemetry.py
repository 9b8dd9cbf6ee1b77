"""Each sample and event once, whatever order, repetition and cutting it comes in."""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.columns import COLUMN_NAMES, SAMPLE_SCHEMA
from airwatch.contract.message import RawMessage
from airwatch.errors import StoreError
from airwatch.store.database import Store
from airwatch.store.results import landing_counts
from airwatch.store.telemetry import Landed, TelemetryWriter
from tests.messages import T0_US, at, drive, faults, governor, message, pressure

VALUES = ["trailer", *COLUMN_NAMES]
TABLES = ["samples", "governor_events", "fault_reports", "fault_codes", "lamp_events", "messages", "rejects"]


@contextmanager
def opened(path: Path) -> Iterator[tuple[Store, TelemetryWriter]]:
    """Open a store and its writer."""
    with Store.open(path) as store:
        yield store, TelemetryWriter(store)


def stored(store: Store) -> dict[tuple[str, str, int], tuple[Any, ...]]:
    """Give every stored sample by key; a key that is there twice fails."""
    names = ", ".join(SAMPLE_SCHEMA)
    query = f"SELECT {names} FROM air.samples JOIN air.unit_keys USING (unit_key)"  # noqa: S608 names of this file only
    frame = store.frame(query).cast(SAMPLE_SCHEMA)
    keys = list(zip(frame["fleet"], frame["unit"], frame["t"].to_physical(), strict=True))
    assert len(set(keys)) == len(keys)
    return dict(zip(keys, frame.select(VALUES).iter_rows(), strict=True))


# any sequence of blocks, against a plain dictionary ------------------------------------------------------------------


@dataclass
class Plain:
    """What should be stored: the first word of each value wins, nulls are filled. Slow and plain on purpose."""

    samples: dict[tuple[str, str, int], list[Any]] = field(default_factory=dict)
    accounts: list[tuple[int, int, int]] = field(default_factory=list)

    def land(self, fleet: str, unit: str, rows: list[tuple[int, list[Any]]]) -> None:
        """Take in one message: times and values, and account for new, filled and conflicting samples."""
        n_new = n_filled = n_conflicting = 0
        for t_us, values in rows:
            known = self.samples.get((fleet, unit, t_us))
            if known is None:
                self.samples[fleet, unit, t_us] = list(values)
                n_new += 1
                continue
            gains = [k for k, value in enumerate(values) if value is not None and known[k] is None]
            n_filled += bool(gains)
            n_conflicting += any(v is not None and known[k] is not None and v != known[k] for k, v in enumerate(values))
            for k in gains:
                known[k] = values[k]
        self.accounts.append((n_new, n_filled, n_conflicting))


@dataclass(frozen=True)
class Block:
    """One pressure message of a generated sequence."""

    fleet: str
    unit: str
    offsets_s: list[int]
    trailer: str | None
    columns: dict[str, list[int | None]]

    def message(self) -> RawMessage:
        """Write it as a gateway does."""
        trailer: object = {None: ..., "": None}.get(self.trailer, self.trailer)
        fields = {"primary_kpa": ..., "dt_ms": ..., "t_ms": [1000 * s for s in self.offsets_s], "trailer": trailer}
        return message(pressure(**fields | {"unit": self.unit} | self.columns), fleet=self.fleet)

    def rows(self) -> list[tuple[int, list[Any]]]:
        """Give its samples as times and values."""
        lists = [self.columns.get(name, [None] * len(self.offsets_s)) for name in COLUMN_NAMES]
        return [
            (T0_US + s * 1_000_000, [self.trailer, *(values[k] for values in lists)])
            for k, s in enumerate(self.offsets_s)
        ]


@st.composite
def blocks(draw: st.DrawFn) -> Block:
    """Give a block that is likely to overlap, repeat or contradict others: few units, few times, few values."""
    offsets = sorted(draw(st.sets(st.integers(0, 9), min_size=1, max_size=6)))
    names = draw(st.sets(st.sampled_from(["primary_kpa", "secondary_kpa", "park_brake"])))
    few = st.sampled_from([None, 0, 1])
    columns = {name: draw(st.lists(few, min_size=len(offsets), max_size=len(offsets))) for name in sorted(names)}
    trailer = draw(st.sampled_from([None, "", "R-1"]))
    return Block(
        draw(st.sampled_from(["north", "south"])), draw(st.sampled_from(["K-1", "K-2"])), offsets, trailer, columns
    )


@settings(max_examples=40, deadline=None)
@given(batches=st.lists(st.tuples(st.lists(blocks(), max_size=5), st.booleans()), min_size=1, max_size=5))
def test_any_blocks_in_any_batches_agree_with_a_plain_dictionary(
    tmp_path_factory: pytest.TempPathFactory, batches: list[tuple[list[Block], bool]]
) -> None:
    path = tmp_path_factory.mktemp("store") / "a.duckdb"
    plain = Plain()
    store = Store.open(path)
    writer = TelemetryWriter(store)
    landed: list[Landed] = []
    try:
        for group, reopens in batches:
            for block in group:
                plain.land(block.fleet, block.unit, block.rows())
            landed.append(writer.write(decode_batch([block.message() for block in group])))
            assert stored(store) == {key: tuple(values) for key, values in plain.samples.items()}
            if reopens:
                store.close()
                store = Store.open(path)
                writer = TelemetryWriter(store)
        ledger = store.frame("SELECT batch, n_rows, n_new, n_filled, n_conflicting FROM air.messages")
        assert ledger.select("n_new", "n_filled", "n_conflicting").rows() == plain.accounts
        assert ledger["n_new"].sum() == len(plain.samples) == sum(one.n_samples for one in landed)
        assert ledger["n_rows"].sum() == sum(one.n_samples + one.n_repeated for one in landed)
        assert ledger["batch"].is_sorted()
    finally:
        store.close()


@pytest.mark.parametrize("size", [1, 7, 100])
def test_the_same_messages_in_other_batches_and_twice_give_the_same_samples(tmp_path: Path, size: int) -> None:
    messages = [*drive("K-1", 20), *drive("K-2", 20)]
    late = [*messages[10:], *messages[5:], *reversed(messages)]
    with opened(tmp_path / "a.duckdb") as (store, writer):
        for k in range(0, len(late), size):
            writer.write(decode_batch(late[k : k + size]))
        got = stored(store)
        assert landing_counts(store) == {
            "messages": 105, "rows": 6300, "repeated": 3900, "conflicting": 0, "out_of_range": 0,
            "rejects": 0, "samples": 2400,
        }  # fmt: skip
    with opened(tmp_path / "b.duckdb") as (store, writer):
        writer.write(decode_batch(messages))
        assert stored(store) == got


def test_the_first_word_stays_a_null_is_filled_and_a_contradiction_is_counted(tmp_path: Path) -> None:
    first = pressure(primary_kpa=[8, None], secondary_kpa=[None, 16])
    second = pressure(primary_kpa=[24, 32], secondary_kpa=[40, 16], trailer="R-77")
    with opened(tmp_path / "a.duckdb") as (store, writer):
        writer.write(decode_batch([message(first)]))
        landed = writer.write(decode_batch([message(second)]))
        assert landed == Landed(batch=2, n_messages=1, n_samples=0, n_repeated=2, n_rejected=0)
        frame = store.frame("SELECT primary_kpa, secondary_kpa, trailer FROM air.samples ORDER BY t")
        assert frame.rows() == [(8.0, 40.0, "R-77"), (32.0, 16.0, "R-77")]
        ledger = store.frame("SELECT n_rows, n_new, n_filled, n_conflicting FROM air.messages ORDER BY batch")
        assert ledger.rows() == [(2, 2, 0, 0), (2, 0, 2, 1)]


def test_a_ledger_row_tells_message_span_and_batch(tmp_path: Path) -> None:
    sent = [
        message(pressure(seq=5), received_us=T0_US + 1),
        message(governor({"t": at(-9), "kind": "cut_in"}), "governor"),
    ]
    with opened(tmp_path / "a.duckdb") as (store, writer):
        writer.write(decode_batch(sent))
        ledger = store.frame(
            "SELECT batch, fleet, unit, stream, seq, epoch_us(received) AS received, encoding, bytes,"
            " epoch_us(t_first) AS t_first, epoch_us(t_last) AS t_last, n_new, remark"
            " FROM air.messages ORDER BY seq DESC"
        )
    common = {"batch": 1, "fleet": "north", "unit": "K-204", "encoding": "application/json", "remark": None}
    assert ledger.to_dicts() == [
        common
        | {"stream": "pressure", "seq": 5, "received": T0_US + 1, "bytes": len(sent[0].payload)}
        | {"t_first": T0_US, "t_last": T0_US + 1_000_000, "n_new": 2},
        common
        | {"stream": "governor", "seq": 3, "received": T0_US, "bytes": len(sent[1].payload)}
        | {"t_first": T0_US - 9_000_000, "t_last": T0_US - 9_000_000, "n_new": 1},
    ]


def test_text_with_quotes_null_characters_and_other_scripts_is_stored_as_it_is(tmp_path: Path) -> None:
    trailers = ["R'77", 'R"77', "R\x0077", "R;--", "påhenger 拖车", "R" * 10_000]
    with opened(tmp_path / "a.duckdb") as (store, writer):
        writer.write(decode_batch([message(pressure(t0=at(60 * k), trailer=t)) for k, t in enumerate(trailers)]))
        assert store.frame("SELECT trailer FROM air.samples ORDER BY t")["trailer"].to_list()[::2] == trailers


def test_the_earliest_and_latest_time_are_stored(tmp_path: Path) -> None:
    stamps = ["1970-01-01T00:00:00Z", "9999-12-30T23:59:59Z"]
    with opened(tmp_path / "a.duckdb") as (store, writer):
        for _ in range(2):
            writer.write(decode_batch([message(pressure(t0=t0, primary_kpa=[8])) for t0 in stamps]))
        times = store.frame("SELECT t FROM air.samples ORDER BY t")["t"].dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        assert times.to_list() == stamps


# events --------------------------------------------------------------------------------------------------------------

EVENT_MESSAGES = [
    message(governor({"t": at(3), "kind": "cut_out", "supply_kpa": 896}, {"t": at(70), "kind": "cut_in"}), "governor"),
    message(governor({"t": at(70), "kind": "cut_in"}, {"t": at(70), "kind": "cut_in", "supply_kpa": 720}), "governor"),
    message(faults(codes=[{"spn": 789, "fmi": 5, "count": 3}, {"spn": 790, "fmi": 5}]), "faults"),
    message(faults(codes=[], t=at(5)), "faults"),
    message(faults(codes=[], t=at(5), source_address=None), "faults"),
    message(faults(codes=[{"spn": 790, "fmi": 5}] * 2, t=at(9), source_address=None), "faults"),
    message(
        faults(lamps=[{"lamp": "key", "t": at(1), "on": True}, {"lamp": "key", "t": at(1), "on": False}]), "faults"
    ),
    message(faults(lamps=[{"lamp": "key", "t": at(1), "on": True}], unit="K-205"), "faults"),
]


@settings(max_examples=30, deadline=None)
@given(batches=st.lists(st.lists(st.sampled_from(EVENT_MESSAGES), max_size=6), max_size=5))
def test_any_repetition_of_events_leaves_each_once(
    tmp_path_factory: pytest.TempPathFactory, batches: list[list[RawMessage]]
) -> None:
    sent = [one for group in batches for one in group]
    once = decode_batch(dict.fromkeys(sent))
    with opened(tmp_path_factory.mktemp("store") / "a.duckdb") as (store, writer):
        for group in batches:
            writer.write(decode_batch(group))
        n_events = 0
        for table in ("governor_events", "fault_reports", "fault_codes", "lamp_events"):
            expected = getattr(once, table).drop("message")
            rows = store.frame(f"SELECT {', '.join(expected.columns)} FROM air.{table}").rows()  # noqa: S608 names of this file only
            assert len(rows) == len(set(rows))
            assert set(rows) == set(expected.iter_rows())
            n_events += len(rows) if table != "fault_codes" else 0
        ledger = store.frame("SELECT n_new FROM air.messages")
        assert (ledger.height, ledger["n_new"].sum()) == (len(sent), n_events)


# a write that fails --------------------------------------------------------------------------------------------------


def broken(decoded: DecodedBatch) -> DecodedBatch:
    """Give the batch a reject without a topic, which the table (written last but one) does not take."""
    schema = decoded.rejects.schema
    bad = pl.DataFrame([{"received": None, "topic": None, "reason": "x", "content_type": None, "payload": b""}], schema)
    return replace(decoded, rejects=bad)


def test_a_write_that_fails_leaves_nothing_and_the_writer_goes_on(tmp_path: Path) -> None:
    batch = decode_batch([*drive("K-1", 3), *EVENT_MESSAGES, message(b"x")])
    more = decode_batch([*drive("K-1", 4), *EVENT_MESSAGES])
    with opened(tmp_path / "a.duckdb") as (store, writer):
        with pytest.raises(
            StoreError, match=rf"^{tmp_path}/a.duckdb: can't be written: .*NOT NULL.*; check disk space"
        ):
            writer.write(broken(batch))
        assert counts(store) == dict.fromkeys(TABLES, 0)
        assert writer.write(batch) == Landed(1, len(EVENT_MESSAGES) + 3, 180, 0, 1)
        before = counts(store)
        with pytest.raises(StoreError, match="NOT NULL"):
            writer.write(broken(more))
        assert counts(store) == before
        assert writer.write(more).n_samples == 60
    with opened(tmp_path / "a.duckdb") as (store, _):
        assert counts(store)["samples"] == 240


def test_a_write_that_fails_does_not_lose_a_value_that_was_to_be_filled(tmp_path: Path) -> None:
    with opened(tmp_path / "a.duckdb") as (store, writer):
        writer.write(decode_batch([message(pressure())]))
        before = stored(store)
        with pytest.raises(StoreError, match="NOT NULL"):
            writer.write(broken(decode_batch([message(pressure(secondary_kpa=[8, 16]))])))
        assert stored(store) == before


def counts(store: Store) -> dict[str, int]:
    """Count the rows of the telemetry tables."""
    return {table: int(store.frame(f"SELECT count(*) AS n FROM air.{table}")["n"].item()) for table in TABLES}  # noqa: S608 names of this file only


def test_refused_messages_are_kept_as_they_came_each_time_they_come(tmp_path: Path) -> None:
    bad = [message(b"\x00\xff"), message(b"", "can"), message(pressure(v=3)), message(b"\x00\xff", content_type="x/y")]
    with opened(tmp_path / "a.duckdb") as (store, writer):
        for _ in range(2):
            writer.write(decode_batch(bad))
        rejects = store.frame("SELECT topic, content_type, payload FROM air.rejects")
        kept = [(m.topic, m.content_type, m.payload) for m in (bad[0], bad[2], bad[3])]
        assert sorted(rejects.rows(), key=repr) == sorted(kept * 2, key=repr)
        assert store.frame("SELECT count(*) AS n FROM air.messages")["n"].item() == 2
