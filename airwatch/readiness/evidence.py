"""What is known of each unit about each focus item, from the stream and by hand."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from airwatch.alerts.frames import Z95
from airwatch.contract.columns import TIME
from airwatch.derive.facts import unit_facts
from airwatch.derive.frames import READINGS, UNIT, floats, require
from airwatch.hand.frames import ENTRIES
from airwatch.hand.judge import judge_entries
from airwatch.hand.share import WHEEL_ITEMS
from airwatch.limits.judge import as_judged, judge
from airwatch.limits.table import limits_frame, shipped_limits
from airwatch.readiness.chances import chance_sound, chance_within
from airwatch.readiness.settings import Answers, Focus

EVIDENCE = pl.Schema(
    {
        **dict.fromkeys(("fleet", "unit", "item", "source", "question", "part", "wheel"), pl.String()),
        "taken_at": TIME,
        **dict.fromkeys(("value", "sd_below", "sd_above", "limit_low", "limit_high"), pl.Float64()),
        "is_sound": pl.Boolean(),
        **dict.fromkeys(("age_days", "chance"), pl.Float64()),
    }
)
"""One row a thing that was measured or found, newest of its kind.

``source`` is ``stream`` or ``hand``; ``question`` what was asked (a check, or an item measured by hand); ``part``
where; ``wheel`` the wheel end, null where it is none. Figures are canonical; ``sd_…`` and ``value`` are as at the day
that the forecast is for. ``is_sound`` is what was found, null for what was measured. ``chance`` is that of passing that
day, null where no limit is known.
"""

_BY_VERDICT = ("abs_fault", "abs_lamp", "abs_self_check")
"""Checks whose verdict says what was found, and not their figure: a lamp or code that is there is there."""

_TOGETHER = timedelta(days=1)


def evidence(
    readings: pl.DataFrame,
    entries: pl.DataFrame,
    units: pl.DataFrame,
    focuses: Sequence[Focus],
    *,
    at: datetime,
    answers: Answers,
) -> pl.DataFrame:
    """Gather what is known up to now and carry it on to the day of an inspection.

    Only limits that bind count: what a maker had to meet, and common practice, are no inspector's business. Where both
    stream and hand answer a question, an answer that is older than the other by more than a day is left out.
    Measurements older than their item's ``forget_days`` on that day are left out.

    Parameters
    ----------
    readings : DataFrame
        Columns as `airwatch.derive.frames.READINGS`.
    entries : DataFrame
        Columns as `airwatch.hand.frames.ENTRIES`.
    units : DataFrame
        The registry, columns as `airwatch.registry.SCHEMA`.
    at : datetime
        The day that the forecast is for, UTC.

    Returns
    -------
    DataFrame
        Columns as `EVIDENCE`.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    """
    require(readings, READINGS, "evidence")
    require(entries, ENTRIES, "evidence")
    known = pl.concat([_of_stream(readings, units), _by_hand(entries, units)])
    rows = known.join(_asked(focuses), on="question", how="inner").with_columns(
        age_days=(pl.lit(at, TIME) - pl.col("taken_at")).dt.total_seconds() / 86400.0
    )
    of_source = pl.col("taken_at").max().over(*UNIT, "item", "question", "source")
    of_any = pl.col("taken_at").max().over(*UNIT, "item", "question")
    fresh = rows.filter(
        (pl.col("age_days") <= pl.col("forget_days"))
        & (pl.col("wheel").is_not_null() | (of_source >= of_any - _TOGETHER))
    )
    return _carried(fresh, answers).select(EVIDENCE.keys()).cast(EVIDENCE).sort(*UNIT, "item", "question", "part")


def _asked(focuses: Sequence[Focus]) -> pl.DataFrame:
    """Give which item each question belongs to, with what ages it."""
    rows = [
        (question, focus.id, focus.forget_days, focus.drift, focus.drift_sd, focus.hazard, focus.missed)
        for focus in focuses
        for question in dict.fromkeys((*focus.checks, *(_question(item) for item in focus.hand)))
    ]
    names = ("forget_days", "drift", "drift_sd", "hazard", "missed")
    return pl.DataFrame(
        rows,
        schema={"question": pl.String, "item": pl.String, **dict.fromkeys(names, pl.Float64)},
        orient="row",
    )


def _question(item: str) -> str:
    return _CHECK_OF.get(item, item)


_CHECK_OF = {"build_up": "build_up_time", "pop_out": "protection_valve"}
"""Hand items whose name is not that of the check that asks the same."""


def _of_stream(readings: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    limits = limits_frame(shipped_limits()).filter(pl.col("breach") == "fail")
    newest = (
        readings.sort("end", "start")
        .unique([*UNIT, "check", "circuit", "test", "part"], keep="last", maintain_order=True)
        .rename({"verdict": "found"})
        .drop("limit_low", "limit_high", "rule")
    )
    facts = unit_facts(newest.select(UNIT), units)
    coupled = pl.when(pl.col("trailer").is_not_null()).then(pl.lit(value=True))
    judged = judge(
        newest.join(facts, on=UNIT, how="left", maintain_order="left").with_columns(
            is_combination=pl.coalesce(coupled, "is_towing")
        ),
        limits,
    )
    by_verdict = pl.col("check").is_in(_BY_VERDICT)
    place = pl.concat_str("circuit", "test", "part", separator=" ", ignore_nulls=True)
    return (
        as_judged(judged, limits)
        .filter(pl.when(by_verdict).then(pl.col("found") != "unknown").otherwise(pl.col("judged_upper").is_not_null()))
        .select(
            *UNIT,
            source=pl.lit("stream"),
            question="check",
            part=place,
            wheel=pl.lit(None, pl.String),
            taken_at="end",
            value=pl.when(~by_verdict).then("judged"),
            sd_below=(pl.col("judged") - pl.col("judged_lower")) / Z95,
            sd_above=(pl.col("judged_upper") - pl.col("judged")) / Z95,
            limit_low="limit_low",
            limit_high="limit_high",
            is_sound=pl.when(by_verdict).then(pl.col("found") == "pass"),
        )
    )


def _by_hand(entries: pl.DataFrame, units: pl.DataFrame) -> pl.DataFrame:
    judged = judge_entries(
        entries.sort("taken_at", "id").unique([*UNIT, "item", "position"], keep="last", maintain_order=True),
        units,
        only_binding=True,
    )
    is_found = pl.col("canonical").is_null()
    return judged.select(
        *UNIT,
        source=pl.lit("hand"),
        question=pl.col("item").replace(_CHECK_OF),
        part=pl.col("position").fill_null(""),
        wheel=pl.when(pl.col("item").is_in(WHEEL_ITEMS)).then("position"),
        taken_at="taken_at",
        value="canonical",
        sd_below=(pl.col("canonical") - pl.col("lower")) / Z95,
        sd_above=(pl.col("upper") - pl.col("canonical")) / Z95,
        limit_low="limit_low",
        limit_high="limit_high",
        is_sound=pl.when(is_found).then(pl.col("verdict") != "fail"),
    )


def _carried(rows: pl.DataFrame, answers: Answers) -> pl.DataFrame:
    """Carry each row on to the day of the inspection, and give its chance there."""
    age = np.maximum(floats(rows["age_days"]), 0.0)
    drift, grown = floats(rows["drift"]) * age, floats(rows["drift_sd"]) * age
    value = np.maximum(floats(rows["value"]) + drift, 0.0)
    below, above = (np.hypot(floats(rows[name]), grown) for name in ("sd_below", "sd_above"))
    measured = chance_within(value, below, above, floats(rows["limit_low"]), floats(rows["limit_high"]))
    is_sound = rows["is_sound"].cast(pl.Float64)
    within = np.where(is_sound.is_null().to_numpy(), measured, floats(is_sound))
    sound = chance_sound(age, hazard=floats(rows["hazard"]), missed=floats(rows["missed"]))
    return rows.with_columns(
        value=pl.Series(value).fill_nan(None),
        sd_below=pl.Series(below).fill_nan(None),
        sd_above=pl.Series(above).fill_nan(None),
        chance=pl.Series(sound * within + answers.judged_otherwise * (1.0 - within)).fill_nan(None),
    )
