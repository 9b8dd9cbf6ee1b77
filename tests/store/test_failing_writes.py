"""Files that can't grow: what is committed stays, what is not is not there, and the store goes on afterwards.

A limit on the size of files stands for a disk that is full; `tests/landing/test_full_disk.py` fills a real one.
"""

import logging
import resource
import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

import polars as pl
import pytest

from airwatch.errors import StoreError
from airwatch.store import database
from airwatch.store.database import Store

ROWS = 100_000  # of 8 bytes that don't compress: half a megabyte more in the file than the limit below lets it have
HELD = 5
FULL = "check disk space and memory$"


def numbers(first: int) -> pl.DataFrame:
    """Give rows for `air.derive_marks` whose numbers don't compress."""
    return pl.select(job=pl.lit("a"), batch=pl.int_range(first, first + ROWS).hash(seed=1).reinterpret(signed=True))


def add(store: Store, k: int) -> None:
    """Commit the ``k``-th rows."""
    with store.transaction(new=numbers(k * ROWS)) as write:
        write.execute("INSERT INTO air.derive_marks BY NAME SELECT * FROM new")


def count(store: Store) -> tuple[int, int]:
    """Give how many rows there are, and how many different ones."""
    return store.frame("SELECT count(*), count(DISTINCT batch) FROM air.derive_marks").row(0)


@contextmanager
def files_of_at_most(size_bytes: int) -> Iterator[None]:
    """Let no file of this process grow beyond a size while the block lasts."""
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes, before[1]))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    """Give a store whose file is larger than its log will be: five times the rows, in the file."""
    with Store.open(tmp_path / "a.duckdb") as opened:
        for k in range(HELD):
            add(opened, k)
        opened.checkpoint()
        yield opened


def full(store: Store) -> int:
    """Give the size of the file: as a limit, it leaves room for the log and none for a checkpoint."""
    return store.path.stat().st_size


def test_a_commit_whose_checkpoint_fails_is_one_and_the_store_goes_on(
    store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(database, "_LONG_LOG_BYTES", 1)
    with files_of_at_most(full(store)):
        add(store, HELD)  # does not raise: who is told that it failed writes it again
        assert count(store) == ((HELD + 1) * ROWS, (HELD + 1) * ROWS)
    (said,) = [record.getMessage() for record in caplog.records if record.levelno == logging.WARNING]
    assert said.startswith(f"{store.path}: can't be written: ")
    assert said.endswith("; its log grows on")
    add(store, HELD + 1)
    assert count(store) == ((HELD + 2) * ROWS, (HELD + 2) * ROWS)
    assert not store.path.with_name("a.duckdb.wal").exists()  # this checkpoint was made


def test_a_long_log_goes_into_the_file(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    before = full(store)
    add(store, HELD)
    assert full(store) == before
    monkeypatch.setattr(database, "_LONG_LOG_BYTES", 1)
    add(store, HELD + 1)
    assert full(store) > before


def test_a_checkpoint_that_fails_says_so_in_one_line_and_the_store_goes_on(store: Store) -> None:
    add(store, HELD)
    with files_of_at_most(full(store)):
        for _ in range(2):
            with pytest.raises(StoreError, match=rf"^{store.path}: can't be written: .*File too large; {FULL}"):
                store.checkpoint()
        assert count(store) == ((HELD + 1) * ROWS, (HELD + 1) * ROWS)
    store.checkpoint()
    add(store, HELD + 1)
    assert count(store) == ((HELD + 2) * ROWS, (HELD + 2) * ROWS)


def test_a_commit_that_can_not_be_written_leaves_nothing_and_may_be_tried_again(store: Store) -> None:
    with files_of_at_most(ROWS):
        for _ in range(2):
            with pytest.raises(StoreError, match=rf"^{store.path}: can't be written: .*File too large; {FULL}"):
                add(store, HELD)
        assert count(store) == (HELD * ROWS, HELD * ROWS)
    add(store, HELD)
    assert count(store) == ((HELD + 1) * ROWS, (HELD + 1) * ROWS)


def test_a_store_that_can_not_checkpoint_closes_and_holds_everything_when_opened_again(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "a.duckdb"
    store = Store.open(path)
    add(store, 0)
    store.checkpoint()
    add(store, 1)
    with files_of_at_most(full(store)):
        store.close()
    (said,) = [record.getMessage() for record in caplog.records if record.levelno == logging.WARNING]
    assert said.startswith(f"{path}: not checkpointed; what is committed stays in its log: ")
    assert "\n" not in said
    with Store.open(path) as again:
        assert count(again) == (2 * ROWS, 2 * ROWS)


def test_a_store_that_can_not_be_opened_again_says_so_and_is_tried_at_each_use(store: Store) -> None:
    add(store, HELD)
    with files_of_at_most(full(store)), pytest.raises(StoreError, match="can't be written"):
        store.checkpoint()
    elsewhere = store.path.with_name("elsewhere")
    store.path.rename(elsewhere)
    store.path.write_bytes(b"no database at all" * 1000)
    why = rf"^{store.path}: can't be opened again: .*; it is tried again at the next use, check disk space$"
    for use in (count, Store.checkpoint, lambda s: add(s, HELD + 1)):
        with pytest.raises(StoreError, match=why) as caught:
            use(store)
        assert "\n" not in str(caught.value)
    elsewhere.rename(store.path)
    assert count(store) == ((HELD + 1) * ROWS, (HELD + 1) * ROWS)


def test_readers_of_other_threads_go_on_while_the_store_is_opened_again(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(database, "_LONG_LOG_BYTES", 1)
    ending = threading.Event()

    def read() -> tuple[list[int], set[str]]:
        """Read until told to end; give what was read, and what was said instead."""
        read_counts, said = [], set()
        while not ending.is_set():
            try:
                read_counts.append(count(store)[0])
            except StoreError as err:
                said.add(str(err))
        return read_counts, said

    with ThreadPoolExecutor(2) as pool, files_of_at_most(full(store)):
        reading = [pool.submit(read) for _ in range(2)]
        try:
            for k in range(HELD, HELD + 4):
                for _ in range(1000):  # as the lander does
                    try:
                        add(store, k)
                    except StoreError:
                        continue
                    break
        finally:
            ending.set()
        for done in reading:
            counts, said = done.result()
            assert counts == sorted(counts)
            assert all(one.startswith(f"{store.path}: can't be ") and "\n" not in one for one in said)
    assert count(store) == ((HELD + 4) * ROWS, (HELD + 4) * ROWS)


def test_a_question_that_can_not_be_answered_is_told_in_one_line(store: Store) -> None:
    with pytest.raises(StoreError, match=rf"^{store.path}: can't be read: .*no_such_table.*; {FULL}") as caught:
        store.frame("SELECT * FROM air.no_such_table")
    assert "\n" not in str(caught.value)
    assert count(store) == (HELD * ROWS, HELD * ROWS)
