"""Files of hand measurements: what is read, and what is said of what can't be."""

from datetime import UTC, datetime
from pathlib import Path

import pytest

from airwatch.errors import HandError
from airwatch.hand.csv_file import HEADER, read_entries

LINE = "K-1,2031-02-03T13:20:00+02:00,Ada,stroke,2L,1 3/4,in,,cold"


def written(folder: Path, *lines: str, header: str = ",".join(HEADER)) -> Path:
    path = folder / "hand.csv"
    path.write_text("\n".join([header, *lines]) + "\n", "utf-8")
    return path


def test_a_line_is_an_entry(tmp_path: Path) -> None:
    entries, lines = read_entries(
        written(tmp_path, LINE, "", "K-1,2031-02-03T12:00:00Z,Ada,hose,,,,ok,"), {"K-1": "north"}
    )
    first, second = entries.to_dicts()
    assert lines == [2, 4]
    assert first["taken_at"] == datetime(2031, 2, 3, 11, 20, tzinfo=UTC).replace(tzinfo=None)
    assert (first["fleet"], first["value"], first["measure"], first["note"]) == ("north", 1.75, "in", "cold")
    assert (second["position"], second["value"], second["finding"]) == (None, None, "ok")


def test_the_same_line_has_the_same_id_in_any_file(tmp_path: Path) -> None:
    one, _ = read_entries(written(tmp_path, LINE), {"K-1": "north"})
    two, _ = read_entries(written(tmp_path, LINE.replace("1 3/4", "1.75"), LINE.replace("2L", "2R")), {"K-1": "north"})
    assert one["id"].item() == two["id"][0] != two["id"][1]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        (LINE.replace("K-1", "K-7"), "line 2, unit: 'K-7' is of no fleet that is known"),
        (LINE.replace("+02:00", ""), "line 2, taken_at: '2031-02-03T13:20:00' has no zone"),
        (LINE.replace("2031", "soon"), "line 2, taken_at: 'soon-02-03T13:20:00.02:00' is no time"),
        (LINE.replace("1 3/4", "1,75"), "line 2: 9 fields are needed"),
        (LINE.replace("1 3/4", "about 2"), "line 2, value: 'about 2' is no number"),
        (LINE.replace("Ada", " "), "line 2, by: is empty"),
        (LINE.replace(",stroke", ',"stroke'), "can't be read as hand measurements"),
    ],
)
def test_what_can_not_be_understood_is_named_by_line_and_field(tmp_path: Path, line: str, said: str) -> None:
    with pytest.raises(HandError, match=rf"hand\.csv.*{said}"):
        read_entries(written(tmp_path, line), {"K-1": "north"})


def test_another_header_or_no_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(HandError, match=r"hand\.csv line 1: the header must be unit,taken_at"):
        read_entries(written(tmp_path, header="a,b"), {})
    with pytest.raises(HandError, match="nowhere"):
        read_entries(tmp_path / "nowhere.csv", {})
