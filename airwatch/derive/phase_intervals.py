"""What a unit was doing and when, as intervals whose borders say how surely they are known."""

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.frames import FACTS, RUN_SAMPLES, UNIT, require, seconds
from airwatch.derive.tuning import Phases, shipped_tuning

PHASES = (
    "engine_off",
    "engine_idle",
    "engine_governed",
    "moving",
    "parked",
    "brake_applied",
    "trailer_charged",
    "compressor_loaded",
)
"""`compressor_loaded` is as reported here; where it is not, it comes from `airwatch.derive.loaded`."""

PHASE_INTERVALS = pl.Schema(
    {
        "run": pl.UInt32(),
        "phase": pl.String(),
        "is_known": pl.Boolean(),
        "start_early": TIME,
        "start": TIME,
        "end": TIME,
        "end_late": TIME,
    }
)
"""One row an interval in which a phase holds, or (``is_known`` false) in which the samples do not tell.

It began after ``start_early`` and by ``start``, and ended after ``end`` and by ``end_late``: ``start`` and ``end`` are
the first and the last sample that show it, the others their neighbours on the outside. At the edge of a run, where no
sample shows the border, ``start_early`` or ``end_late`` is null.
"""


def phase_intervals(samples: pl.DataFrame, facts: pl.DataFrame, tuning: Phases | None = None) -> pl.DataFrame:
    """Give the intervals of each phase.

    Idle is the engine running below ``idle_rpm`` with the unit standing; governed is ``governed_share`` of governed
    speed or more. A trailer is charged while its supply line holds ``charged_kpa``; where the line is not sent it is
    not known, except that with no trailer coupled none is charged. A silence longer than ``longest_gap_s`` ends an
    interval: what happened in it is not known.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    facts : DataFrame
        Columns as `airwatch.derive.frames.FACTS`; ``governed_rpm`` in 1/min.

    Returns
    -------
    DataFrame
        Columns as `PHASE_INTERVALS`, sorted by ``phase`` (in the order of `PHASES`), ``run`` and ``start``.

    Raises
    ------
    FrameError
        A column is missing or of another type.
    """
    require(samples, RUN_SAMPLES, "phase_intervals")
    require(facts, FACTS, "phase_intervals")
    tuning = tuning or shipped_tuning().phases
    rpm = pl.col("engine_rpm")
    running, moving = pl.col("is_running"), pl.col("is_moving")
    no_trailer = pl.col("trailer") == ""
    holds = {
        "engine_off": ~running,
        "engine_idle": running & ~moving & (rpm < tuning.idle_rpm),
        "engine_governed": running & (rpm >= tuning.governed_share * pl.col("governed_rpm")),
        "moving": moving,
        "parked": pl.col("is_parked"),
        "brake_applied": pl.col("is_braking"),
        "trailer_charged": (pl.col("trailer_kpa") >= tuning.charged_kpa).fill_null(
            pl.when(no_trailer).then(pl.lit(value=False))
        ),
        "compressor_loaded": pl.col("compressor_loaded") == 1,
    }
    line = _with_governed(samples, facts).select(
        "run",
        "t",
        t_before=pl.col("t").shift(1),
        t_after=pl.col("t").shift(-1),
        breaks=(pl.col("run") != pl.col("run").shift(1)).fill_null(value=True),
        gap=seconds(pl.col("t") - pl.col("t").shift(1)) > tuning.longest_gap_s,
        **{phase: holds[phase] for phase in PHASES},
    )
    return pl.concat([_intervals(line, phase) for phase in PHASES]).cast(PHASE_INTERVALS)


def _with_governed(samples: pl.DataFrame, facts: pl.DataFrame) -> pl.DataFrame:
    """Put each unit's governed speed beside its samples: one join a run, not one a sample."""
    runs = samples.select("run", *UNIT).filter((pl.col("run") != pl.col("run").shift(1)).fill_null(value=True))
    governed = runs.join(facts.select(*UNIT, "governed_rpm"), on=UNIT, how="left", maintain_order="left")
    first = runs["run"].first()
    return samples.with_columns(
        governed_rpm=pl.lit(governed["governed_rpm"]).gather(pl.col("run") - (0 if first is None else first))
    )


def _intervals(line: pl.DataFrame, phase: str) -> pl.DataFrame:
    """Give the intervals of one phase; only samples at which its state changes are looked at further."""
    state = pl.col(phase)
    is_new = pl.col("breaks") | pl.col("gap").fill_null(value=False) | state.ne_missing(state.shift(1))
    borders = (
        line.lazy()
        .select("run", "t", "t_before", state=state, is_new=is_new, breaks="breaks")
        .filter("is_new")
        .with_columns(
            end=pl.col("t_before").shift(-1),
            end_late=pl.when(~pl.col("breaks").shift(-1)).then(pl.col("t").shift(-1)),
        )
        .filter(pl.col("state").fill_null(value=True))
        .select(
            "run",
            phase=pl.lit(phase),
            is_known=pl.col("state").is_not_null(),
            start_early=pl.when(~pl.col("breaks")).then(pl.col("t_before")),
            start="t",
            # the last interval of all has no border after it
            end=pl.coalesce("end", pl.lit(line["t"].last(), TIME)),
            end_late="end_late",
        )
    )
    return borders.collect()
