"""`abs_fault`: episodes of active trouble codes of the anti-lock brakes, by place on the vehicle."""

import polars as pl

from airwatch.contract.batch import CODE_SCHEMA, REPORT_SCHEMA
from airwatch.derive.abs_events import AbsEvents
from airwatch.derive.abs_history import episodes, occurrences
from airwatch.derive.frames import UNIT, as_measured, require
from airwatch.derive.tuning import Abs


def abs_fault_readings(
    reports: pl.DataFrame, codes: pl.DataFrame, tuning: Abs | None = None, events: AbsEvents | None = None
) -> pl.DataFrame:
    """Give one reading for each episode at each place: how often the fault came.

    Parameters
    ----------
    reports : DataFrame
        ``fleet, unit, t, source_address``: a controller said what is active. The units' whole history.
    codes : DataFrame
        The same, with ``spn, fmi, count`` for each active code.
    events : AbsEvents, optional
        As `airwatch.derive.abs_events.abs_events` gives them, where the caller has them already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`, measure ``count``; ``part`` is the wheel end where the code names
        one, else the component; ``state`` is active, intermittent or cleared; ``run_start`` is null.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    SAE J1939-73 DM1 for what a report is; see `abs_codes.toml` for the numbers.
    """
    require(reports, REPORT_SCHEMA, "abs_fault_readings")
    require(codes, CODE_SCHEMA, "abs_fault_readings")
    found = episodes(events.found if events else occurrences(reports, codes, tuning), tuning)
    came_back = pl.when("came_back").then(pl.lit("; came back after it was cleared")).otherwise(pl.lit(""))
    times = pl.when(pl.col("n_occurrences") > 1).then(pl.format(", {} times", "n_occurrences")).otherwise(pl.lit(""))
    return as_measured(
        found.select(
            *UNIT,
            "start",
            "end",
            "part",
            "state",
            check=pl.lit("abs_fault"),
            value="n_occurrences",
            lower="n_occurrences",
            upper="n_occurrences",
            measure=pl.lit("count"),
            note=pl.format("{}{}: {}{}", "state", times, pl.col("texts").list.join("; "), came_back),
        ).sort(*UNIT, "start", "part")
    )
