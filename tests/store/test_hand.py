"""Hand measurements in the store: once, corrected by new rows, never lost."""

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest

from airwatch.derive.frames import READINGS
from airwatch.errors import HandError
from airwatch.store.database import Store
from airwatch.store.hand import add_entries, correct_entry, entries_of, history_of_entry, take_back, written_of
from airwatch.store.registry import replace_units
from pipelines.hand import compare_with_stream, fleets_of_units, take_entries
from pipelines.hand import correct_entry as sift_and_correct
from tests.conftest import Command
from tests.hand.made import NOW, entry, frame, units
from tests.hand.test_compare import stream

ROW = {**entry("stroke", 1.5, "in", position="2L"), "id": "a"}


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    with Store.open(tmp_path / "a.duckdb") as store:
        replace_units(store, units())
        yield store


def test_an_entry_that_is_sent_twice_is_there_once(store: Store) -> None:
    assert add_entries(store, frame(ROW, ROW)) == 1
    assert add_entries(store, frame(ROW, {**ROW, "id": "b"})) == 1
    assert entries_of(store)["id"].to_list() == ["a", "b"]
    assert entries_of(store).row(0, named=True) == frame(ROW).row(0, named=True)


def test_many_phones_at_once_land_each_entry_once(store: Store) -> None:
    rows = frame(*({**ROW, "id": str(n)} for n in range(5)))
    gate = threading.Barrier(4)

    def send(_: int) -> int:
        gate.wait(timeout=60)
        return add_entries(store, rows)

    with ThreadPoolExecutor(4) as phones:
        assert sum(phones.map(send, range(4))) == 5
    assert entries_of(store).height == 5


def test_a_correction_holds_and_what_it_replaced_stays(store: Store) -> None:
    add_entries(store, frame(ROW), confirmed=["a"])
    better = {**ROW, "id": "b", "value": 1.75}
    correct_entry(store, "a", frame(better), who="Ben", why="read the wrong end")
    correct_entry(store, "a", frame(better), who="Ben", why="read the wrong end")  # sent twice
    assert entries_of(store)["value"].to_list() == [1.75]
    for name in ("a", "b"):
        history = history_of_entry(store, name)
        assert history.select("id", "replaces", "who", "reason", "is_confirmed").rows() == [
            ("a", None, "Ada", None, True),
            ("b", "a", "Ben", "read the wrong end", False),
        ]
        assert history["recorded"].null_count() == 0


def test_what_is_taken_back_is_gone_from_the_list_and_not_from_the_history(store: Store) -> None:
    add_entries(store, frame(ROW))
    take_back(store, "a", new_id="b", who="Ben", why="another truck")
    assert entries_of(store).is_empty()
    assert history_of_entry(store, "a")["is_void"].to_list() == [False, True]


@pytest.mark.parametrize(
    ("replaced", "new", "who", "why", "said"),
    [
        ("x", "c", "Ben", "why not", "correction of x: there is no such row"),
        ("a", "c", " ", "why not", "correction of a: who is empty"),
        ("a", "c", "Ben", "", "correction of a: reason is empty"),
        ("a", "c", "Ben", "again", "correction of a: Ada has corrected it already; correct b instead"),
        ("b", "a", "Ben", "again", "correction of b: id a stands for another row"),
        ("d", "e", "Ben", "again", "correction of d: it was taken back"),
    ],
)
def test_a_correction_that_can_not_be_made_changes_nothing(
    store: Store, replaced: str, new: str, who: str, why: str, said: str
) -> None:
    add_entries(store, frame(ROW, {**ROW, "id": "f"}))
    correct_entry(store, "a", frame({**ROW, "id": "b"}), who="Ada", why="first")
    take_back(store, "f", new_id="d", who="Ada", why="first")
    before = store.frame("SELECT * FROM air.hand_entries ORDER BY id")
    with pytest.raises(HandError, match=said):
        correct_entry(store, replaced, frame({**ROW, "id": new}), who=who, why=why)
    assert store.frame("SELECT * FROM air.hand_entries ORDER BY id").equals(before)
    with pytest.raises(HandError, match="there is no such row"):
        take_back(store, "x", new_id="y", who="Ben", why="gone")


def test_entries_are_asked_for_by_unit_and_time(store: Store) -> None:
    add_entries(store, frame(ROW, {**ROW, "id": "b", "unit": "R-1"}))
    assert entries_of(store, "north", "R-1")["id"].to_list() == ["b"]
    assert entries_of(store, since=ROW["taken_at"]).height == 2
    wanted = pl.DataFrame({"fleet": ["north"], "unit": ["R-1"]})
    assert written_of(store, wanted, ["a", "zz"])["id"].to_list() == ["a", "b"]


def test_what_is_asked_back_is_not_stored_until_it_is_insisted_on(store: Store) -> None:
    odd = {**ROW, "value": 0.2}
    assert [question.field for question in take_entries(store, frame(odd), now=NOW).questions] == ["value"]
    assert entries_of(store).is_empty()
    assert take_entries(store, frame(odd), confirmed=["a"], now=NOW).accepted.height == 1
    assert history_of_entry(store, "a")["is_confirmed"].item() is True
    assert take_entries(store, frame(odd), now=NOW).repeated.height == 1


def test_an_old_entry_that_was_corrected_is_known_when_it_comes_again(store: Store) -> None:
    take_entries(store, frame(ROW), now=NOW)
    better = frame({**ROW, "id": "b", "value": 44.0})
    assert sift_and_correct(store, "a", better, who="Ben", why="typo", now=NOW).questions[0].field == "value"
    assert entries_of(store)["id"].to_list() == ["a"]
    sift_and_correct(store, "a", frame({**ROW, "id": "b", "value": 1.75}), who="Ben", why="typo", now=NOW)
    assert take_entries(store, frame(ROW), now=NOW).repeated.height == 1
    assert entries_of(store)["id"].to_list() == ["b"]


def test_what_is_stored_by_hand_is_held_against_what_is_stored_of_the_stream(store: Store) -> None:
    rows = [
        stream("governor_cut_out", 880.0), stream("governor_cut_out", 400.0, days=60),
        *(stream("governor_cut_out", 878.0, days=days) for days in (3, 5, 7)),
    ]  # fmt: skip
    with store.transaction(new_rows=pl.DataFrame(rows, schema=READINGS)) as write:
        write.execute("INSERT INTO air.readings BY NAME SELECT * FROM new_rows")
    add_entries(store, frame(entry("governor_cut_out", 140.0, "psi"), ROW))
    (found,) = compare_with_stream(store, "north").to_dicts()
    assert (found["stream"], found["outcome"], found["likely"]) == (880.0, "differ", "gauge")
    assert found["for_gauge"] == ["the stream reads 880.0 kPa, about its usual 878.0"]
    assert compare_with_stream(store, "north", since=NOW).is_empty()


def test_a_unit_in_two_fleets_needs_its_fleet_named(store: Store) -> None:
    replace_units(store, pl.concat([units(), units().with_columns(fleet=pl.lit("south"))]))
    assert fleets_of_units(store, None) == {}
    assert fleets_of_units(store, "south") == {"K-1": "south", "R-1": "south"}


def test_import_and_list_on_the_command_line(tmp_path: Path, command: Command) -> None:
    units().with_columns(pl.col("trailer_towing").cast(pl.Int8)).write_csv(tmp_path / "units.csv")
    yesterday = f"{datetime.now(UTC) - timedelta(days=1):%Y-%m-%dT%H:%M:00Z}"
    lines = [
        "unit,taken_at,by,item,position,value,measure,finding,note",
        f"K-1,{yesterday},Ada,stroke,2L,2 1/4,in,,",
        f"K-1,{yesterday},Ada,stroke,2R,1.5,mm,,",
    ]
    (tmp_path / "hand.csv").write_text("\n".join(lines), "utf-8")
    for took in ("took 1 entries; 0", "took 0 entries; 1"):
        done = command("hand", "import", "hand.csv", "--db", "a.duckdb", "--units", "units.csv")
        assert done.status == 1
        assert took in done.out.decode()
        assert "hand.csv line 3, value: 1.5 mm is unusual" in done.error
        assert "38.1 mm if it was read in in" in done.error
        assert "1 of 2 entries are asked back; correct them, or import it again with --confirm" in done.error
    assert command("hand", "import", "hand.csv", "--db", "a.duckdb", "--confirm").status == 0
    listed = command("hand", "list", "--db", "a.duckdb", "--unit", "K-1")
    assert listed.status == 0
    assert "stroke 2L: 2.25 in (55.6 to 58.7 mm): fail, us-393-47-e-clamp-30-standard" in listed.out.decode()
