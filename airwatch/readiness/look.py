"""What to look at before a campaign, ranked, and the driver's sheet, with what only the shop may touch set apart."""

from dataclasses import dataclass

import polars as pl

from airwatch.derive.frames import require
from airwatch.readiness.forecast import ANSWERS, FORECAST
from airwatch.readiness.settings import Settings

CAUTION = (
    "Wheels chocked before anything is looked at. Stored air is dangerous; nobody reaches behind a wheel while brakes"
    " may move. This sheet finds work; it never clears a vehicle. Local rules and qualified inspectors decide."
)

LOOK = pl.Schema(
    {
        **dict.fromkeys(("fleet", "unit", "item", "says", "answer"), pl.String()),
        "chance": pl.Float64(),
        "risk": pl.Float64(),
        **dict.fromkeys(("why", "shop"), pl.String()),
    }
)
"""One row a thing to look at, the greatest risk first; ``why`` is what lacks or what the forecast rests on."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of a sheet: what it is about, what to do, and why."""

    item: str
    text: str
    why: str


@dataclass(frozen=True, slots=True)
class Sheet:
    """A unit's sheet: what the driver looks at and listens for, and what is only for the shop."""

    fleet: str
    unit: str
    driver: tuple[Line, ...]
    shop: tuple[Line, ...]
    caution: str = CAUTION


def look_first(forecast: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Rank what to look at before the campaign.

    Parameters
    ----------
    forecast : DataFrame
        Columns as `airwatch.readiness.forecast.FORECAST`.

    Returns
    -------
    DataFrame
        Columns as `LOOK`: whatever is not ready for certain and worth a line.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    """
    require(forecast, FORECAST, "look_first")
    words = pl.DataFrame(
        [(focus.id, focus.says, focus.shop) for focus in settings.item],
        schema=dict.fromkeys(("item", "says", "shop"), pl.String),
        orient="row",
    )
    is_worth = (pl.col("answer") != "ready") | (1.0 - pl.col("at_most") >= settings.answers.worth_a_line)
    return (
        forecast.filter(is_worth)
        .join(words, on="item", how="left", maintain_order="left")
        .with_columns(
            why=pl.concat_str(
                pl.when(pl.col("lacks") != "").then("lacks"),
                pl.when(pl.col("rests_on") != "").then("rests_on"),
                separator="; ",
                ignore_nulls=True,
            )
        )
        .select(LOOK.keys())
        .cast(LOOK)
        .sort("risk", "fleet", "unit", "item", descending=[True, False, False, False])
    )


def attention_sheet(forecast: pl.DataFrame, fleet: str, unit: str, settings: Settings) -> Sheet:
    """Give one unit's sheet, the greatest risk first on either side.

    Parameters
    ----------
    forecast : DataFrame
        Columns as `airwatch.readiness.forecast.FORECAST`.

    Returns
    -------
    Sheet
        Without lines where nothing asks for attention; the caution stands all the same.
    """
    rows = look_first(forecast.filter((pl.col("fleet") == fleet) & (pl.col("unit") == unit)), settings)
    by_id = {focus.id: focus for focus in settings.item}
    driver = [Line(row["item"], by_id[row["item"]].driver, _plain(row["answer"])) for row in rows.iter_rows(named=True)]
    shop = [
        Line(row["item"], row["shop"], row["why"])
        for row in rows.iter_rows(named=True)
        if row["answer"] != "ready"
    ]  # fmt: skip
    return Sheet(fleet, unit, tuple(driver), tuple(shop))


_PLAIN = {
    "not ready": "this was found to be bad, or is going bad: tell the shop before you leave",
    "doubtful": "this may not be good enough: look well, and tell the shop what you see",
    "unknown": "nobody has measured this lately: look well",
    "ready": "this was good when it was last measured: look as usual",
}


def _plain(answer: str) -> str:
    return _PLAIN[answer]


def summary(forecast: pl.DataFrame) -> pl.DataFrame:
    """Count units by item and answer.

    Returns
    -------
    DataFrame
        ``item`` and one column for each answer, in the order in which items come.
    """
    require(forecast, FORECAST, "summary")
    counts = [(pl.col("answer") == answer).sum().alias(answer) for answer in ANSWERS]
    return forecast.group_by("item", maintain_order=True).agg(counts)
