"""`leak_running`: what the tanks lose while the engine runs, compressor unloaded and brakes at rest."""

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.frames import RUN_SAMPLES, UNIT, as_measured, require
from airwatch.derive.loaded import EngineClock, engine_clock
from airwatch.derive.swings import SWING
from airwatch.derive.tuning import LeakRunning, shipped_tuning
from airwatch.derive.turn_bounds import TURNS, Z95
from airwatch.limits.judge import REFERENCE_KPA
from airwatch.limits.units_of_measure import ATMOSPHERE_KPA

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

_AT_END = 3  # samples averaged at either end of a stretch
_NOISE_VAR = 1 / 12 + 0.03  # of such a mean, in squared steps: rounding of one value over and over, and noise
_WARMING_KPA_PER_MIN = 0.3  # gas in the tanks still warms or cools after use: no stretch is long enough to be rid of it


def leak_running_readings(
    samples: pl.DataFrame,
    turns: pl.DataFrame,
    runs: pl.DataFrame,
    tuning: LeakRunning | None = None,
    clock: EngineClock | None = None,
) -> pl.DataFrame:
    """Give one reading for each tank in each run that has enough unloaded time without brake use.

    All such stretches of a run count together: the sum of the falls of ln(absolute pressure) over the sum of the times,
    given as the rate at 690 kPa gauge. Accessories use air meanwhile, so it is an upper bound on the leak.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    turns : DataFrame
        Columns as `airwatch.derive.turn_bounds.TURNS`.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.
    clock : EngineClock, optional
        Of these samples, where the caller has it already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; kPa/min, positive for a fall.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "leak_running_readings")
    require(turns, TURNS, "leak_running_readings")
    turns = turns.filter(pl.col("source") != SWING)
    tuning = tuning or shipped_tuning().leak_running
    clock = clock or engine_clock(samples, tuning.longest_gap_s)
    if turns.is_empty() or not clock.row.size:
        return as_measured(pl.DataFrame())
    first, last = _stretches(samples, turns, clock, tuning)
    steps = turns.group_by("run").agg(step=pl.col("step_kpa").max())
    pooled = pl.concat(
        [_pooled(samples, clock, first, last, steps, name) for name in ("supply", "primary", "secondary")]
    )
    per_log = 60.0 * (REFERENCE_KPA + ATMOSPHERE_KPA)
    value = per_log * pl.col("fell") / pl.col("span_s")
    half = ((Z95 * per_log * pl.col("var").sqrt() / pl.col("span_s")) ** 2 + (Z95 * _WARMING_KPA_PER_MIN) ** 2).sqrt()
    return (
        pooled.filter(pl.col("span_s") >= tuning.least_total_s)
        .join(runs, on="run")
        .select(
            *UNIT,
            "trailer",
            "circuit",
            "start",
            "end",
            "run_start",
            check=pl.lit("leak_running"),
            value=value,
            lower=value - half,
            upper=value + half,
            measure=pl.lit("kPa/min"),
            note=pl.format(
                "{} min unloaded without brake use, in {} stretches; air used by accessories is in it",
                (pl.col("span_s") / 60).round(0).cast(pl.Int64),
                "n",
            ),
        )
        .pipe(as_measured)
    )


def _stretches(
    samples: pl.DataFrame, turns: pl.DataFrame, clock: EngineClock, tuning: LeakRunning
) -> tuple[Places, Places]:
    """Give first and last place, in the clock's rows, of each stretch unloaded and with the brakes at rest."""
    begin, end = _unloaded(turns, clock, tuning)
    brakes = samples["is_braking"].to_numpy()[clock.row]
    ons = np.flatnonzero(brakes[1:] & ~brakes[:-1]) + 1
    offs = np.flatnonzero(~brakes[1:] & brakes[:-1]) + 1
    silent = np.flatnonzero(np.diff(clock.axis_s) > tuning.longest_gap_s)
    # a quiet time begins where the brakes were let go, where a silence ends, or where unloading has settled
    begins = np.concatenate([begin, clock.axis_s[offs] + tuning.release_s, clock.axis_s[silent + 1]])
    stops = np.sort(np.concatenate([end, clock.axis_s[np.maximum(ons - 1, 0)], clock.axis_s[silent]]))
    begins = np.sort(begins)
    until = stops[np.minimum(np.searchsorted(stops, begins), stops.size - 1)]
    # inside one unloaded time, and not begun while the brakes are on
    of = np.searchsorted(begin, begins, side="right") - 1
    is_inside = (of >= 0) & (begins < end[np.maximum(of, 0)])
    later = np.append(begins[1:], np.inf)  # of two beginnings with no stop between, the later one holds
    is_latest = until < later
    keep = is_inside & is_latest & (until - begins >= tuning.shortest_s)
    first = np.searchsorted(clock.axis_s, begins[keep])
    last = np.searchsorted(clock.axis_s, until[keep], side="right") - 1
    is_enough = (last - first >= 2 * _AT_END) & ~brakes[np.minimum(first, brakes.size - 1)]
    return first[is_enough], last[is_enough]


def _unloaded(turns: pl.DataFrame, clock: EngineClock, tuning: LeakRunning) -> tuple[Floats, Floats]:
    """Give settled beginnings and ends, on the clock's axis, of the times between a cut-out and what ends it."""
    run, t_us = turns["run"].to_numpy(), turns["t"].to_physical().to_numpy()
    is_out = (turns["kind"] == "cut_out").to_numpy()
    is_same = np.append(run[1:] == run[:-1], [False])
    at = np.searchsorted(clock.run[clock.first], run)
    here = clock.place(run, t_us)
    early_s = turns["early_s"].to_numpy()
    stop = np.where(is_same, np.append(here[1:] - early_s[1:] - 2.0, [0.0]), clock.axis_s[clock.last[at]])
    begin, end = here[is_out] + tuning.settle_s, stop[is_out]
    is_left = end > begin
    return begin[is_left], end[is_left]


def _pooled(
    samples: pl.DataFrame, clock: EngineClock, first: Places, last: Places, steps: pl.DataFrame, circuit: str
) -> pl.DataFrame:
    """Sum one tank's falls of ln(absolute pressure), their times and variances, for each run."""
    column = samples[f"{circuit}_kpa"]
    if column.null_count() == samples.height:
        first, last = first[:0], last[:0]
    near = np.arange(_AT_END)
    rows = clock.row[first[:, None] + near], clock.row[last[:, None] - near]
    head, tail = (column.gather(r.ravel()).to_numpy().astype(float).reshape(r.shape).mean(axis=1) for r in rows)
    t_us = clock.t_us
    spans_s = (t_us[last] - t_us[first]) / 1e6 - (
        t_us[np.minimum(first + _AT_END - 1, t_us.size - 1)] - t_us[first]
    ) / 2e6
    spans_s -= (t_us[last] - t_us[np.maximum(last - _AT_END + 1, 0)]) / 2e6
    frame = pl.DataFrame(
        {
            "run": clock.run[first],
            "span_s": spans_s,
            "fell": np.log((head + ATMOSPHERE_KPA) / (tail + ATMOSPHERE_KPA)),
            "mean_kpa": (head + tail) / 2 + ATMOSPHERE_KPA,
            "start": t_us[first].astype("datetime64[us]"),
            "end": t_us[last].astype("datetime64[us]"),
        }
    )
    return (
        frame.filter(pl.col("fell").is_not_nan())
        .join(steps, on="run")
        .group_by("run")
        .agg(
            pl.col("span_s").sum(),
            pl.col("fell").sum(),
            var=(2 * _NOISE_VAR * (pl.col("step") / pl.col("mean_kpa")) ** 2).sum(),
            n=pl.len(),
            start=pl.col("start").min(),
            end=pl.col("end").max(),
        )
        .with_columns(circuit=pl.lit(circuit))
    )
