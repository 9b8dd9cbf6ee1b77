"""Rises of a tank's pressure from one level to another, the engine running and no air used meanwhile."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.frames import seconds
from airwatch.derive.sensor import step_kpa
from airwatch.derive.tuning import BuildUp

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

OWN_TANKS = ("supply", "primary", "secondary")
_BEFORE, _AFTER = 150, 4  # samples kept around a rise: the change before its first level, the one after its last


@dataclass(frozen=True, slots=True)
class Span:
    """A rise that is asked for: between which gauge pressures, kPa, and in which runs, all where it is None."""

    from_kpa: float
    to_kpa: float
    runs: pl.Series | None = None


def rises(samples: pl.DataFrame, spans: Sequence[Span], tuning: BuildUp, kpa_of: Mapping[str, Floats]) -> pl.DataFrame:
    """Find the rises of the unit's own tanks.

    A rounded value changes when the true pressure passes the middle between the two values, so a rise is read from the
    times of its changes: at each the pressure is known to the sensor's accuracy, and the levels are interpolated
    between them. A rise with the brake applied, the parking brake moved, the unit moving, a step back or a silence in
    it is left out: air was used, or not seen.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    kpa_of : mapping
        As `airwatch.derive.frames.tank_pressures` gives it.

    Returns
    -------
    DataFrame
        ``span`` (its place in ``spans``), ``run, circuit, start, end``; ``timing_s`` standard error of the duration;
        ``revolutions`` of the engine, null where its speed is not known; ``is_popped``: the run went below the pressure
        at which the trailer supply and parking valves close by themselves, and the parking brake has stayed set since;
        ``line_kpa`` by how much the trailer supply line rose, and ``{tank}_share`` by how much each tank rose for what
        this one did, null where it is not sent. A tank that stands higher is closed off by its check valve and does not
        rise.
    """
    p, t, case = pl.col("kpa"), pl.col("t"), pl.col("case")
    same = case == case.shift(1)
    gap_s = pl.when(same).then(seconds(t - t.shift(1))).otherwise(0.0)
    turns = (pl.col("engine_rpm") + pl.col("engine_rpm").shift(1)) / 120.0 * gap_s
    moved = (same & (pl.col("is_parked") != pl.col("is_parked").shift(1))).fill_null(value=False)
    uses_air = pl.col("is_braking") | pl.col("is_moving") | moved | ~pl.col("is_running")
    line = (
        _candidates(samples, spans, tuning, kpa_of)
        .with_columns(n_uses=uses_air.cast(pl.Int32).cum_sum())  # of samples without this pressure too
        .drop_nulls("kpa")
        .with_columns(
            gap_s=gap_s,
            turns=turns.fill_null(0.0).cum_sum().over("case"),
            step=step_kpa(p).over("case"),
            no_rpm=pl.col("engine_rpm").is_null(),
        )
        .with_columns(
            p0=pl.when(same).then(p.shift(1)),
            t0=pl.when(same).then(t.shift(1)),
            turns0=pl.when(same).then(pl.col("turns").shift(1)),
        )
    )
    found = _crossed(line)
    inside = (
        line.select(
            *("case", "t", "t0", "gap_s", "n_uses", "no_rpm", "is_popped", "trailer_kpa", "step", "kpa"),
            *(f"{tank}_kpa" for tank in OWN_TANKS),
            back=pl.col("p0") - p,
        )
        .join_where(
            found.select(rise_case="case", start="start", end="end"),
            pl.col("case") == pl.col("rise_case"),
            t > pl.col("start"),
            pl.col("t0") < pl.col("end"),
        )
        .group_by("case", "start", "end")
        .agg(
            air_used=(pl.col("n_uses").max() > pl.col("n_uses").min())
            | (pl.col("back") > tuning.dip_steps * pl.col("step")).any(),
            longest_gap_s=pl.col("gap_s").max(),
            no_rpm=pl.col("no_rpm").any(),
            is_popped=pl.col("is_popped").all(),
            line_kpa=pl.col("trailer_kpa").max() - pl.col("trailer_kpa").min(),
            **{f"{tank}_share": _rose(f"{tank}_kpa") / _rose("kpa") for tank in OWN_TANKS},
        )
    )
    return (
        found.join(inside, on=["case", "start", "end"], how="inner", maintain_order="left")
        .filter(~pl.col("air_used") & (pl.col("longest_gap_s") <= tuning.longest_gap_s))
        .select(
            *("span", "run", "circuit", "start", "end", "timing_s", "is_popped", "line_kpa"),
            *(f"{tank}_share" for tank in OWN_TANKS),
            revolutions=pl.when(~pl.col("no_rpm")).then(pl.col("revolutions")),
        )
    )


def _candidates(
    samples: pl.DataFrame, spans: Sequence[Span], tuning: BuildUp, kpa_of: Mapping[str, Floats]
) -> pl.DataFrame:
    """Keep the samples around each rise, tank by tank and span by span: few of all, so that the rest is done on little.

    Adds ``span`` and ``circuit``, ``case`` (a number for each span, tank and run), the tank's own pressure ``kpa``, and
    ``is_popped``.
    """
    run = samples["run"].to_numpy()
    parts = [(circuit, k) for circuit in OWN_TANKS for k in range(len(spans))]
    rows = [
        _rows(kpa_of[tank], run, spans[k], tuning) if tank in kpa_of else np.zeros(0, dtype=np.int64)
        for tank, k in parts
    ]
    at, sizes = np.concatenate(rows), [part.size for part in rows]
    emptied = _last_of(np.flatnonzero(_is_empty(kpa_of, run, tuning)), at)
    opened = _last_of((~samples["is_parked"]).arg_true().to_numpy(), at)
    columns = [
        *("run", "t", "engine_rpm", "trailer_kpa", "is_parked", "is_braking", "is_moving", "is_running"),
        *(f"{tank}_kpa" for tank in OWN_TANKS),
    ]
    of = pl.DataFrame(
        {
            "circuit": [tank for tank, _ in parts],
            "span": [k for _, k in parts],
            "from_kpa": [spans[k].from_kpa for _, k in parts],
            "to_kpa": [spans[k].to_kpa for _, k in parts],
        },
        schema={"circuit": pl.String, "span": pl.UInt32, "from_kpa": pl.Float64, "to_kpa": pl.Float64},
    )[np.repeat(np.arange(len(parts)), sizes)]
    n_runs = int(run[-1]) + 1 if run.size else 1
    kpa = [samples[f"{tank}_kpa"].gather(part) for (tank, _), part in zip(parts, rows, strict=True)]
    return samples.select(columns)[at].with_columns(
        *of,
        case=pl.Series(np.repeat(np.arange(len(parts)) * n_runs, sizes) + run[at], dtype=pl.UInt32),
        kpa=pl.concat(kpa),
        is_popped=pl.Series((emptied > opened) & (run[np.maximum(emptied, 0)] == run[at]), dtype=pl.Boolean),
    )


def _rows(kpa: Floats, run: npt.NDArray[np.uint32], span: Span, tuning: BuildUp) -> Places:
    """Give the rows around the rises of one tank, NaN where its pressure is not sent."""
    low = np.flatnonzero(kpa < span.from_kpa + tuning.near_kpa)
    is_high = kpa >= span.to_kpa
    edges = np.flatnonzero(is_high[1:] != is_high[:-1]) + 1
    tops = edges[is_high[edges]]
    falls = edges[~is_high[edges]] - 1
    bottoms, before = _last_of(low, tops), _last_of(falls, tops)
    is_rise = (bottoms > before) & (run[np.maximum(bottoms, 0)] == run[tops])
    if span.runs is not None:
        is_rise &= np.isin(run[tops], span.runs.to_numpy())
    bottoms, tops = bottoms[is_rise], tops[is_rise]
    begins, ends = np.maximum(bottoms - _BEFORE, 0), np.minimum(tops + 1 + _AFTER, kpa.size)
    ends = np.maximum.accumulate(ends)
    begins = np.maximum(begins, np.append(0, ends[:-1])[: ends.size])  # none twice
    sizes = ends - begins
    rows: Places = np.arange(sizes.sum()) + np.repeat(begins - (np.cumsum(sizes) - sizes), sizes)
    return rows


def _is_empty(kpa_of: Mapping[str, Floats], run: npt.NDArray[np.uint32], tuning: BuildUp) -> npt.NDArray[np.bool_]:
    """Tell where the valves have closed by themselves: both are held open by the higher of the service tanks.

    Two samples must show it and not nothing: sensors that go dark with the key fall to 0 from one sample to the next.
    """
    none = np.broadcast_to(np.nan, run.size)
    higher = np.fmax(kpa_of.get("primary", none), kpa_of.get("secondary", none))  # of the two that are sent
    is_low = (higher < tuning.popped_kpa) & (higher > 0.0)
    is_empty = is_low.copy()
    is_empty[1:] &= is_low[:-1] & (run[1:] == run[:-1])
    is_empty[:1] = False
    return is_empty


def _rose(pressure: str) -> pl.Expr:
    known = pl.col(pressure).drop_nulls()
    return known.last() - known.first()


def _last_of(rows: Places, at: Places) -> Places:
    """Give the last of ``rows``, which rise, at or before each of ``at``; -1 where there is none."""
    place = np.searchsorted(rows, at, side="right") - 1
    last: Places = np.where(place >= 0, np.append(rows, -1)[place], -1).astype(np.int64)
    return last


def _crossed(line: pl.DataFrame) -> pl.DataFrame:
    """Give ``start, end, timing_s, revolutions``: from the last passage of one level to the first of the other."""
    p = pl.col("kpa")
    changes = line.filter(p != pl.col("p0")).with_columns(
        # the change lies between two samples, and the pressure then is between the two values
        at_us=(pl.col("t").dt.epoch("us") + pl.col("t0").dt.epoch("us")) / 2,
        at_kpa=(p + pl.col("p0")) / 2,
        at_turns=(pl.col("turns") + pl.col("turns0")) / 2,
    )
    same = pl.col("case") == pl.col("case").shift(1)
    before = {name: pl.when(same).then(pl.col(name).shift(1)) for name in ("at_us", "at_kpa", "at_turns")}

    def crossing(level: str) -> dict[str, pl.Expr]:
        is_up = (before["at_kpa"] < pl.col(level)) & (pl.col("at_kpa") >= pl.col(level)) & (p > pl.col("p0"))
        share = (pl.col(level) - before["at_kpa"]) / (pl.col("at_kpa") - before["at_kpa"])
        us = before["at_us"] + share * (pl.col("at_us") - before["at_us"])
        turned = before["at_turns"] + share * (pl.col("at_turns") - before["at_turns"])
        per_s = (pl.col("at_kpa") - before["at_kpa"]) / ((pl.col("at_us") - before["at_us"]) / 1e6)
        # half a sample spacing, and a quarter step of sensor noise, at the slope of the crossing
        error_s = (pl.col("gap_s").pow(2) / 4 + (pl.col("step") / 4 / per_s).pow(2)).sqrt()
        return {name: pl.when(is_up).then(what) for name, what in (("us", us), ("turns", turned), ("error", error_s))}

    low, high = crossing("from_kpa"), crossing("to_kpa")
    crossed = changes.with_columns(
        **{f"low_{name}": value for name, value in low.items()},
        **{f"high_{name}": value for name, value in high.items()},
    ).with_columns(pl.col("low_us", "low_turns", "low_error").forward_fill().over("case"))
    return (
        crossed.filter(pl.col("high_us").is_not_null() & pl.col("low_us").is_not_null())
        .unique(["case", "low_us"], keep="first", maintain_order=True)
        .select(
            *("case", "span", "run", "circuit"),
            start=pl.from_epoch(pl.col("low_us").round().cast(pl.Int64), time_unit="us"),
            end=pl.from_epoch(pl.col("high_us").round().cast(pl.Int64), time_unit="us"),
            timing_s=(pl.col("low_error").pow(2) + pl.col("high_error").pow(2)).sqrt(),
            revolutions=pl.col("high_turns") - pl.col("low_turns"),
        )
    )
