"""Hand measurements against the cited tables."""

import polars as pl

from airwatch.derive.facts import unit_facts
from airwatch.derive.frames import UNIT, require
from airwatch.hand.chambers import fitted_chambers, row_of
from airwatch.hand.frames import ENTRIES, JUDGED, Wheel
from airwatch.hand.lengths import CANONICAL, UNITS_OF
from airwatch.hand.tables import Tables, shipped_tables
from airwatch.limits.judge import judge
from airwatch.limits.table import limits_frame, shipped_limits

GRAVITY = {"pass": 1, "watch": 2, "unknown": 3, "fail": 4}
"""Verdicts by how grave they are. Every row of the tables here could say fail, so unknown is graver than watch."""

_ROUNDING = 1e-6  # mm; fractions of an inch come back from millimetres a hair off

AT_IDLE = "idle"
"""Stands in the finding of a build-up that was timed at idle, and not at governed speed."""


def judge_entries(
    entries: pl.DataFrame, units: pl.DataFrame, tables: Tables | None = None, *, only_binding: bool = False
) -> pl.DataFrame:
    """Give each entry its value in the unit of results, its 95 % interval, the limit that governs it and a verdict.

    The verdict follows the interval, as for readings of the stream: a whole interval beyond the limit fails, one
    within it passes, one that holds the limit is ``unknown``, and so is what no limit is known for. A finding has no
    interval; its verdict is the table's.

    Pressures, times and leak rates are judged by the same table as readings of the stream. A leak timed by hand is
    the rule's own test, so it is held against the limit as it is and not referred to another pressure. A build-up with
    the finding ``idle`` is held only against rules that time it at idle.

    Parameters
    ----------
    entries : DataFrame
        Columns as `airwatch.hand.frames.ENTRIES`; units of measure and findings as `sift` lets them through.
    units : DataFrame
        The registry, columns as `airwatch.registry.SCHEMA`. Of a unit that is not in it chambers are not known, and
        its rule set's defaults stand in for the rest.
    only_binding : bool
        Leave out limits that could only say watch: what binds a maker, and common practice.

    Returns
    -------
    DataFrame
        ``entries`` in their order, columns as `airwatch.hand.frames.JUDGED`.

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    """
    require(entries, ENTRIES, "judge_entries")
    tables = tables or shipped_tables()
    numbered = measured(entries, tables).with_row_index("row")
    parts = [
        _findings(numbered, tables),
        _strokes(numbered, units, tables),
        _linings(numbered, units, tables),
        _checks(numbered, units, only_binding=only_binding),
    ]
    return pl.concat(parts).sort("row").select(JUDGED.keys()).cast(JUDGED)


def measured(entries: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    """Add ``canonical, lower, upper, canonical_measure, check, dimension`` to entries."""
    factors = pl.DataFrame(
        [
            (item.id, item.dimension, item.check, unit, factor, CANONICAL[item.dimension], item.half, item.half_share,
             item.possible[0])
            for item in tables.items.values()
            if item.possible is not None
            for unit, factor in UNITS_OF[item.dimension].items()
        ],
        schema={
            "item": pl.String, "dimension": pl.String, "check": pl.String, "measure": pl.String, "factor": pl.Float64,
            "canonical_measure": pl.String, "half": pl.Float64, "half_share": pl.Float64, "least": pl.Float64,
        },
        orient="row",
    )  # fmt: skip
    half = (pl.col("half").pow(2) + (pl.col("half_share").fill_null(0.0) * pl.col("canonical")).pow(2)).sqrt()
    return (
        entries.join(factors, on=["item", "measure"], how="left", maintain_order="left")
        .with_columns(canonical=pl.col("value") * pl.col("factor"), dimension=pl.col("dimension").fill_null("finding"))
        .with_columns(
            lower=pl.max_horizontal(pl.col("canonical") - half, pl.min_horizontal("least", "canonical")),
            upper=pl.col("canonical") + half,
        )
        .drop("factor", "half", "half_share", "least")
    )


def by_interval(*, breach: pl.Expr) -> pl.Expr:
    """Give the verdict of ``lower`` and ``upper`` against ``limit_low`` and ``limit_high``; null edges are no edges."""
    low, high = pl.col("limit_low") - _ROUNDING, pl.col("limit_high") + _ROUNDING
    is_beyond = (pl.col("lower") > high).fill_null(value=False) | (pl.col("upper") < low).fill_null(value=False)
    is_within = (high.is_null() | (pl.col("upper") <= high)) & (low.is_null() | (pl.col("lower") >= low))
    return (
        pl.when((low.is_null() & high.is_null()) | pl.col("upper").is_null())
        .then(pl.lit("unknown"))
        .when(is_beyond)
        .then(breach)
        .when(is_within)
        .then(pl.lit("pass"))
        .otherwise(pl.lit("unknown"))
    )


_NUMBERED = pl.Schema({"row": pl.UInt32(), **JUDGED})


def _shaped(frame: pl.DataFrame) -> pl.DataFrame:
    lacking = [pl.lit(None, dtype).alias(name) for name, dtype in _NUMBERED.items() if name not in frame.columns]
    return frame.with_columns(lacking).select(_NUMBERED.keys()).cast(_NUMBERED)


def _findings(numbered: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    table = pl.DataFrame(
        [(row.item, row.id, f"{row.item}-{row.id}", row.verdict, row.says) for row in tables.findings.values()],
        schema=dict.fromkeys(("item", "finding", "rule", "verdict", "remark"), pl.String),
        orient="row",
    )
    found = numbered.filter(pl.col("dimension") == "finding")
    return _shaped(
        found.join(table, on=["item", "finding"], how="left").with_columns(pl.col("verdict").fill_null("unknown"))
    )


def _strokes(numbered: pl.DataFrame, units: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    rows = []
    for fleet, unit, text in units.select(*UNIT, "chambers").iter_rows():
        for fitted in fitted_chambers(text).values():
            chamber = row_of(fitted, tables)
            rows.append(
                (
                    fleet, unit, fitted.position,
                    None if chamber is None else chamber.limit_mm,
                    None if chamber is None else chamber.rule,
                    f"{fitted.text}: no stroke limit in the table" if chamber is None
                    else f"{fitted.text}, taken as clamp type",
                )
            )  # fmt: skip
    known = pl.DataFrame(
        rows,
        schema={
            "fleet": pl.String, "unit": pl.String, "position": pl.String, "limit_high": pl.Float64, "rule": pl.String,
            "remark": pl.String,
        },
        orient="row",
    )  # fmt: skip
    return _shaped(
        numbered.filter(pl.col("item") == "stroke")
        .join(known, on=[*UNIT, "position"], how="left", maintain_order="left")
        .with_columns(limit_low=pl.lit(None, pl.Float64))
        .with_columns(
            verdict=by_interval(breach=pl.lit("fail")),
            remark=pl.col("remark").fill_null("the registry does not say which chamber is fitted"),
        )
    )


def _linings(numbered: pl.DataFrame, units: pl.DataFrame, tables: Tables) -> pl.DataFrame:
    table = pl.DataFrame(
        [
            (row.item, row.axle, row.least_mm, row.id, row.breach, rank, row.condition)
            for rank, row in enumerate(tables.linings)
        ],
        schema={
            "item": pl.String, "axle": pl.String, "limit_low": pl.Float64, "rule": pl.String, "breach": pl.String,
            "rank": pl.Int32, "condition": pl.String,
        },
        orient="row",
    )  # fmt: skip
    kinds = unit_facts(numbered.select(UNIT), units).select(*UNIT, "kind")
    axle = pl.when((pl.col("number") == 1) & (pl.col("kind") != "trailer")).then(pl.lit("steer"))
    numbers = pl.Series(
        "number", [None if (wheel := Wheel.parse(p)) is None else wheel.axle for p in numbered["position"]], pl.Int64
    )
    by_row = (
        numbered.with_columns(numbers)
        .filter(pl.col("item").is_in(table["item"].unique().to_list()))
        .join(kinds, on=UNIT, how="left", maintain_order="left")
        .with_columns(axle=pl.when(pl.col("number").is_not_null()).then(axle.otherwise(pl.lit("other"))))
        .join(table, on=["item", "axle"], how="left", maintain_order="left")
        .with_columns(limit_high=pl.lit(None, pl.Float64))
        .with_columns(verdict=by_interval(breach=pl.col("breach")))
        .with_columns(gravity=pl.col("verdict").replace_strict(GRAVITY, return_dtype=pl.Int8))
    )
    kept = pl.col("condition").filter(pl.col("verdict") == "pass").first().over("row")
    governing = (
        by_row.with_columns(kept=kept)
        .sort("row", "gravity", "rank", descending=[False, True, False], maintain_order=True)
        .unique("row", keep="first", maintain_order=True)
    )
    within = pl.when((pl.col("verdict") != "pass") & pl.col("kept").is_not_null()).then(
        pl.format("; enough by another rule: {}", "kept")
    )
    return _shaped(governing.with_columns(remark=pl.concat_str("condition", within.fill_null(""))))


def _checks(numbered: pl.DataFrame, units: pl.DataFrame, *, only_binding: bool) -> pl.DataFrame:
    facts = unit_facts(numbered.select(UNIT), units)
    of_checks = (
        numbered.filter(pl.col("check").is_not_null())
        .join(facts, on=UNIT, how="left", maintain_order="left")
        .with_columns(
            test=pl.lit(None, pl.String),
            is_combination=pl.when(pl.col("position").is_in(["single", "combination"]))
            .then(pl.col("position") == "combination")
            .otherwise("is_towing"),
        )
    )
    # what is timed by hand is the rule's own test: no other pressure to refer to
    limits = limits_frame(shipped_limits()).with_columns(test_kpa=pl.lit(None, pl.Float64))
    limits = limits.filter(pl.col("breach") == "fail") if only_binding else limits
    at_idle = limits.filter(pl.col("at_rpm").is_not_null()).with_columns(at_rpm=pl.lit(None, pl.Float64))
    is_idle = (pl.col("finding") == AT_IDLE).fill_null(value=False)
    return pl.concat(
        [_shaped(judge(of_checks.filter(~is_idle), limits)), _shaped(judge(of_checks.filter(is_idle), at_idle))]
    )
