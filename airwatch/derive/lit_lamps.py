"""When the ABS lamps were lit, and what the key did meanwhile."""

import polars as pl

from airwatch.derive.frames import UNIT

ABS_LAMPS = {"tractor_abs": "tractor lamp", "trailer_abs": "trailer lamp"}
"""Lamps by their names in events, and how readings name them."""


def key_ons(lamps: pl.DataFrame) -> pl.DataFrame:
    """Give the key-on events, sorted by unit and time: ``fleet, unit, key_t, key_until, is_repeat``.

    ``key_until`` is the next event of the key, null if there is none. A repeat has no key-off since the one before: the
    key may have been on all along.
    """
    keys = lamps.filter(pl.col("lamp") == "key").unique([*UNIT, "t"], keep="last").sort(*UNIT, "t")
    return (
        keys.with_columns(key_until=pl.col("t").shift(-1).over(UNIT), is_repeat=pl.col("is_on").shift(1).over(UNIT))
        .filter("is_on")
        .select(*UNIT, key_t="t", key_until="key_until", is_repeat=pl.col("is_repeat").fill_null(value=False))
    )


def lit_stretches(lamps: pl.DataFrame, known: pl.DataFrame) -> pl.DataFrame:
    """Give each time a lamp was lit: from an on-event to the next off-event of the lamp, or of the key.

    Parameters
    ----------
    lamps : DataFrame
        All lamp events of the units.
    known : DataFrame
        As `last_heard` gives it.

    Returns
    -------
    DataFrame, sorted by unit, lamp and time
        ``fleet, unit, lamp, on_t, off_t, is_open, by_key``: an open one's ``off_t`` is the last that was heard of the
        unit; ``by_key`` says that the key ended it.
    """
    lamp = [*UNIT, "lamp"]
    key_off = lamps.filter((pl.col("lamp") == "key") & ~pl.col("is_on")).select(*UNIT, "t").with_columns(by_key=True)
    of_lamps = lamps.filter(pl.col("lamp").is_in([*ABS_LAMPS])).select(*lamp, "t", "is_on").with_columns(by_key=False)
    of_key = of_lamps.select(lamp).unique().join(key_off, on=UNIT).with_columns(is_on=False)
    line = pl.concat([of_lamps, of_key.select(of_lamps.columns)]).sort(*lamp, "t", "by_key")
    is_new = (pl.col("is_on") != pl.col("is_on").shift(1).over(lamp)).fill_null(value=True)
    return (
        line.filter(is_new)
        .with_columns(off_t=pl.col("t").shift(-1).over(lamp), by_key=pl.col("by_key").shift(-1).over(lamp))
        .filter("is_on")
        .join(known, on=UNIT, how="left", maintain_order="left")
        .select(
            *lamp,
            on_t="t",
            off_t=pl.coalesce("off_t", "heard_t"),
            is_open=pl.col("off_t").is_null(),
            by_key=pl.col("by_key").fill_null(value=False),
        )
    )


def last_heard(lamps: pl.DataFrame, reports: pl.DataFrame) -> pl.DataFrame:
    """Give the time of each unit's last lamp event or report of codes: ``fleet, unit, heard_t``."""
    every = pl.concat([lamps.select(*UNIT, "t"), reports.select(*UNIT, "t")])
    return every.group_by(UNIT).agg(heard_t=pl.col("t").max())


def add_code_active(stretches: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Add ``has_code``: a code of the power unit was active while its lamp was lit, which is why it was.

    Parameters
    ----------
    stretches : DataFrame
        ``fleet, unit, lamp, on_t, off_t``.
    found : DataFrame
        As `airwatch.derive.abs_history.occurrences` gives it. Codes of trailers do not come by J1939, so they
        explain no trailer lamp.
    """
    codes = (
        found.sort("start").with_columns(code_end=pl.col("end").cum_max().over(UNIT)).select(*UNIT, "start", "code_end")
    )
    has_code = (pl.col("code_end") >= pl.col("on_t")).fill_null(value=False) & (pl.col("lamp") == "tractor_abs")
    return (
        stretches.sort("off_t")
        .join_asof(codes, left_on="off_t", right_on="start", by=UNIT, check_sortedness=False)
        .with_columns(has_code=has_code)
        .drop("code_end", "start")
        .sort(*UNIT, "lamp", "on_t")
    )
