"""`abs_fault`: episodes of active trouble codes of the anti-lock brakes."""

import tomllib
from functools import cache
from importlib.resources import files

import msgspec
import polars as pl
from msgspec import Struct

from airwatch.contract.batch import CODE_SCHEMA, REPORT_SCHEMA
from airwatch.derive.frames import UNIT, as_measured, require, seconds
from airwatch.derive.tuning import Abs, shipped_tuning


class AbsCodes(Struct, frozen=True, forbid_unknown_fields=True):
    """`abs_codes.toml`: names of parameters and failure modes by number."""

    source: str
    brake_controller: int
    spn: dict[int, str]
    fmi: dict[int, str]


@cache
def shipped_codes() -> AbsCodes:
    """Give the code table that comes with the program."""
    text = files("airwatch.derive").joinpath("abs_codes.toml").read_text("utf-8")
    return msgspec.convert(tomllib.loads(text), AbsCodes, strict=False)


def abs_fault_readings(reports: pl.DataFrame, codes: pl.DataFrame, tuning: Abs | None = None) -> pl.DataFrame:
    """Give one reading for each episode: how many different codes were active in it.

    A code counts if its parameter is one of the anti-lock brakes' or the brake controller sent it. An episode goes
    from the first report with such a code to the first report of the same controller without one (or to the last
    report there is), and joins the next one if that begins within ``rejoin_s``.

    Parameters
    ----------
    reports : DataFrame
        ``fleet, unit, t, source_address``: a controller said what is active.
    codes : DataFrame
        The same, with ``spn, fmi, count`` for each active code. The unit's whole history: episodes may be long.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`, measure ``count``; ``run_start`` is null.

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
    tuning = tuning or shipped_tuning().abs
    table = shipped_codes()
    source = [*UNIT, "source_address"]
    is_abs = pl.col("spn").is_in(list(table.spn)) | (pl.col("source_address") == table.brake_controller)
    active = codes.filter(is_abs.fill_null(value=False)).with_columns(text=_named(table))
    at = active.group_by(*source, "t").agg(texts=pl.col("text").unique().sort())
    line = (
        reports.unique([*source, "t"])
        .join(at, on=[*source, "t"], how="left", nulls_equal=True)
        .sort(*source, "t")
        .with_columns(is_active=pl.col("texts").is_not_null())
    )
    was_active = pl.col("is_active").shift(1).over(source).fill_null(value=False)
    ended = pl.when(was_active & ~pl.col("is_active")).then(pl.col("t")).forward_fill().over(source)
    pause_s = seconds(pl.col("t") - ended).fill_null(float("inf"))
    begins = pl.col("is_active") & ~was_active & (pause_s > tuning.rejoin_s)
    episodes = (
        line.with_columns(begins=begins, closes=was_active & ~pl.col("is_active"))
        .with_columns(episode=pl.col("begins").cum_sum())
        .filter(pl.col("is_active") | pl.col("closes"))
        .group_by("episode", *source, maintain_order=True)
        .agg(
            start=pl.col("t").first(),
            end=pl.col("t").last(),
            is_over=pl.col("closes").last(),
            texts=pl.col("texts").explode(empty_as_null=True).drop_nulls().unique().sort(),
        )
        .with_columns(value=pl.col("texts").list.len().cast(pl.Float64))
    )
    state = pl.when("is_over").then(pl.lit("cleared")).otherwise(pl.lit("active when last reported"))
    return as_measured(
        episodes.select(
            *UNIT,
            trailer=pl.lit(None, pl.String),
            circuit=pl.lit(None, pl.String),
            check=pl.lit("abs_fault"),
            start="start",
            end="end",
            value="value",
            lower="value",
            upper="value",
            measure=pl.lit("count"),
            note=pl.format("{}: {}", state, pl.col("texts").list.join("; ")),
            run_start=pl.lit(None, pl.Datetime("us")),
        )
    )


def _named(table: AbsCodes) -> pl.Expr:
    """Write a code with its names where the table has them."""
    part = pl.col("spn").replace_strict(table.spn, default="brake controller", return_dtype=pl.String)
    mode = pl.col("fmi").replace_strict(table.fmi, default="reserved failure mode", return_dtype=pl.String)
    return pl.format("SPN {} FMI {} ({}, {})", "spn", "fmi", part, mode)
