"""What trouble codes did over time: occurrences of a fault, and the episodes they make."""

import tomllib
from functools import cache
from importlib.resources import files

import msgspec
import polars as pl
from msgspec import Struct

from airwatch.derive.frames import UNIT, seconds
from airwatch.derive.tuning import Abs, shipped_tuning

SOURCE = [*UNIT, "source_address"]
_FAULT = [*SOURCE, "part"]


class AbsCodes(Struct, frozen=True, forbid_unknown_fields=True):
    """`abs_codes.toml`: names of parameters and failure modes by number, and where on the vehicle a parameter is."""

    source: str
    brake_controllers: list[int]
    spn: dict[int, str]
    wheel_end: dict[int, str]
    fmi: dict[int, str]


@cache
def shipped_codes() -> AbsCodes:
    """Give the code table that comes with the program."""
    text = files("airwatch.derive").joinpath("abs_codes.toml").read_text("utf-8")
    return msgspec.convert(tomllib.loads(text), AbsCodes, strict=False)


def occurrences(reports: pl.DataFrame, codes: pl.DataFrame, tuning: Abs | None = None) -> pl.DataFrame:
    """Give each stretch of reports of one controller in which something was wrong at one place.

    A code counts if its parameter is one of the anti-lock brakes' or a brake controller sent it. An occurrence goes
    from the first report that has such a code to the controller's first without one. A code that is back within
    ``rejoin_s`` was not away. A message that does not report codes is no report.

    Parameters
    ----------
    reports : DataFrame
        ``fleet, unit, t, source_address``: a controller said what is active.
    codes : DataFrame
        The same, with ``spn, fmi, count`` for each active code.

    Returns
    -------
    DataFrame, sorted by unit, source, place and time
        ``fleet, unit, source_address, part, start, end, is_open, texts, source_end``: an open one's end is the
        controller's last report, ``source_end``.
    """
    tuning = tuning or shipped_tuning().abs
    table = shipped_codes()
    is_abs = pl.col("spn").is_in([*table.spn]) | pl.col("source_address").is_in(table.brake_controllers)
    said = (
        reports.unique([*SOURCE, "t"])
        .sort(*SOURCE, "t")
        .with_columns(
            number=pl.int_range(pl.len()).over(SOURCE),
            next_t=pl.col("t").shift(-1).over(SOURCE),
            source_end=pl.col("t").last().over(SOURCE),
        )
    )
    active = (
        codes.filter(is_abs.fill_null(value=False))
        .with_columns(part=_part(table), text=_named(table))
        .group_by(*_FAULT, "t")
        .agg(texts=pl.col("text").unique())
        .join(said, on=[*SOURCE, "t"], nulls_equal=True)
        .sort(*_FAULT, "t")
    )
    is_next = (pl.col("number") == pl.col("number").shift(1).over(_FAULT) + 1).fill_null(value=False)
    stretches = (
        active.with_columns(begins=~is_next)
        .group_by(*_FAULT, pl.col("begins").cum_sum().alias("stretch"), maintain_order=True)
        .agg(
            start=pl.col("t").first(),
            cleared=pl.col("next_t").last(),
            source_end=pl.col("source_end").last(),
            texts=pl.col("texts").explode(empty_as_null=True),
        )
    )
    pause_s = seconds(pl.col("start") - pl.col("cleared").shift(1).over(_FAULT))
    return (
        stretches.with_columns(begins=(pause_s > tuning.rejoin_s).fill_null(value=True))
        .group_by(*_FAULT, pl.col("begins").cum_sum().alias("occurrence"), maintain_order=True)
        .agg(
            start=pl.col("start").first(),
            end=pl.coalesce(pl.col("cleared").last(), pl.col("source_end").last()),
            is_open=pl.col("cleared").last().is_null(),
            texts=pl.col("texts").explode(empty_as_null=True).unique().sort(),
            source_end=pl.col("source_end").last(),
        )
        .drop("occurrence")
    )


def episodes(found: pl.DataFrame, tuning: Abs | None = None) -> pl.DataFrame:
    """Join the occurrences of one fault, and say what it is now.

    A pause of more than ``quiet_days`` ends an episode, and so does one of ``mended_h`` after a code that had stood
    for ``standing_h``: that was put right, and what comes later is a fault that came back. Within an episode
    ``fewest_occurrences`` make it intermittent, unless the last one stands.

    Parameters
    ----------
    found : DataFrame
        As `occurrences` gives it.

    Returns
    -------
    DataFrame
        ``fleet, unit, source_address, part, start, end, n_occurrences, state, texts, came_back``. ``state`` is active,
        intermittent or cleared, as of the controller's last report; ``came_back`` says that there was an earlier
        episode of it.
    """
    tuning = tuning or shipped_tuning().abs
    start, end, now = pl.col("start"), pl.col("end"), pl.col("source_end")
    lasted_h = (seconds(end - start) / 3600.0).shift(1).over(_FAULT)
    pause_h = seconds(start - end.shift(1).over(_FAULT)) / 3600.0
    was_mended = (lasted_h >= tuning.standing_h) & (pause_h >= tuning.mended_h)
    begins = ((pause_h > tuning.quiet_days * 24.0) | was_mended).fill_null(value=True)
    stands = pl.col("is_open") & (seconds(now - pl.col("last_start")) >= tuning.standing_h * 3600.0)
    is_many = pl.col("n_occurrences") >= tuning.fewest_occurrences
    is_recent = seconds(now - end) <= tuning.quiet_days * 86_400.0
    return (
        found.with_columns(begins=begins, came_back=begins & pause_h.is_not_null())
        .group_by(*_FAULT, pl.col("begins").cum_sum().alias("episode"), maintain_order=True)
        .agg(
            start=start.first(),
            last_start=start.last(),
            end=end.last(),
            is_open=pl.col("is_open").last(),
            n_occurrences=pl.len().cast(pl.Int64),
            texts=pl.col("texts").explode(empty_as_null=True).unique().sort(),
            source_end=now.last(),
            came_back=pl.col("came_back").first(),
        )
        .with_columns(
            state=pl.when(stands | (pl.col("is_open") & ~is_many))
            .then(pl.lit("active"))
            .when(is_many & is_recent)
            .then(pl.lit("intermittent"))
            .otherwise(pl.lit("cleared"))
        )
        .drop("episode", "last_start", "is_open", "source_end")
    )


def _part(table: AbsCodes) -> pl.Expr:
    other = pl.col("spn").replace_strict(table.spn, default="brake controller", return_dtype=pl.String)
    return pl.col("spn").replace_strict(table.wheel_end, default=other, return_dtype=pl.String)


def _named(table: AbsCodes) -> pl.Expr:
    """Write a code with its names where the table has them."""
    part = pl.col("spn").replace_strict(table.spn, default="brake controller", return_dtype=pl.String)
    mode = pl.col("fmi").replace_strict(table.fmi, default="reserved failure mode", return_dtype=pl.String)
    return pl.format("SPN {} FMI {} ({}, {})", "spn", "fmi", part, mode)
