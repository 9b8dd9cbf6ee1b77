"""Rows of a real compressor: what the figures must be, and that made rows give back what they were made with."""

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.errors import RecordingError
from pipelines.evaluation.compressor_rows import (
    DAILY_FILE,
    F1,
    F2,
    FAILURE_FILE,
    HEALTHY,
    NORMAL_FILE,
    OTHER,
    WINDOW_FILE,
    CompressorReport,
    Edges,
    compressor_report,
    duty_edge_pct,
    fires_after_min,
    first_fired,
    healthy_edges,
    hour_share_pct,
    load_share_pct,
    spans,
    stretch_rows,
)
from pipelines.evaluation.compressor_summaries import fired_windows, unlisted_days
from pipelines.evaluation.compressor_text import as_text, figure

ROWS = Path(__file__).parents[1] / "data" / "metropt3"
ALL_ROWS = Path(__file__).parents[3] / "shared" / "data" / "metropt3"  # beside the checkout: no licence to copy
BEGIN = datetime(2031, 2, 3, 6)  # noqa: DTZ001 as the set's times, without a zone
NOT_MEASURED = (None, None, None)


@pytest.fixture(scope="module")
def report() -> CompressorReport:
    return compressor_report(ROWS)


def made(
    seconds: np.ndarray, *, kpa: np.ndarray, is_loaded: np.ndarray, noise: int = 0, stamped: bool = True
) -> pl.DataFrame:
    """Make rows as the set has them, in bar."""
    n = seconds.size
    flicker = np.random.default_rng(noise).normal(0.0, 0.05, n)
    columns = {
        "TP2": np.where(is_loaded, kpa / 100, -0.012),
        "TP3": kpa / 100,
        "H1": np.where(is_loaded, -0.02, kpa / 100),
        "DV_pressure": np.full(n, -0.02),
        "Reservoirs": kpa / 100,
        "Oil_temperature": 55.0 + flicker,
        "Motor_current": np.where(is_loaded, 6.0, 3.9) + flicker,
    }
    times = {"timestamp": [f"{BEGIN + timedelta(seconds=float(s)):%Y-%m-%d %H:%M:%S}" for s in seconds]}
    return pl.DataFrame({**(times if stamped else {}), **columns})


def cycles(n: int, *, load_s: int, fall_per_s: float, step_s: int = 10) -> pl.DataFrame:
    """Make falls from 1000 kPa to 810 kPa, absolute pressure decaying, and pump-ups of ``load_s`` between."""
    fall_s = round(np.log((1000 + 101.325) / (810 + 101.325)) / fall_per_s)
    t = np.arange(0, n * (fall_s + load_s), step_s)
    into = t % (fall_s + load_s)
    is_loaded = into >= fall_s
    falling = (1000 + 101.325) * np.exp(-fall_per_s * into) - 101.325
    rising = 810 + 190 * (into - fall_s) / load_s
    return made(t, kpa=np.where(is_loaded, rising, falling), is_loaded=is_loaded)


def row(frame: pl.DataFrame, **where: str) -> dict[str, object]:
    return frame.filter(**where).row(0, named=True)


def test_healthy_stretch_is_as_its_own_valve_says(report: CompressorReport) -> None:
    rows = pl.read_csv(ROWS / NORMAL_FILE)
    loaded = report.rows.filter(stretch=HEALTHY)["is_loaded"]
    assert ((rows["DV_eletric"] == 1) != loaded).sum() <= 5  # one row a pump-up at most
    told = row(report.table, stretch=HEALTHY)
    assert told["share_pct_lower"] <= 100 * rows["DV_eletric"].mean() <= told["share_pct_upper"] + 0.1
    ours, program = told["share_pct"], report.derived.filter(check="compressor_duty", stretch=HEALTHY)
    assert program["value"].to_list() == pytest.approx([ours, ours], abs=0.5)
    assert told["leak_kpa_per_min"] == pytest.approx(4.7, abs=0.1)
    assert told["cycles_per_h"] == pytest.approx(5 / 2.75, abs=0.01)


def test_both_failures_are_loaded_throughout_and_leave_no_fall(report: CompressorReport) -> None:
    healthy, f1, f2 = (row(report.table, stretch=name) for name in (HEALTHY, F1, F2))
    assert f1["share_pct_lower"] > 99
    assert f2["share_pct_lower"] > 98.5
    assert f1["leak_kpa_per_min"] is None
    assert f2["leak_kpa_per_min"] is None
    for failed in (f1, f2):
        assert failed["loss_kpa_per_min_lower"] > 20 * healthy["leak_kpa_per_min_upper"]
    assert f1["standstill_min"] == pytest.approx(15.1, abs=0.2)  # 91 rows of one value, as the data's notes say
    assert f1["unseen_min"] == pytest.approx(9.1, abs=0.2)
    assert f2["unseen_min"] < 0.5


def test_duty_inferred_from_pressure_holds_that_of_a_compressor_that_never_rests(report: CompressorReport) -> None:
    duty = row(report.derived.filter(check="compressor_duty"), stretch=F1, state="inferred")
    assert (duty["value"], duty["upper"]) == (100.0, 100.0)  # as its own outlet pressure says
    assert report.derived.filter(check="compressor_duty_cycling", stretch=F1).is_empty()


def test_no_rule_fires_in_the_healthy_stretch_and_the_slowest_within_an_hour_of_a_failure(
    report: CompressorReport,
) -> None:
    fired = report.fired.drop_nulls("after_min")
    assert HEALTHY not in fired["stretch"].to_list()
    hour = fired.filter(pl.col("rule").str.starts_with("hour"))
    assert hour["after_min"].to_list() == pytest.approx([60.0] * 4, abs=0.3)
    pump_up = fired.filter(pl.col("rule").str.starts_with("one pump-up"))
    assert pump_up["after_min"].to_list() == pytest.approx([1.8, 1.8], abs=0.2)
    silent = report.fired.filter(pl.col("rule").str.starts_with("leak"), pl.col("stretch") != HEALTHY)
    assert silent["note"].str.contains("nothing to measure").all()


def test_days_beside_the_list_show_as_much_as_listed_ones(report: CompressorReport) -> None:
    assert report.days["date"].to_list() == ["2020-03-29", "2020-04-12", "2020-05-13", "2020-05-20"]
    assert report.days["dryer_kpa"].max() == pytest.approx(191.2, abs=0.1)


def test_text_names_stretches_rules_sources_and_limits(report: CompressorReport) -> None:
    text = as_text(report)
    for part in (
        HEALTHY,
        F1,
        F2,
        "any-duty-watch",
        "10.1038/s41597-022-01877-3",
        "From memory",
        "False alarms",
        "Lead.",
    ):
        assert part in text
    assert len(figure(report).data) == 6


@pytest.mark.skipif(
    not (ALL_ROWS / WINDOW_FILE).exists(), reason="the window summaries are not here: no licence to copy"
)
def test_windows_and_another_unit_say_what_the_healthy_stretch_is_worth() -> None:
    report = compressor_report(ALL_ROWS)
    shipped, healthy = (row(report.windows, rule=f"{name} edge") for name in ("shipped", "healthy"))
    assert (shipped["n_windows"], shipped["n_standstill"]) == (4302, 143)
    assert shipped["beyond_pct"] == pytest.approx(3.0, abs=0.1)
    assert shipped["n_all_loaded"] == 26
    assert healthy["beyond_pct"] > 75  # an edge from a night's rest fires all day
    other = row(report.table, stretch=OTHER)
    assert other["leak_kpa_per_min"] == pytest.approx(5.1, abs=0.1)
    told = report.fired.filter(pl.col("rule").str.starts_with("leak"), stretch=OTHER)
    assert told["after_min"].to_list() == [None]
    assert "not known" in told["note"][0]
    assert "other unit" in as_text(report)
    assert "4302" in as_text(report)


@settings(max_examples=20, deadline=None)
@given(load_s=st.integers(8, 30).map(lambda n: n * 10), fall_per_s=st.floats(5e-5, 5e-4))
def test_made_cycles_give_back_share_leak_and_no_alarm(load_s: int, fall_per_s: float) -> None:
    rows = stretch_rows("made", cycles(6, load_s=load_s, fall_per_s=fall_per_s))
    own = spans(rows)
    truth = 100 * rows["is_loaded"].mean()
    value, low, high = load_share_pct(rows, own)
    assert low <= truth + 0.1
    assert high >= truth - 0.1
    assert value == pytest.approx(truth, abs=0.5)
    falls = own.drop_nulls("fall_per_s")["fall_per_s"].to_list()
    if len(falls) >= 3:
        assert falls == pytest.approx([fall_per_s] * len(falls), rel=1e-6)
        edges = healthy_edges(own, 10.0)
        assert load_s <= edges.pump_up_s <= load_s + 35
        fired = first_fired(rows, own, NOT_MEASURED, edges)
        assert fired.filter(pl.col("rule").str.contains("healthy"))["after_min"].null_count() == 3


def test_a_leak_is_beyond_its_edge_only_with_its_whole_interval() -> None:
    rows = stretch_rows("made", cycles(6, load_s=100, fall_per_s=1e-4))
    own = spans(rows)
    edges = healthy_edges(own, 10.0)
    for leak, fires, said in (
        ((edges.leak_kpa_per_min + 1.0,) * 3, True, ""),
        ((edges.leak_kpa_per_min + 1.0, 0.0, 99.0), False, "not known"),
        ((edges.leak_kpa_per_min - 1.0,) * 3, False, ""),
        (NOT_MEASURED, False, "nothing to measure"),
    ):
        told = first_fired(rows, own, leak, edges).filter(pl.col("rule").str.starts_with("leak"))
        assert (told["after_min"][0] is not None) is fires
        assert said in told["note"][0]


def test_hour_share_by_the_plain_sum() -> None:
    rows = stretch_rows("made", cycles(4, load_s=200, fall_per_s=1e-4))
    share = hour_share_pct(rows)
    loaded = rows["is_loaded"].to_list()
    for k in (360, 400, 537, len(loaded) - 1):  # rows of 10 s: an hour is 360
        assert share["share_pct"][k] == pytest.approx(100 * sum(loaded[k - 359 : k + 1]) / 360)
    assert share["share_pct"].null_count() == 360


def test_a_logger_that_stands_is_no_measurement() -> None:
    rows = made(np.arange(0, 3000, 10), kpa=np.linspace(900, 850, 300), is_loaded=np.zeros(300, dtype=bool))
    stood = pl.concat([rows[:50], *[rows[50:51]] * 20, rows[70:]]).with_columns(rows["timestamp"])
    marked = stretch_rows("made", stood)["is_standstill"]
    assert marked.sum() == 20
    assert marked[50:70].all()


def test_rebuilt_times_span_their_bounds_and_own_up_to_what_is_missing() -> None:
    flat = made(np.arange(0, 1000, 10), kpa=np.full(100, 880.0), is_loaded=np.ones(100, dtype=bool), stamped=False)
    end = BEGIN + timedelta(seconds=1100)
    rows = stretch_rows("made", flat, bounds=(BEGIN, end), row_s=10.0)
    assert (rows["t"][0], rows["t"][-1]) == (BEGIN, end)
    assert rows["unseen_s"][0] == pytest.approx(1100 - 990)
    value, low, high = load_share_pct(rows, spans(rows))
    assert (value, high) == (pytest.approx(100), pytest.approx(100))
    assert low == pytest.approx(90)


def test_how_soon_an_hour_is_passed() -> None:
    # x minutes loaded and 60 - x as before: x + (60 - x) * 0.05 = 15
    assert fires_after_min(25.0, 5.0) == pytest.approx(12.63, abs=0.01)
    assert duty_edge_pct() == 25.0


def test_windows_are_counted_without_standstills() -> None:
    windows = pl.DataFrame(
        {
            "DV_eletric_mean": [0.1, 0.3, 1.0, 1.0],
            "Reservoirs_max": [10.0, 10.0, 8.7, 8.5],
            "Reservoirs_min": [8.1, 8.1, 8.4, 8.5],
            "DV_pressure_mean": [-0.02, -0.02, 0.7, -0.02],
        }
    )
    told = row(fired_windows(windows, {"one": 25.0}), rule="one")
    assert (told["n_windows"], told["n_standstill"], told["n_beyond"]) == (3, 1, 2)
    assert (told["n_all_loaded"], told["n_dryer"]) == (1, 1)
    # Clopper-Pearson of 2 in 3, statistics handbooks: 9.4 to 99.2 %
    assert (told["lower"], told["upper"]) == (pytest.approx(9.4, abs=0.1), pytest.approx(99.2, abs=0.1))
    with pytest.raises(RecordingError, match="window summaries lack Reservoirs_min"):
        fired_windows(windows.drop("Reservoirs_min"), {"one": 25.0})


def test_days_are_held_against_the_least_listed_one() -> None:
    daily = pl.DataFrame(
        {"date": ["2020-03-01", "2020-03-02", "2020-04-18", "2020-05-30"], "DV_pressure_mean": [0.6, 0.4, 1.9, 0.5]}
    )
    assert unlisted_days(daily)["date"].to_list() == ["2020-03-01"]


def test_errors_say_what_is_missing(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=f"{NORMAL_FILE}: the rows can't be read"):
        compressor_report(tmp_path)
    with pytest.raises(RecordingError, match="made: the rows lack TP2, timestamp"):
        stretch_rows("made", cycles(1, load_s=100, fall_per_s=1e-4).drop("TP2", "timestamp"))
    two = spans(stretch_rows("made", cycles(2, load_s=100, fall_per_s=1e-4)))
    with pytest.raises(RecordingError, match="three are needed"):
        healthy_edges(two, 10.0)


def test_folder_needs_no_more_than_rows_of_health_and_failure(tmp_path: Path) -> None:
    for name in (NORMAL_FILE, FAILURE_FILE):
        (tmp_path / name).write_bytes((ROWS / name).read_bytes())
    assert not (tmp_path / DAILY_FILE).exists()
    report = compressor_report(tmp_path)
    assert report.windows.is_empty()
    assert report.days.is_empty()
    assert isinstance(report.edges, Edges)
    assert "Windows of" not in as_text(report)
