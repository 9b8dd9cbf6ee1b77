"""Opening, migrating, locking and transactions of the store."""

import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import polars as pl
import pytest

from airwatch.errors import StoreError
from airwatch.store.database import Store, migrations

HOLD = """
import sys
from pathlib import Path
from airwatch.store.database import Store
with Store.open(Path(sys.argv[1])):
    print("open", flush=True)
    sys.stdin.read()
"""


def tables(store: Store) -> list[tuple[str, str, str]]:
    """Give every column of the store: table, name, type."""
    query = "SELECT table_name, column_name, data_type FROM duckdb_columns() WHERE database_name = 'air' ORDER BY ALL"
    return store.frame(query).rows()


def test_opening_again_applies_no_migration_twice(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.duckdb") as store:
        first = tables(store)
        store.migrate()
    with Store.open(tmp_path / "a.duckdb") as store:
        assert tables(store) == first
        versions = store.frame("SELECT version, name FROM air.schema_versions ORDER BY version")
    assert versions.rows() == [(version, name) for version, (name, _) in sorted(migrations().items())]
    assert sorted(migrations()) == list(range(1, len(migrations()) + 1))


def test_a_store_of_each_older_schema_is_brought_up_to_date(tmp_path: Path) -> None:
    with Store.open(tmp_path / "new.duckdb") as store:
        expected = tables(store)
    for version in range(len(migrations()) + 1):
        path = tmp_path / f"{version}.duckdb"
        with Store.open(path) as store, store.transaction() as write:
            for (table,) in write.execute(
                "SELECT table_name FROM duckdb_tables() WHERE database_name = 'air' AND table_name <> 'schema_versions'"
            ).fetchall():
                write.execute(f'DROP TABLE air."{table}"')
            write.execute("DELETE FROM air.schema_versions")
            for step in range(1, version + 1):
                name, sql = migrations()[step]
                write.execute(sql)
                write.execute("INSERT INTO air.schema_versions VALUES (?, ?)", [step, name])
        with Store.open(path) as store:
            assert tables(store) == expected


def test_a_store_of_a_newer_schema_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    with Store.open(path) as store, store.transaction() as write:
        write.execute("INSERT INTO air.schema_versions VALUES (9999, '9999_later.sql')")
    known = max(migrations())
    why = rf"^{path}: the store has schema 9999, this airwatch knows {known}; use a newer airwatch$"
    for _ in range(2):  # and the refusal leaves the file free
        with pytest.raises(StoreError, match=why):
            Store.open(path)


def test_a_store_that_another_process_has_open_is_refused_in_one_line(tmp_path: Path) -> None:
    path = tmp_path / "a.duckdb"
    with subprocess.Popen(
        [sys.executable, "-c", HOLD, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "open\n"
        with pytest.raises(StoreError, match=rf"^{path}: the store is in use: .*; stop that one, or ask it") as caught:
            Store.open(path)
        assert "\n" not in str(caught.value)
        other.communicate()
    assert other.returncode == 0
    with Store.open(path) as store:
        assert tables(store) != []


def test_what_is_no_store_is_refused_in_one_line(tmp_path: Path) -> None:
    garbage = tmp_path / "clock.duckdb"  # a name that holds the word 'lock'
    table = tmp_path / "units.csv"  # what DuckDB by itself would read as a table, and write to in memory only
    for path in (garbage, table):
        path.write_bytes(b"no database at all" * 1000)
    for path in (garbage, table, tmp_path / "no folder" / "a.duckdb", tmp_path):
        with pytest.raises(StoreError, match=rf"^{path}: can't be opened as a store: .*; check the path") as caught:
            Store.open(path)
        assert "\n" not in str(caught.value)
    assert garbage.read_bytes() == table.read_bytes() == b"no database at all" * 1000


def test_a_store_that_must_exist(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=rf"^{tmp_path}/a.duckdb: no such store; land something first"):
        Store.open(tmp_path / "a.duckdb", must_exist=True)
    assert list(tmp_path.iterdir()) == []
    Store.open(tmp_path / "a.duckdb").close()
    Store.open(tmp_path / "a.duckdb", must_exist=True).close()


def test_a_path_with_quotes(tmp_path: Path) -> None:
    path = tmp_path / "it's; DROP.duckdb"
    with Store.open(path) as store:
        assert tables(store) != []
    assert path.exists()


def marks(store: Store) -> list[tuple[str, int]]:
    return store.frame("SELECT job, batch FROM air.derive_marks ORDER BY batch").rows()


def test_a_transaction_is_seen_by_others_only_when_it_is_done(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.duckdb") as store, ThreadPoolExecutor(1) as elsewhere:
        with store.transaction(new=pl.DataFrame({"job": ["a", "b"], "batch": [1, 2]})) as write:
            write.execute("INSERT INTO air.derive_marks BY NAME SELECT * FROM new")
            assert elsewhere.submit(marks, store).result() == []
        assert elsewhere.submit(marks, store).result() == [("a", 1), ("b", 2)]


def test_a_transaction_whose_body_raises_is_undone_and_its_frames_are_gone(tmp_path: Path) -> None:
    def add_and_fail(store: Store) -> None:
        with store.transaction(new=pl.DataFrame({"batch": [1]})) as write:
            write.execute("INSERT INTO air.derive_marks SELECT 'a', batch FROM new")
            raise ZeroDivisionError

    with Store.open(tmp_path / "a.duckdb") as store:
        with pytest.raises(ZeroDivisionError):
            add_and_fail(store)
        assert marks(store) == []
        with pytest.raises(StoreError, match="new"), store.transaction() as write:
            write.execute("SELECT * FROM new")
        with store.transaction() as write:
            write.execute("INSERT INTO air.derive_marks VALUES ('a', 1)")
        assert marks(store) == [("a", 1)]


def test_writers_of_several_threads_take_turns(tmp_path: Path) -> None:
    together = threading.Barrier(4)

    def add(store: Store, job: str) -> None:
        together.wait()
        for _ in range(25):
            with store.transaction() as write:
                row = write.execute("SELECT coalesce(max(batch), 0) FROM air.derive_marks").fetchone()
                assert row is not None
                write.execute("INSERT INTO air.derive_marks VALUES (?, ?)", [job, row[0] + 1])

    with Store.open(tmp_path / "a.duckdb") as store:
        with ThreadPoolExecutor(4) as pool:
            for done in [pool.submit(add, store, str(k)) for k in range(4)]:
                done.result()
        assert [batch for _, batch in marks(store)] == list(range(1, 101))
