"""Real rows of a metro train's air production unit, measured as vehicles are, and judged by rules set beforehand.

The unit has a motor, a compressor, a dryer and reservoirs; a governor loads and unloads it as a truck's. Two of its
published air-leak failures, a healthy stretch of 2 h 45 min and summaries of windows are at hand, not the whole set.
Rules come from the shipped limits or from the healthy stretch alone; nothing is fitted to the failures.
"""

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np
import numpy.typing as npt
import polars as pl
from scipy.stats import t as student

from airwatch.contract.columns import SAMPLE_SCHEMA, TIME
from airwatch.derive.duty import duty_readings
from airwatch.derive.leak_running import leak_running_readings
from airwatch.derive.phases import add_phases
from airwatch.derive.runs import assign_runs, run_table
from airwatch.derive.tuning import shipped_tuning
from airwatch.derive.turns import governor_turns
from airwatch.errors import RecordingError
from airwatch.limits.judge import REFERENCE_KPA
from airwatch.limits.table import shipped_limits
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA, KPA_PER_BAR
from pipelines.evaluation.compressor_summaries import fired_windows, unlisted_days

Floats = npt.NDArray[np.float64]
Trio = tuple[float | None, float | None, float | None]
"""A value and the ends of its interval; None where there is nothing to measure it by."""

HEALTHY, F1, F2, OTHER = "healthy 2 h 45 min", "F1, 2020-04-18", "F2, 2020-05-29", "other unit, 17 min at 1 Hz"
NORMAL_FILE = "normal_2020-02-01_first1000.csv.gz"
FAILURE_FILE = "failure_rows_F1_F2.parquet"
OTHER_FILE = "metropt2_2022-01-01_1hz_1000.csv.gz"
WINDOW_FILE = "window_stats_normal.csv.gz"
DAILY_FILE = "daily_until_2020-06-04.csv"

_BOUNDS = {  # first and last row of each failure, as the source of the rows gives them; row times were not kept
    F1: (datetime(2020, 4, 18, 0, 0, 1), datetime(2020, 4, 18, 23, 59, 56)),  # noqa: DTZ001 the set gives no zone
    F2: (datetime(2020, 5, 29, 23, 30, 8), datetime(2020, 5, 30, 6, 0, 4)),  # noqa: DTZ001
}
_ANALOGUE = ("TP2", "TP3", "H1", "DV_pressure", "Oil_temperature", "Motor_current")
_UNDER_PRESSURE_BAR = 1.0  # at the compressor's outlet: vented while unloaded, at reservoir pressure while loaded
_STANDSTILL_S = 60.0  # temperature and current flicker by the row; all signals at one value that long is the logger's
_LEAK = shipped_tuning().leak_running
_LEAST_S = _LEAK.settle_s + _LEAK.least_total_s  # of an unloaded time that is measured for itself
_WARMING_KPA_PER_MIN = 0.3  # standard deviation of what gas that warms or cools does, as in `leak_running`
_HOUR_S = 3600.0
_PER_LOG = 60.0 * (REFERENCE_KPA + ATMOSPHERE_KPA)

ROWS = pl.Schema(
    {
        "stretch": pl.String(),
        "t": TIME,
        "t_s": pl.Float64(),
        "reservoir_kpa": pl.Float64(),
        "outlet_kpa": pl.Float64(),
        "dryer_kpa": pl.Float64(),
        "motor_a": pl.Float64(),
        "is_loaded": pl.Boolean(),
        "is_standstill": pl.Boolean(),
        "unseen_s": pl.Float64(),
    }
)
"""One row a sample, gauge kPa, sorted by time within a stretch.

``t_s`` is seconds from the stretch's first row. ``is_standstill`` marks rows in which the logger stood: no measurement.
``unseen_s`` is by how much, in all, silences of unknown place may have shifted rebuilt times; 0 where times are given.
"""

SPANS = pl.Schema(
    {
        "stretch": pl.String(),
        "is_loaded": pl.Boolean(),
        "began_s": pl.Float64(),
        "ended_s": pl.Float64(),
        "is_whole": pl.Boolean(),
        "mean_kpa": pl.Float64(),
        "rise_kpa_per_min": pl.Float64(),
        "fall_per_s": pl.Float64(),
    }
)
"""One row a time loaded or unloaded, from half-way before its first row to half-way behind its last.

``is_whole``: both its ends were seen. ``rise_kpa_per_min`` is the slope of the pressure. ``fall_per_s`` is the decay
rate of absolute pressure, of unloaded times that last long enough, without their first minute.
"""


FIRED = pl.Schema(
    {
        "stretch": pl.String(),
        "rule": pl.String(),
        "edge": pl.Float64(),
        "unit": pl.String(),
        "after_min": pl.Float64(),
        "begin_min": pl.Float64(),
        "late_min": pl.Float64(),
        "note": pl.String(),
    }
)
"""When a rule first fires in a stretch, null where it does not.

``after_min`` counts from the first live row, ``begin_min`` from the first row; either may be up to ``late_min`` more,
the time not seen. ``note`` says why a rule could not be asked.
"""


@dataclass(frozen=True, slots=True)
class Edges:
    """What healthy work of this unit stays within, from its healthy stretch alone: upper ends for one value more.

    Attributes
    ----------
    pump_up_s : float
        A pump-up, s, 95 %, and a row's spacing.
    share_pct : float
        Share of an hour loaded, %: as many such pump-ups as can begin in an hour.
    leak_kpa_per_min : float
        Fall at 690 kPa gauge while unloaded, 95 %.
    delivery_kpa_per_min : tuple of float
        By how much the loaded compressor would raise sealed reservoirs: mean, lower and upper end, 95 %. Gas is
        warm while it fills, so it is a few per cent too high.
    n_pump_ups, n_falls : int
        What they rest on.
    """

    pump_up_s: float
    share_pct: float
    leak_kpa_per_min: float
    delivery_kpa_per_min: tuple[float, float, float]
    n_pump_ups: int
    n_falls: int


@dataclass(frozen=True, slots=True)
class CompressorReport:
    """What the rows show.

    Attributes
    ----------
    rows : DataFrame
        Columns as `ROWS`.
    edges : Edges
        What the healthy stretch gives for rules.
    table : DataFrame
        One row a stretch: ``stretch, hours, share_pct, cycles_per_h, leak_kpa_per_min, loss_kpa_per_min`` with
        ``_lower`` and ``_upper`` of each; ``standstill_min, unseen_min``.
    derived : DataFrame
        What the program's own checks give of the same rows: ``stretch, state, check, value, lower, upper``.
    fired : DataFrame
        One row a stretch and rule, columns as `FIRED`.
    windows : DataFrame
        One row a rule, over window summaries labelled normal; empty where they are not in the folder.
    days : DataFrame
        Days not on the list of failures that show at least what a listed one shows; empty where not in the folder.
    """

    rows: pl.DataFrame
    edges: Edges
    table: pl.DataFrame
    derived: pl.DataFrame
    fired: pl.DataFrame
    windows: pl.DataFrame
    days: pl.DataFrame


def compressor_report(folder: Path) -> CompressorReport:
    """Measure the rows in a folder and say when which rule fires.

    Parameters
    ----------
    folder : Path
        Holds `NORMAL_FILE` and `FAILURE_FILE`; `OTHER_FILE`, `WINDOW_FILE` and `DAILY_FILE` are used where there.

    Raises
    ------
    RecordingError
        A file is missing, can't be read, or lacks a column.
    """
    normal, failures = _read(folder / NORMAL_FILE), _read(folder / FAILURE_FILE)
    healthy = stretch_rows(HEALTHY, normal)
    row_s = float(healthy["t_s"][-1]) / (healthy.height - 1)
    parts = [healthy]
    for name in (F1, F2):
        part = failures.filter(pl.col("failure") == name[:2])
        parts.append(stretch_rows(name, part, bounds=_BOUNDS[name], row_s=row_s))
    if (folder / OTHER_FILE).exists():  # its `Reservoirs` stands at 1.6 bar: not the reservoirs
        parts.append(stretch_rows(OTHER, _read(folder / OTHER_FILE), reservoir="TP3"))
    rows = pl.concat(parts)
    all_spans = pl.concat([spans(part) for part in parts])
    edges = healthy_edges(all_spans.filter(stretch=HEALTHY), row_s)
    windows, days = pl.DataFrame(), pl.DataFrame()
    if (folder / WINDOW_FILE).exists():
        edges_pct = {"shipped edge": duty_edge_pct(), "healthy edge": edges.share_pct}
        windows = fired_windows(_read(folder / WINDOW_FILE), edges_pct)
    if (folder / DAILY_FILE).exists():
        days = unlisted_days(_read(folder / DAILY_FILE))
    derived = pl.concat([derived_readings(part, use_state=state) for part in parts for state in (True, False)])
    table = measured(rows, all_spans, derived, edges)
    leaks = table.select("leak_kpa_per_min", "leak_kpa_per_min_lower", "leak_kpa_per_min_upper").rows()
    fired = pl.concat(
        [
            first_fired(part, all_spans.filter(stretch=part["stretch"][0]), leak, edges)
            for part, leak in zip(parts, leaks, strict=True)
        ]
    )
    return CompressorReport(rows, edges, table, derived, fired, windows, days)


def _read(path: Path) -> pl.DataFrame:
    try:
        if path.suffix == ".parquet":
            return pl.read_parquet(path)
        return pl.read_csv(path, infer_schema_length=None)
    except (OSError, pl.exceptions.PolarsError) as err:
        raise RecordingError(f"{path}: the rows can't be read: {str(err).splitlines()[0]}") from err


def stretch_rows(
    name: str,
    rows: pl.DataFrame,
    *,
    reservoir: str = "Reservoirs",
    bounds: tuple[datetime, datetime] | None = None,
    row_s: float | None = None,
) -> pl.DataFrame:
    """Bring published rows into kPa and seconds, and mark what was loaded and where the logger stood.

    Parameters
    ----------
    rows : DataFrame
        The set's columns, bar; with ``timestamp`` (text) unless ``bounds`` are given.
    bounds : tuple of datetime, optional
        Times of first and last row, between which rows without times are spread evenly.
    row_s : float, optional
        Their usual spacing, s. What the bounds hold more than that is time not seen, nobody knows where.

    Returns
    -------
    DataFrame
        Columns as `ROWS`.

    Raises
    ------
    RecordingError
        A column is missing.
    """
    needed = [*_ANALOGUE, reservoir, *(["timestamp"] if bounds is None else [])]
    if lacking := [column for column in needed if column not in rows.columns]:
        raise RecordingError(f"{name}: the rows lack {', '.join(lacking)}")
    unseen_s = 0.0
    if bounds is None:
        t = rows["timestamp"].str.to_datetime("%Y-%m-%d %H:%M:%S", time_unit="us")
    else:
        begin, end = bounds
        length_s = (end - begin).total_seconds()
        unseen_s = max(0.0, length_s - (rows.height - 1) * row_s) if row_s else 0.0
        at_us = np.round(np.linspace(0.0, length_s * 1e6, rows.height)).astype(np.int64)
        t = pl.Series(at_us + np.datetime64(begin, "us").astype(np.int64)).cast(TIME)
    t_s = (t - t[0]).dt.total_microseconds().to_numpy() / 1e6
    same = rows.select(
        pl.all_horizontal(pl.col(column) == pl.col(column).shift(1) for column in _ANALOGUE).fill_null(value=False)
    ).to_series()
    stands = (~same).cum_sum()
    frame = rows.select(
        stretch=pl.lit(name),
        t=t,
        t_s=pl.Series(t_s),
        reservoir_kpa=pl.col(reservoir) * KPA_PER_BAR,
        outlet_kpa=pl.col("TP2") * KPA_PER_BAR,
        dryer_kpa=pl.col("DV_pressure") * KPA_PER_BAR,
        motor_a="Motor_current",
        is_loaded=pl.col("TP2") >= _UNDER_PRESSURE_BAR,
        stands=stands,
        unseen_s=pl.lit(unseen_s),
    )
    lasted = (pl.col("t_s").max() - pl.col("t_s").min()).over("stands")
    return frame.with_columns(is_standstill=lasted >= _STANDSTILL_S).select(ROWS.keys()).cast(ROWS)


def spans(rows: pl.DataFrame) -> pl.DataFrame:
    """Give the times loaded and unloaded of one stretch; columns as `SPANS`."""
    live = rows.filter(~pl.col("is_standstill"))
    t_s, kpa = live["t_s"].to_numpy(), live["reservoir_kpa"].to_numpy()
    is_loaded = live["is_loaded"].to_numpy()
    first = np.flatnonzero(np.append([True], is_loaded[1:] != is_loaded[:-1]))
    last = np.append(first[1:] - 1, live.height - 1)
    out = []
    for low, high in zip(first.tolist(), last.tolist(), strict=True):
        part = slice(low, high + 1)
        settled = np.flatnonzero(t_s[part] >= t_s[low] + _LEAK.settle_s) + low
        rises = _slope(t_s[part], kpa[part])
        is_long = not is_loaded[low] and t_s[high] - t_s[low] >= _LEAST_S
        falls = _slope(t_s[settled], np.log(kpa[settled] + ATMOSPHERE_KPA)) if is_long else None
        is_whole = low > 0 and high < live.height - 1
        out.append(
            (
                rows["stretch"][0],
                bool(is_loaded[low]),
                float(t_s[low] if low == 0 else (t_s[low - 1] + t_s[low]) / 2),
                float(t_s[high] if high == live.height - 1 else (t_s[high] + t_s[high + 1]) / 2),
                is_whole,
                float(kpa[part].mean()),
                None if rises is None else 60.0 * rises,
                None if falls is None else -falls,
            )
        )
    return pl.DataFrame(out, schema=SPANS, orient="row")


def _slope(x: Floats, y: Floats) -> float | None:
    """Give the slope of a straight line; None with fewer than four points."""
    if x.size < 4:  # noqa: PLR2004 three points leave one to judge by
        return None
    return float(np.polyfit(x - x.mean(), y, 1)[0])


def healthy_edges(spans_: pl.DataFrame, row_s: float) -> Edges:
    """Give what the healthy stretch allows for one value more, by Student's t.

    Parameters
    ----------
    spans_ : DataFrame
        Of the healthy stretch, columns as `SPANS`.
    row_s : float
        Spacing of its rows, s: by so much a pump-up may seem longer than it is.

    Raises
    ------
    RecordingError
        It holds fewer than three pump-ups or falls.
    """
    ups = spans_.filter("is_loaded", "is_whole")
    falls = spans_.filter(~pl.col("is_loaded")).drop_nulls("fall_per_s")
    if min(ups.height, falls.height) < 3:  # noqa: PLR2004 two give no spread to speak of
        raise RecordingError(f"the healthy rows hold {ups.height} pump-ups and {falls.height} falls; three are needed")
    lasted = (ups["ended_s"] - ups["began_s"]).to_numpy()
    leaks = _PER_LOG * falls["fall_per_s"].to_numpy()
    # what goes in is what the pressure gains and what leaks meanwhile
    delivered = ups["rise_kpa_per_min"].to_numpy() + leaks.mean() / _to_reference(ups["mean_kpa"].to_numpy())
    begins = ups["began_s"].to_numpy()
    most = int(np.floor(_HOUR_S / np.diff(begins).min())) + 1
    pump_up_s = _one_more(lasted)[1] + row_s
    low, high = _one_more(delivered)
    return Edges(
        pump_up_s=pump_up_s,
        share_pct=100.0 * most * pump_up_s / _HOUR_S,
        leak_kpa_per_min=_one_more(leaks)[1],
        delivery_kpa_per_min=(float(delivered.mean()), low, high),
        n_pump_ups=ups.height,
        n_falls=falls.height,
    )


def _to_reference(kpa: Floats) -> Floats:
    """Give the factor from a rate of change at a gauge pressure to that at 690 kPa gauge."""
    factor: Floats = (REFERENCE_KPA + ATMOSPHERE_KPA) / (kpa + ATMOSPHERE_KPA)
    return factor


def _one_more(values: Floats) -> tuple[float, float]:
    """Give the ends between which one value more lies, 95 %, of a normal population known by these."""
    half = student.ppf(0.975, values.size - 1) * values.std(ddof=1) * np.sqrt(1.0 + 1.0 / values.size)
    return float(values.mean() - half), float(values.mean() + half)


def derived_readings(rows: pl.DataFrame, *, use_state: bool) -> pl.DataFrame:
    """Give what the program's own duty and running-leak checks make of one stretch.

    The motor stands for the engine and is taken to have power throughout, as the governor also works with it at rest.

    Parameters
    ----------
    rows : DataFrame
        Of one stretch, columns as `ROWS`.
    use_state : bool
        Whether the compressor's state is reported, as some vehicles do; else the pressure alone must tell.

    Returns
    -------
    DataFrame
        ``stretch, state`` (reported or inferred), ``check, value, lower, upper``; without rows where no check says
        anything.
    """
    live = rows.filter(~pl.col("is_standstill"))
    made = live.select(
        fleet=pl.lit("metro"),
        unit=pl.col("stretch"),
        t="t",
        supply_kpa="reservoir_kpa",
        engine_rpm=pl.lit(1500.0),
        speed_kph=pl.lit(0.0),
        park_brake=pl.lit(0),
        compressor_loaded=pl.when(pl.lit(use_state)).then(pl.col("is_loaded").cast(pl.Int8)),
    )
    lacking = [pl.lit(None, dtype).alias(name) for name, dtype in SAMPLE_SCHEMA.items() if name not in made.columns]
    samples = assign_runs(add_phases(made.with_columns(lacking).select(SAMPLE_SCHEMA.keys()).cast(SAMPLE_SCHEMA)))
    runs = run_table(samples)
    turns = governor_turns(samples)
    readings = pl.concat([duty_readings(samples, turns, runs), leak_running_readings(samples, turns, runs)])
    return readings.select(
        stretch=pl.col("unit"),
        state=pl.lit("reported" if use_state else "inferred"),
        check="check",
        value="value",
        lower="lower",
        upper="upper",
    )


def measured(rows: pl.DataFrame, all_spans: pl.DataFrame, derived: pl.DataFrame, edges: Edges) -> pl.DataFrame:
    """Give load share, cycles, leak and loss of each stretch; columns as `CompressorReport.table` says.

    The share's interval holds what the spacing of rows hides at each turn, and time not seen as loaded or as not. The
    leak is the program's own where there is enough unloaded time, else that of the one fall with the interval that its
    gas and sensor leave. The loss is what must go missing for the pressure to stand where it stood while loaded, if the
    compressor delivers what it did when healthy.
    """
    out = []
    for (name,), part in rows.group_by("stretch", maintain_order=True):
        own = all_spans.filter(stretch=str(name))
        share = load_share_pct(part, own)
        live_h = _live_s(part) / _HOUR_S
        outs = int(own["is_loaded"].head(-1).to_numpy().sum())
        checks = derived.filter(stretch=str(name), state="reported", check="leak_running")
        leak = checks.select("value", "lower", "upper").row(0) if checks.height else _one_fall(own)
        out.append(
            {
                "stretch": str(name),
                "hours": live_h,
                **_trio("share_pct", share),
                **_trio("cycles_per_h", (outs / live_h, max(0, outs - 1) / live_h, (outs + 1) / live_h)),
                **_trio("leak_kpa_per_min", leak),
                **_trio("loss_kpa_per_min", _loss(own, edges)),
                "standstill_min": (float(part["t_s"][-1]) - _live_s(part)) / 60.0,
                "unseen_min": float(part["unseen_s"][0]) / 60.0,
            }
        )
    return pl.DataFrame(out, infer_schema_length=None)


def _trio(name: str, values: Trio) -> dict[str, float | None]:
    return dict(zip((name, f"{name}_lower", f"{name}_upper"), values, strict=True))


def _live_s(rows: pl.DataFrame) -> float:
    """Give the time that live rows of a stretch stand for."""
    return float(rows["t_s"][-1]) * float((~rows["is_standstill"]).to_numpy().mean())


def load_share_pct(rows: pl.DataFrame, own: pl.DataFrame) -> tuple[float, float, float]:
    """Give the share of one stretch's time in which it was loaded, %, and its bounds."""
    whole_s = float((own["ended_s"] - own["began_s"]).sum())
    loaded_s = float(own.filter("is_loaded").select((pl.col("ended_s") - pl.col("began_s")).sum()).item())
    gap_s, unseen_s = float(rows["t_s"][-1]) / (rows.height - 1), float(rows["unseen_s"][0])
    half_s = 1.96 * gap_s * np.sqrt((own.height - 1) / 12.0)
    seen_s = whole_s - unseen_s  # an even spread gave the silence to loaded and unloaded alike
    part = loaded_s / whole_s
    return (
        100.0 * part,
        100.0 * max(0.0, (part * seen_s - half_s) / whole_s),
        100.0 * min(1.0, (part * seen_s + half_s + unseen_s) / whole_s),
    )


def _one_fall(own: pl.DataFrame) -> Trio:
    """Give the leak of a stretch that is one long fall; nothing where there is less than the shortest pooled time."""
    falls = own.filter(~pl.col("is_loaded")).drop_nulls("fall_per_s")
    if falls.height != 1:
        return None, None, None
    value = _PER_LOG * float(falls["fall_per_s"][0])
    half = 1.96 * _WARMING_KPA_PER_MIN  # the sensor's part, in steps of 0.2 kPa, is far less
    return value, value - half, value + half


def _loss(own: pl.DataFrame, edges: Edges) -> Trio:
    """Give what goes missing while loaded, at 690 kPa gauge, from the longest time loaded if that is no pump-up."""
    longest = (
        own.filter("is_loaded").with_columns(s=pl.col("ended_s") - pl.col("began_s")).sort("s", descending=True).head(1)
    )
    if longest.is_empty() or longest["s"][0] <= edges.pump_up_s:
        return None, None, None
    factor = float(_to_reference(longest["mean_kpa"].to_numpy())[0])
    gain = float(longest["rise_kpa_per_min"][0])
    mean, low, high = ((delivered - gain) * factor for delivered in edges.delivery_kpa_per_min)
    return mean, low, high


def duty_edge_pct() -> float:
    """Give the shipped edge for the share of an hour with the compressor loaded, %."""
    return next(limit.high for limit in shipped_limits() if limit.id == "any-duty-watch" and limit.high is not None)


def hour_share_pct(rows: pl.DataFrame) -> pl.DataFrame:
    """Give the share loaded of the hour up to each live row, null until an hour was seen: ``t_s, share_pct``."""
    live = rows.filter(~pl.col("is_standstill"))
    t_s, is_loaded = live["t_s"].to_numpy(), live["is_loaded"].to_numpy().astype(np.float64)
    total = np.append([0.0], np.cumsum(is_loaded[1:] * np.diff(t_s)))  # a row speaks for the time before it
    share = 100.0 * (total - np.interp(t_s - _HOUR_S, t_s, total)) / _HOUR_S
    share[t_s < t_s[0] + _HOUR_S] = np.nan
    return pl.DataFrame({"t_s": t_s, "share_pct": share}).with_columns(pl.col("share_pct").fill_nan(None))


def first_fired(rows: pl.DataFrame, own: pl.DataFrame, leak: Trio, edges: Edges) -> pl.DataFrame:
    """Say when each rule first fires in one stretch.

    An hour's share is asked for only once an hour of rows was seen, as rows before the stretch are missing. A leak
    whose interval holds the edge is not known to be beyond it.

    Parameters
    ----------
    rows, own : DataFrame
        Of one stretch, columns as `ROWS` and `SPANS`.
    leak : tuple
        Its leak while unloaded and the ends of its interval, kPa/min at 690 kPa gauge.

    Returns
    -------
    DataFrame
        Columns as `FIRED`.
    """
    live = rows.filter(~pl.col("is_standstill"))
    begin_s = float(live["t_s"][0])
    share = hour_share_pct(rows)
    lasted = pl.col("ended_s") - pl.col("began_s")
    long = own.filter("is_loaded", lasted > edges.pump_up_s)
    unloaded = own.filter(~pl.col("is_loaded"))

    def over(edge: float) -> float | None:
        at = share.filter(pl.col("share_pct") > edge)
        return None if at.is_empty() else float(at["t_s"][0])

    hour = "" if share["share_pct"].count() else "less than an hour of rows"
    shipped = duty_edge_pct()
    value, low, _ = leak
    told, leaks_s = "", None
    if value is None or low is None:
        told = f"{float(unloaded.select(lasted.sum()).item()) / 60:.1f} min unloaded: nothing to measure"
    elif low > edges.leak_kpa_per_min:
        leaks_s = float(unloaded["ended_s"].max())  # type: ignore[arg-type]  # a float column's maximum
    elif value > edges.leak_kpa_per_min:
        told = f"not known: {value:.1f} is beyond, its interval is not"
    long_s = None if long.is_empty() else float(long["began_s"][0]) + edges.pump_up_s
    fired = [
        ("hour's load share, shipped edge", shipped, "%", over(shipped), hour),
        ("hour's load share, healthy edge", edges.share_pct, "%", over(edges.share_pct), hour),
        ("one pump-up, healthy edge", edges.pump_up_s, "s", long_s, ""),
        ("leak while unloaded, healthy edge", edges.leak_kpa_per_min, "kPa/min", leaks_s, told),
    ]
    late_min = float(rows["unseen_s"][0]) / 60.0
    return pl.DataFrame(
        [
            {
                "stretch": rows["stretch"][0],
                "rule": rule,
                "edge": edge,
                "unit": unit,
                "after_min": None if at_s is None else (at_s - begin_s) / 60.0,
                "begin_min": None if at_s is None else at_s / 60.0,
                "late_min": None if at_s is None else late_min,
                "note": note,
            }
            for rule, edge, unit, at_s, note in fired
        ],
        schema=FIRED,
    )


def fires_after_min(edge_pct: float, before_pct: float) -> float:
    """Give how long after a compressor stops unloading an hour's share passes an edge, if before it was as given."""
    return 60.0 * (edge_pct - before_pct) / (100.0 - before_pct)
