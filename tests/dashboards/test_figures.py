from datetime import datetime, timedelta

import polars as pl

from airwatch.derive.frames import READINGS
from dashboards.figures import Edge, pressure_figure, readings_figure
from dashboards.judged import with_judged
from dashboards.measures import Measures
from dashboards.palette import PALETTES

START = datetime(2031, 2, 3, 11)  # noqa: DTZ001 as in the store
LIGHT = PALETTES["light"]


def history(offsets_s: list[int]) -> pl.DataFrame:
    columns = ("supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa", "engine_rpm", "speed_kph")
    frame = pl.DataFrame({"t": [START + timedelta(seconds=s) for s in offsets_s]}, schema={"t": pl.Datetime("us")})
    values = {name: pl.lit(800.0 if name == "primary_kpa" else None, pl.Float64) for name in columns}
    return frame.with_columns(**values)


def drawn(offsets_s: list[int], edges: list[Edge] | None = None) -> dict[str, object]:
    end = START + timedelta(hours=1)
    return pressure_figure(
        history(offsets_s), start=START, end=end, edges=edges or [], measures=Measures(), palette=LIGHT
    )


def test_no_line_crosses_a_silence() -> None:
    (trace,) = drawn([0, 1, 2, 2000, 2001])["data"]  # type: ignore[misc]
    assert trace["y"] == [800.0, 800.0, 800.0, None, 800.0, 800.0]


def test_slow_samples_of_a_parked_unit_are_joined() -> None:
    (trace,) = drawn([0, 10, 20, 300, 310])["data"]  # type: ignore[misc]
    assert None not in trace["y"]


def test_nothing_to_draw_is_said() -> None:
    figure = drawn([], [Edge(900.0, "cut-out at most 900 kPa", is_low=False)])
    assert figure["data"] == []
    assert [note["text"] for note in figure["layout"]["annotations"]] == ["No samples between these times"]  # type: ignore[index]


def test_only_readings_that_ask_for_something_have_a_hue() -> None:
    row = {"check": "build_up_time", "measure": "s", "limit_high": 45.0, "rule": "us-cdl-build-up-85-100", "end": START}
    rows = [
        {**row, "value": v, "lower": v - 1, "upper": v + 1, "verdict": verdict}
        for v, verdict in ((10.0, "pass"), (60.0, "fail"), (45.0, "unknown"))
    ]
    figure = readings_figure(with_judged(pl.DataFrame(rows, schema=READINGS)), measures=Measures(), palette=LIGHT)
    marks = {trace["name"]: trace["marker"] for trace in figure["data"] if trace.get("showlegend") is False}
    assert marks["within limit"]["color"] == marks["can't say"]["color"] == LIGHT.faint
    assert marks["can't say"]["symbol"] == "circle-open"
    assert marks["beyond limit"]["color"] == LIGHT.act
    assert [shape["y0"] for shape in figure["layout"]["shapes"]] == [45.0]


def test_readings_without_a_value_are_said() -> None:
    figure = readings_figure(with_judged(pl.DataFrame(schema=READINGS)), measures=Measures(), palette=LIGHT)
    assert figure["layout"]["annotations"][0]["text"] == "No readings with a value"
