"""Turns of the governor that the vehicle itself reports: by the compressor's state, or as events."""

import numpy as np
import polars as pl

from airwatch.derive.change_line import ChangeLine
from airwatch.derive.frames import UNIT
from airwatch.derive.turn_bounds import TURNS, Z95

_STEP_KPA = 8.0  # of a reported pressure: SAE J1939 AIR1
_EVENT_S = 2.0  # an event comes with the sample after it
_TOO_FEW = 0.7  # events that are fewer than this share of the turns seen are not all there are
_GAP_S = 60.0  # a state that changes over a longer silence has no time


def with_reported(
    seen: pl.DataFrame,
    samples: pl.DataFrame,
    changes: ChangeLine,
    runs: pl.DataFrame | None,
    events: pl.DataFrame | None,
) -> pl.DataFrame:
    """Put reported turns in the place of those seen, for runs that have them.

    The compressor's state comes first, then events, unless those are clearly fewer than the turns seen.
    """
    out = seen
    if runs is not None and events is not None and not events.is_empty():
        out = _replaced(out, _from_events(events, runs, seen))
    if samples["compressor_loaded"].null_count() < samples.height:
        state, whole = _from_state(samples, changes)
        out = pl.concat([out.join(whole, on="run", how="anti"), state])
    return out if out.equals(seen) else out.sort("run", "t")


def events_in_runs(events: pl.DataFrame, runs: pl.DataFrame) -> pl.DataFrame:
    """Add to events the ``run`` that they fell into; those in none are dropped."""
    return (
        events.sort("t")
        .join_asof(
            runs.select(*UNIT, "run", "run_start", "run_end").sort("run_start"),
            left_on="t",
            right_on="run_start",
            by=UNIT,
            check_sortedness=False,
        )
        .filter(pl.col("t") <= pl.col("run_end"))
    )


def _replaced(seen: pl.DataFrame, reported: pl.DataFrame) -> pl.DataFrame:
    is_out = pl.col("kind") == "cut_out"
    counts = (
        reported.group_by("run")
        .agg(n=is_out.sum(), n_in=(~is_out).sum())
        .join(seen.group_by("run").agg(n_seen=is_out.sum(), n_seen_in=(~is_out).sum()), on="run", how="left")
        .fill_null(0)
        .filter((pl.col("n") >= _TOO_FEW * pl.col("n_seen")) & (pl.col("n_in") >= _TOO_FEW * pl.col("n_seen_in")))
        .select("run")
    )
    return pl.concat([seen.join(counts, on="run", how="anti"), reported.join(counts, on="run", how="semi")])


def _from_events(events: pl.DataFrame, runs: pl.DataFrame, seen: pl.DataFrame) -> pl.DataFrame:
    half = Z95 * np.sqrt(_STEP_KPA**2 / 3.0 + _STEP_KPA**2 / 12.0)
    began = seen.drop_nulls("loaded_from").select("run", kind=pl.lit("cut_out"), since="loaded_from")
    is_first = pl.col("t") == pl.col("t").min().over("run")
    return (
        events_in_runs(events, runs)
        .join(began, on=["run", "kind"], how="left")
        .sort("run", "t")
        .select(
            "run",
            "t",
            "kind",
            governor_kpa="supply_kpa",
            lower_kpa=pl.col("supply_kpa") - half,
            upper_kpa=pl.col("supply_kpa") + half,
            early_s=pl.lit(_EVENT_S),
            late_s=pl.lit(0.0),
            rise_kpa_s=pl.lit(None, pl.Float64),
            own_sd_kpa=pl.lit(_STEP_KPA / np.sqrt(12.0)),
            step_kpa=pl.lit(_STEP_KPA),
            source=pl.lit("event"),
            loaded_from=pl.when(is_first & (pl.col("kind") == "cut_out")).then(pl.coalesce("since", "run_start")),
        )
        .cast(TURNS)
    )


def _from_state(samples: pl.DataFrame, changes: ChangeLine) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give the turns that ``compressor_loaded`` shows, and the runs in which it is sent.

    The pressure is what the system reads at the samples on either side of the turn, so the sensor's offset and, for
    a brake tank, the check valve stay in it.
    """
    known = (
        samples.lazy()
        .select("run", "t", "is_running", "compressor_loaded", row=pl.int_range(pl.len()))
        .filter(pl.col("is_running") & pl.col("compressor_loaded").is_not_null())
        .with_columns(
            before=pl.col("compressor_loaded").shift(1),
            since=pl.col("t").shift(1),
            row_before=pl.col("row").shift(1),
            is_same=pl.col("run") == pl.col("run").shift(1),
        )
        .collect()
    )
    whole = known.select("run").unique()
    began = known.filter(~pl.col("is_same").fill_null(value=False) & (pl.col("compressor_loaded") == 1)).select(
        "run", loaded_from="t"
    )
    gap_s = (pl.col("t") - pl.col("since")).dt.total_microseconds() / 1e6
    turned = known.filter(
        pl.col("is_same") & (pl.col("before") != pl.col("compressor_loaded")) & (gap_s <= _GAP_S)
    ).with_columns(
        gap_s=gap_s, kind=pl.when(pl.col("compressor_loaded") == 1).then(pl.lit("cut_in")).otherwise(pl.lit("cut_out"))
    )
    first_kpa, last_kpa, step, has_supply = _read(turned, changes)
    low, high = np.minimum(first_kpa, last_kpa), np.maximum(first_kpa, last_kpa)
    is_out = (turned["kind"] == "cut_out").to_numpy()
    own = np.where(is_out, step**2 / 12.0, step**2 / 12.0 + (high - low) ** 2 / 12.0)
    opening = np.where(has_supply, 0.0, 7.0)
    half = Z95 * np.sqrt(step**2 / 3.0 + own + opening**2 / 12.0)
    value = np.where(is_out, high, (low + high) / 2.0) + opening / 2.0
    first = pl.col("t") == pl.col("t").min().over("run")
    turns = (
        turned.with_columns(
            pl.Series("governor_kpa", value, nan_to_null=True),
            pl.Series("half", half, nan_to_null=True),
            pl.Series("own_sd_kpa", np.sqrt(own), nan_to_null=True),
            pl.Series("step_kpa", step, nan_to_null=True),
        )
        .join(began, on="run", how="left", maintain_order="left")
        .select(
            "run",
            t=pl.col("t") - pl.duration(microseconds=(pl.col("gap_s") * 5e5).cast(pl.Int64)),
            kind="kind",
            governor_kpa="governor_kpa",
            lower_kpa=pl.col("governor_kpa") - pl.col("half"),
            upper_kpa=pl.col("governor_kpa") + pl.col("half"),
            early_s=pl.col("gap_s") / 2,
            late_s=pl.col("gap_s") / 2,
            rise_kpa_s=pl.lit(None, pl.Float64),
            own_sd_kpa="own_sd_kpa",
            step_kpa="step_kpa",
            source=pl.lit("state"),
            loaded_from=pl.when(first & (pl.col("kind") == "cut_out")).then("loaded_from"),
        )
        .cast(TURNS)
    )
    return turns, whole


def _read(turned: pl.DataFrame, changes: ChangeLine) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Give the system pressure at the samples before and at each turn, the sensor step, and whether it is supply's."""
    if not changes.run.size or turned.is_empty():
        none = np.full(turned.height, np.nan)
        return none, none, none, np.zeros(turned.height, dtype=bool)
    parts = []
    for name in ("row_before", "row"):
        at = np.maximum(np.searchsorted(changes.row, turned[name].to_numpy(), side="right") - 1, 0)
        is_own = changes.run[at] == turned["run"].to_numpy()
        parts.append(np.where(is_own, changes.kpa[at], np.nan))
    return parts[0], parts[1], changes.step[at], changes.has_supply[at]
