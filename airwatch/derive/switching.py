"""The pressure at which something switched: the samples about the moment, and the bounds they set."""

import numpy as np
import polars as pl

from airwatch.derive.frames import seconds
from airwatch.derive.sensor import step_kpa
from airwatch.derive.tuning import Switching, shipped_tuning

CHANGES = pl.Schema({"before": pl.UInt32(), "row": pl.UInt32()})
"""One row a change: the number of the sample before it and of the one that shows it, both of one run."""


def changes_of(samples: pl.DataFrame, switch: str, *, to: int, tuning: Switching | None = None) -> pl.DataFrame:
    """Find where a 0/1 column turned ``to``: columns as `CHANGES`.

    ``samples`` may be some of the samples; then ``row`` is each one's number among all. Samples that lack the value
    are passed over. A change whose two samples are more than ``longest_gap_s`` apart says nothing of the moment; of a
    switch that flutters, the first ``most_per_run`` changes of a run say it all.
    """
    tuning = tuning or shipped_tuning().switching
    if samples[switch].null_count() == samples.height:
        return pl.DataFrame(schema=CHANGES)
    value, run = pl.col(switch), pl.col("run")
    row = pl.col("row") if "row" in samples.columns else pl.int_range(pl.len(), dtype=pl.UInt32).alias("row")
    known = samples.select(switch, "run", "t", row)
    if samples[switch].null_count():
        known = known.filter(value.is_not_null())
    turned = (value == to) & (value.shift(1) == 1 - to) & (run == run.shift(1))
    apart_s = seconds(pl.col("t") - pl.col("t").shift(1))
    at = known.select("run", "row", before=pl.col("row").shift(1), turned=turned, apart_s=apart_s).filter("turned")
    at = at.filter(pl.int_range(pl.len()).over("run") < tuning.most_per_run)
    return at.filter(pl.col("apart_s") <= tuning.longest_gap_s).select(CHANGES.keys())


def around(samples: pl.DataFrame, changes: pl.DataFrame, tuning: Switching | None = None) -> pl.DataFrame:
    """Give the samples of each change's run from ``slow_s`` before it to ``lag_s`` after it.

    Returns
    -------
    DataFrame
        ``change`` (the change's row number in ``changes``), ``row``, ``before_s`` and ``after_s`` (seconds since the
        sample before the change and since the one that shows it, negative before them), and the samples' columns.
        A tank's pressure that a sample lacks is the last one before it.
    """
    tuning = tuning or shipped_tuning().switching
    run, t_us = samples["run"].to_numpy(), samples["t"].to_physical().to_numpy()
    before, row = (changes[name].to_numpy().astype(np.int64) for name in CHANGES)
    first, last = np.searchsorted(run, run[row], "left"), np.searchsorted(run, run[row], "right")
    slow_us, lag_us = round(tuning.slow_s * 1e6), round(tuning.lag_s * 1e6)
    spans = [
        np.arange(
            low + np.searchsorted(t_us[low : at + 1], t_us[at] - slow_us),
            at + np.searchsorted(t_us[at:high], t_us[at] + lag_us, "right"),
        )
        for low, at, high in zip(first, row, last, strict=True)
    ]
    sizes = [span.size for span in spans]
    rows = np.concatenate(spans) if spans else np.zeros(0, dtype=np.int64)
    tanks = [pl.col(f"{tank}_kpa").forward_fill().over("change") for tank in ("primary", "secondary")]
    return (
        samples.select(pl.exclude("fleet", "unit", "trailer"))[rows]
        .with_columns(
            change=pl.Series(np.repeat(np.arange(row.size), sizes), dtype=pl.UInt32),
            row=pl.Series(rows, dtype=pl.UInt32),
            before_s=pl.Series((t_us[rows] - np.repeat(t_us[before], sizes)) / 1e6),
            after_s=pl.Series((t_us[rows] - np.repeat(t_us[row], sizes)) / 1e6),
        )
        .with_columns(tanks)
    )


def bounds(near: pl.DataFrame, tuning: Switching | None = None) -> pl.DataFrame:
    """Bound the pressure ``kpa`` at which each change came.

    It lies between the pressures of the two samples and of those within ``lag_s`` of them (a gateway puts signals of
    different age side by side), with the sensor's error on either side: up to one step of offset and half a step of
    rounding. Where the offset is anywhere in that range, noise of a third of a step seldom goes beyond both together.

    Parameters
    ----------
    near : DataFrame
        As `around` gives it, with ``kpa``.

    Returns
    -------
    DataFrame, one row a change that has pressures
        ``change, start, end, value, lower, upper, before_kpa, after_kpa, step_kpa``; how far it fell (or rose,
        negative) from its highest (lowest) of the last ``fast_s`` or ``slow_s``: ``fell_fast_kpa, fell_slow_kpa``
        and ``rose_slow_kpa``; whether the brake was applied in that time: ``was_braking``.
    """
    tuning = tuning or shipped_tuning().switching
    kpa, before_s, after_s = pl.col("kpa"), pl.col("before_s"), pl.col("after_s")
    is_near = (before_s >= -tuning.lag_s) & (after_s <= tuning.lag_s)
    upto = kpa.filter(after_s <= 0)
    at = pl.col("after_kpa")
    return (
        near.group_by("change", maintain_order=True)
        .agg(
            start=pl.col("t").filter(before_s == 0).first(),
            end=pl.col("t").filter(after_s == 0).first(),
            low=kpa.filter(is_near).min(),
            high=kpa.filter(is_near).max(),
            before_kpa=kpa.filter(before_s <= 0).drop_nulls().last(),
            after_kpa=upto.drop_nulls().last(),
            fast_high=kpa.filter((after_s <= 0) & (after_s >= -tuning.fast_s)).max(),
            slow_high=upto.max(),
            slow_low=upto.min(),
            step_kpa=step_kpa(kpa),
            was_braking=pl.col("is_braking").filter(after_s <= 0).any(),
        )
        .drop_nulls(["before_kpa", "after_kpa"])
        .with_columns(error=tuning.error_steps * pl.col("step_kpa"))
        .select(
            "change",
            "start",
            "end",
            "before_kpa",
            "after_kpa",
            "step_kpa",
            "was_braking",
            value=(pl.col("before_kpa") + at) / 2,
            lower=pl.max_horizontal(pl.col("low") - pl.col("error"), 0.0),
            upper=pl.col("high") + pl.col("error"),
            fell_fast_kpa=pl.col("fast_high") - at,
            fell_slow_kpa=pl.col("slow_high") - at,
            rose_slow_kpa=at - pl.col("slow_low"),
        )
    )


def of_runs(changes: pl.DataFrame, samples: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Put the run of each change beside what was found of it."""
    runs = samples["run"].gather(changes["row"])
    return found.with_columns(run=runs.gather(found["change"]))


def span_text() -> pl.Expr:
    """Say between which pressures, and how long apart, the two samples lie."""
    return pl.format(
        "between {} and {} kPa, {} s apart",
        pl.col("before_kpa").round(0).cast(pl.Int64),
        pl.col("after_kpa").round(0).cast(pl.Int64),
        seconds(pl.col("end") - pl.col("start")).round(1),
    )
