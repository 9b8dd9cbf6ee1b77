"""`airwatch evaluate` on the demo recording, and what it says of labels that can't be."""

import re
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from airwatch.cli.main import airwatch
from airwatch.errors import RecordingError
from pipelines.labels import read_labels

DEMO = Path(__file__).parents[2] / "replay_data"
ROWS = Path(__file__).parents[1] / "data" / "metropt3"


def evaluate(*arguments: str | Path) -> Result:
    return CliRunner().invoke(airwatch, ["evaluate", *map(str, arguments)])


@pytest.fixture(scope="module")
def of_demo(tmp_path_factory: pytest.TempPathFactory) -> tuple[Result, Path]:
    page = tmp_path_factory.mktemp("evaluate") / "plots.html"
    labels = ["--units", DEMO / "units.csv", "--labels", DEMO / "labels.csv"]
    return evaluate(DEMO / "demo_fleet.ndjson.zst", *labels, "--plots", page), page


def test_every_fault_of_the_demo_is_found_in_its_place_and_nothing_else(of_demo: tuple[Result, Path]) -> None:
    result, _ = of_demo
    assert result.exit_code == 0, result.output
    assert "8 faults, 8 alerts, 8 right" in result.output
    assert "F1 1.000" in result.output
    assert "right circuit 1.000" in result.output
    assert re.search(r"false alerts per 100 healthy unit-days: 0\.00 \(6 healthy units\)", result.output)


def test_the_plots_are_a_page_of_their_own(of_demo: tuple[Result, Path]) -> None:
    html = of_demo[1].read_text()
    assert "it never clears a vehicle" in html
    assert "leak_primary" in html
    assert 'src="http' not in html  # nothing is fetched


def test_real_compressor_rows_are_reported_beside_what_others_found() -> None:
    result = evaluate("--compressor-rows", ROWS)
    assert result.exit_code == 0, result.output
    assert "10.1109/DSAA53316.2021.9564181" in result.output
    assert "From memory, not read" in result.output


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("unit,trailer,fault,began,onset\n", "the header lacks circuit"),
        ("unit,trailer,fault,circuit,began,onset\nK-1,,leak_primary,,yesterday,step\n", "line 2: began is no time"),
    ],
)
def test_labels_that_can_not_be_read_are_refused(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "labels.csv"
    path.write_text(text)
    with pytest.raises(RecordingError, match=says):
        read_labels(path)


def test_wrong_usage_is_said() -> None:
    assert "name a recording" in evaluate().output
    assert "needs --units and --labels" in evaluate(DEMO / "demo_fleet.ndjson.zst").output
