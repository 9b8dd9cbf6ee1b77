"""Fleets kept apart: each table has a rule, a view shows no other fleet's row, and what has no rule is not there."""

from collections.abc import Iterator
from pathlib import Path

import polars as pl
import pytest

from airwatch.access.fleets import ALL, Fleets
from airwatch.errors import StoreError
from airwatch.store.alerts import alert_of, history_of
from airwatch.store.database import Store
from airwatch.store.export import TABLES, export_frame
from airwatch.store.results import is_known, landing_counts, pressure_history, rejects, sample_span
from airwatch.store.views import Views, rows_seen, tables_of
from tests.dashboards.alert_rows import LEAK
from tests.dashboards.small_fleet import NEWEST, ORDER
from tests.dashboards.two_fleets import OTHER_LEAK, fill_both

NORTH, SOUTH, NONE = Fleets(frozenset({"north"})), Fleets(frozenset({"south"})), Fleets(frozenset())


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    with Store.open(tmp_path_factory.mktemp("two") / "two.duckdb") as opened:
        fill_both(opened)
        yield opened


def test_every_table_has_a_rule(store: Store) -> None:
    """A table that nobody thought of would be missing from views, and those who see some fleets would get errors."""
    assert [table for table, columns in tables_of(store).items() if rows_seen(table, columns) is None] == []


def test_a_view_shows_of_every_table_the_rows_of_its_fleets_only(store: Store) -> None:
    views, n_looked_at = Views(store), 0
    for table, columns in tables_of(store).items():
        if not columns & {"fleet", "unit_key", "topic"}:
            continue
        counts = [views.of(f).frame(f"SELECT count(*) AS n FROM air.{table}").item() for f in (ALL, NORTH, SOUTH, NONE)]  # noqa: S608
        assert counts[1] == counts[2] == counts[0] / 2, table
        assert counts[3] == 0, table
        n_looked_at += counts[0] > 0
        if "fleet" in columns:
            seen = views.of(NORTH).frame(f"SELECT DISTINCT fleet FROM air.{table}")["fleet"].to_list()  # noqa: S608
            assert seen in (["north"], []), table
    assert n_looked_at >= 7


def test_what_pages_read_through_a_view_is_of_its_fleets(store: Store) -> None:
    north = Views(store).of(NORTH)
    assert is_known(north, "north", "K-leak")
    assert not is_known(north, "south", "Q-leak")
    assert alert_of(north, LEAK).height == 1
    assert alert_of(north, OTHER_LEAK).is_empty()
    assert history_of(north, [LEAK, OTHER_LEAK])["alert"].unique().to_list() == [LEAK]
    assert sample_span(north, "south", "Q-leak") is None
    span = {"start": NEWEST.replace(year=2000), "end": NEWEST}
    assert pressure_history(north, "south", "Q-leak", **span).is_empty()
    assert pressure_history(north, "north", "K-leak", **span).equals(pressure_history(store, "north", "K-leak", **span))
    counts, whole = landing_counts(north), landing_counts(store)
    assert {name: 2 * n for name, n in counts.items()} == whole
    assert rejects(north, page=1, size=99)[0]["topic"].to_list() == ["air/v1/north/K-leak/pressure"]
    for table in TABLES:
        text = str(export_frame(north, table).to_dicts())
        assert "Q-" not in text
        assert "south" not in text


def test_a_view_is_read_only_and_gives_the_store_for_its_own_fleets_alone(store: Store) -> None:
    north = Views(store).of(NORTH)
    with pytest.raises(StoreError, match=r"a view of some fleets is read only"), north.transaction():
        pytest.fail("it was begun")
    for sql in (
        "DELETE FROM air.alerts",
        "INSERT INTO air.raw_since VALUES (now())",
        "UPDATE air.units SET kind = 'bus'",
    ):
        with pytest.raises(StoreError, match=r"can't be read"):
            north.frame(sql)
    assert north.for_writing("north") is store
    with pytest.raises(StoreError, match=r"fleet 'south' is not among those"):
        north.for_writing("south")
    assert (store.sees_all, north.sees_all) == (True, False)
    assert (store.for_writing("south"), Views(store).of(ALL)) == (store, store)


def test_a_table_without_a_rule_is_not_there(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.duckdb") as opened:
        with opened.transaction() as write:
            write.execute("CREATE TABLE air.forgotten (secret VARCHAR)")
        assert opened.frame("SELECT * FROM air.forgotten").height == 0
        with pytest.raises(StoreError, match=r"forgotten does not exist"):
            Views(opened).of(NORTH).frame("SELECT * FROM air.forgotten")


def test_names_of_fleets_are_no_sql(tmp_path: Path) -> None:
    with Store.open(tmp_path / "a.duckdb") as opened:
        odd = Views(opened).of(Fleets(frozenset({"x') OR true --", "{fleets}"})))
        assert odd.frame("SELECT * FROM air.units").height == 0


def test_rejects_of_which_nobody_knows_whose_they_are_are_seen_by_who_sees_all(tmp_path: Path) -> None:
    topics = [
        "north",
        "air/v1/north/pressure",
        "air/v1/north/K-1/pressure/more",
        "air/v1/north/K-1/x",
        "air/v1/east/north/can",
    ]
    with Store.open(tmp_path / "a.duckdb") as opened:
        rows = pl.DataFrame({"topic": [*topics, "other/root/north/K-1/can"]})
        with opened.transaction(new_rows=rows) as write:
            write.execute("INSERT INTO air.rejects SELECT now()::TIMESTAMP, topic, 'x', NULL, ''::BLOB FROM new_rows")
        assert rejects(Views(opened).of(NORTH), page=1, size=99)[0]["topic"].to_list() == ["other/root/north/K-1/can"]
        assert rejects(opened, page=1, size=99)[0].height == 6


def test_a_view_outlives_a_new_attachment(store: Store) -> None:
    north = Views(store).of(NORTH)
    assert north.frame("SELECT count(*) AS n FROM air.units").item() == len(ORDER) - 1
    store._is_attached = False
    assert north.frame("SELECT count(*) AS n FROM air.units").item() == len(ORDER) - 1
