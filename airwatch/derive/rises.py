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
_BEFORE, _AFTER = 300, 12  # samples kept around a rise: since the pumping began, and to the change after its last level


@dataclass(frozen=True, slots=True)
class Span:
    """A rise that is asked for: between which gauge pressures, kPa, and in which runs, all where it is None."""

    from_kpa: float
    to_kpa: float
    runs: pl.Series | None = None


def rises(samples: pl.DataFrame, kpa_of: Mapping[str, Floats], spans: Sequence[Span], tuning: BuildUp) -> pl.DataFrame:
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
        Their pressures by tank, as `airwatch.derive.frames.tank_pressures` gives them.
    spans : sequence of Span
        What is asked for.

    Returns
    -------
    DataFrame
        ``span`` (its place in ``spans``), ``run, circuit, start, end``; ``timing_s`` standard error of the duration;
        ``revolutions`` of the engine, null where its speed is not known, and ``turning``, their standard error;
        ``top_rpm``; ``before_s``: for how long the engine had run when it began, with no air used since and without
        going much faster, 0 where that came later; ``fastest``: how much faster, turn for turn, some stretch of the
        same pumping was than this rise, null where that is not known; ``is_popped``: the run went below the pressure at
        which the trailer supply and parking valves close by themselves, and since then the parking brake has stayed set
        and nothing has let pressure sag while the engine pumped, as a trailer does whose valves open; ``line_kpa`` by
        how much the trailer supply line rose, and ``{tank}_share`` by how much each tank rose for what this one did,
        null where it is not sent. A tank that stands higher is closed off by its check valve and does not rise.
    """
    p, t, case = pl.col("kpa"), pl.col("t"), pl.col("case")
    same = case == case.shift(1)
    gap_s = pl.when(same).then(seconds(t - t.shift(1))).otherwise(0.0)
    turns = (pl.col("engine_rpm") + pl.col("engine_rpm").shift(1)) / 120.0 * gap_s
    moved = (same & (pl.col("is_parked") != pl.col("is_parked").shift(1))).fill_null(value=False)
    uses_air = pl.col("is_braking") | pl.col("is_moving") | moved | ~pl.col("is_running")
    line = (
        _candidates(samples, kpa_of, spans, tuning)
        .with_columns(n_uses=uses_air.cast(pl.Int32).cum_sum())  # of samples without this pressure too
        .drop_nulls("kpa")
        .with_columns(
            gap_s=gap_s,
            turns=turns.fill_null(0.0).cum_sum().over("case"),
            step=step_kpa(p).over("case"),
            no_rpm=pl.col("engine_rpm").is_null(),
        )
        .with_columns(
            *(pl.when(same).then(pl.col(f"{tank}_kpa").shift(1)).name.suffix("0") for tank in OWN_TANKS),
            p0=pl.when(same).then(p.shift(1)),
            t0=pl.when(same).then(t.shift(1)),
            turns0=pl.when(same).then(pl.col("turns").shift(1)),
        )
        .with_columns(
            # engine speed may have changed at any time between two samples
            turning=(pl.col("engine_rpm") - pl.col("engine_rpm").shift(1)).abs() * pl.col("gap_s") / 60.0 / np.sqrt(12),
            is_stop=pl.col("p0").is_null() | ~pl.col("is_running") | pl.col("is_braking"),
        )
        .with_columns(is_new=pl.col("is_stop") | (pl.col("p0") - p > tuning.dip_steps * pl.col("step")))
        .with_columns(
            pumping=pl.col("is_stop").cum_sum(),
            part=pl.col("is_new").cum_sum(),
            spurt=(pl.col("is_new") | (pl.col("engine_rpm") > tuning.spurt * pl.col("engine_rpm").shift(1)))
            .fill_null(value=False)
            .cum_sum(),
        )
        .with_columns(
            spurt_us=t.dt.epoch("us").first().over("spurt"),
            is_cut=(pl.col("p0").is_null() & pl.col("is_running")).first().over("spurt"),  # began before what is seen
            sag=(p.cum_max().over("pumping") - p) / pl.col("step"),
        )
        .with_columns(has_sagged=(pl.col("sag") >= tuning.sag_steps).cum_sum().over("pumping") > 0)
    )
    found = _crossed(line, spans, tuning)
    inside = (
        line.select(
            *(
                "case",
                "t",
                "t0",
                "gap_s",
                "n_uses",
                "no_rpm",
                "is_popped",
                "has_sagged",
                "trailer_kpa",
                "step",
                "turning",
            ),
            "engine_rpm",
            *("kpa", "p0"),
            *(f"{tank}_kpa{which}" for tank in OWN_TANKS for which in ("", "0")),
            back=pl.col("p0") - p,
        )
        .join_where(
            found.select(rise_case="case", start="start", end="end").unique(),
            case == pl.col("rise_case"),
            t > pl.col("start"),
            pl.col("t0") < pl.col("end"),
        )
        .group_by("case", "start", "end")
        .agg(
            air_used=(pl.col("n_uses").max() > pl.col("n_uses").min())
            | (pl.col("back") > tuning.dip_steps * pl.col("step")).any(),
            longest_gap_s=pl.col("gap_s").max(),
            no_rpm=pl.col("no_rpm").any(),
            turning=pl.col("turning").pow(2).sum().sqrt(),
            top_rpm=pl.col("engine_rpm").max(),
            is_popped=(pl.col("is_popped") & ~pl.col("has_sagged")).all(),
            line_kpa=pl.col("trailer_kpa").max() - pl.col("trailer_kpa").min(),
            **{f"{tank}_share": _rose(f"{tank}_kpa", f"{tank}_kpa0") / _rose("kpa", "p0") for tank in OWN_TANKS},
        )
    )
    return (
        found.join(inside, on=["case", "start", "end"], how="inner", maintain_order="left")
        .filter(~pl.col("air_used") & (pl.col("longest_gap_s") <= tuning.longest_gap_s))
        .select(
            *("span", "run", "circuit", "start", "end", "timing_s", "before_s", "is_popped", "line_kpa"),
            *(f"{tank}_share" for tank in OWN_TANKS),
            **{
                name: pl.when(~pl.col("no_rpm")).then(pl.col(name))
                for name in ("revolutions", "turning", "fastest", "top_rpm")
            },
        )
    )


def _candidates(
    samples: pl.DataFrame, kpa_of: Mapping[str, Floats], spans: Sequence[Span], tuning: BuildUp
) -> pl.DataFrame:
    """Keep the samples around each rise, tank by tank: few of all, so that the rest is done on little.

    Adds ``circuit``, ``case`` (a number for each tank and run), the tank's own pressure ``kpa``, and ``is_popped``.
    """
    run = samples["run"].to_numpy()
    sent = [tank for tank in OWN_TANKS if tank in kpa_of]
    is_stop = (~samples["is_running"] | samples["is_braking"]).fill_null(value=False).to_numpy()
    rows = [_rows(kpa_of[tank], run, is_stop, spans, tuning) for tank in sent]
    at = np.concatenate(rows) if rows else np.zeros(0, dtype=np.int64)
    sizes = [part.size for part in rows]
    columns = [
        *("run", "t", "engine_rpm", "trailer_kpa", "is_parked", "is_braking", "is_moving", "is_running"),
        *(f"{tank}_kpa" for tank in OWN_TANKS),
    ]
    n_runs = int(run[-1]) + 1 if run.size else 1
    case = np.repeat(np.arange(len(rows)) * n_runs, sizes) + run[at]
    kpa = [samples[f"{tank}_kpa"].gather(part) for tank, part in zip(sent, rows, strict=True)]
    return samples.select(columns)[at].with_columns(
        circuit=pl.Series(sent, dtype=pl.String)[np.repeat(np.arange(len(rows)), sizes)],
        case=pl.Series(case, dtype=pl.UInt32),
        kpa=pl.concat(kpa) if kpa else pl.Series([], dtype=pl.Float64),
        is_popped=pl.Series(_is_popped(samples, kpa_of, run, at, tuning), dtype=pl.Boolean),
    )


def _is_popped(
    samples: pl.DataFrame, kpa_of: Mapping[str, Floats], run: npt.NDArray[np.uint32], at: Places, tuning: BuildUp
) -> npt.NDArray[np.bool_]:
    """Tell at which rows the valves had closed by themselves in that run, and nobody may have opened them since.

    The parking and the trailer valve are held open by the higher of the service tanks. Two samples must show that it is
    low and not nothing: sensors that go dark with the key fall to 0 from one sample to the next.
    """
    service = [kpa_of[tank] for tank in ("primary", "secondary") if tank in kpa_of]
    if not service:
        return np.zeros(at.size, dtype=bool)
    with np.errstate(invalid="ignore"):
        higher = np.fmax(*service) if len(service) > 1 else service[0]
        low = np.flatnonzero((higher < tuning.popped_kpa) & (higher > 0.0))
    emptied = low[1:][(low[1:] == low[:-1] + 1) & (run[low[1:]] == run[low[:-1]])]
    last = _last_of(emptied, at)
    is_open = ~samples["is_parked"].fill_null(value=True).to_numpy()
    n_open = np.cumsum(is_open, dtype=np.int32)
    is_shut = n_open[at] == n_open[np.maximum(last, 0)] - is_open[np.maximum(last, 0)]
    popped: npt.NDArray[np.bool_] = (last >= 0) & (run[np.maximum(last, 0)] == run[at]) & is_shut
    return popped


def _rows(
    kpa: Floats, run: npt.NDArray[np.uint32], is_stop: npt.NDArray[np.bool_], spans: Sequence[Span], tuning: BuildUp
) -> Places:
    """Give the rows around the rises of one tank, NaN where its pressure is not sent; each once.

    What lies before the engine last stood still or the brake was last applied says nothing of a rise.
    """
    found = [_rises_of(kpa, run, span, tuning) for span in spans]
    bottoms, tops = (np.concatenate(part) for part in zip(*found, strict=True))
    stops = np.flatnonzero(is_stop & ~np.isnan(kpa))
    begins = np.maximum(np.maximum(bottoms - _BEFORE, _last_of(stops, bottoms) - 1), 0)
    order = np.argsort(begins, kind="stable")
    begins, ends = begins[order], np.minimum(tops[order] + 1 + _AFTER, kpa.size)
    ends = np.maximum.accumulate(ends)
    begins = np.maximum(begins, np.append(0, ends[:-1])[: ends.size])  # none twice
    sizes = ends - begins
    rows: Places = np.arange(sizes.sum()) + np.repeat(begins - (np.cumsum(sizes) - sizes), sizes)
    return rows


def _rises_of(kpa: Floats, run: npt.NDArray[np.uint32], span: Span, tuning: BuildUp) -> tuple[Places, Places]:
    """Give the last row near the lower level and the first one at the upper level of each rise."""
    with np.errstate(invalid="ignore"):
        low = np.flatnonzero(kpa < span.from_kpa + tuning.near_kpa)
        is_high = kpa >= span.to_kpa
    edges = np.flatnonzero(is_high[1:] != is_high[:-1]) + 1
    tops = edges[is_high[edges]]
    falls = edges[~is_high[edges]] - 1
    bottoms, before = _last_of(low, tops), _last_of(falls, tops)
    is_rise = (bottoms > before) & (run[np.maximum(bottoms, 0)] == run[tops])
    if span.runs is not None:
        is_rise &= np.isin(run[tops], span.runs.to_numpy())
    return bottoms[is_rise], tops[is_rise]


def _rose(pressure: str, before: str) -> pl.Expr:
    """Give by how much a pressure rose from the last sample before a rise to the first behind it."""
    return pl.col(pressure).drop_nulls().last() - pl.col(before).drop_nulls().first()


def _last_of(rows: Places, at: Places) -> Places:
    """Give the last of ``rows``, which rise, at or before each of ``at``; -1 where there is none."""
    place = np.searchsorted(rows, at, side="right") - 1
    last: Places = np.where(place >= 0, np.append(rows, -1)[place], -1).astype(np.int64)
    return last


def _crossed(line: pl.DataFrame, spans: Sequence[Span], tuning: BuildUp) -> pl.DataFrame:
    """Give ``span, case, run, circuit, start, end, timing_s, before_s, revolutions, fastest``.

    From the last passage of one level to the first of the other.
    """
    p = pl.col("kpa")
    rose = p - pl.col("p0")
    changes = (
        line.filter(p != pl.col("p0"))
        .with_row_index("row")
        .with_columns(
            behind_kpa=pl.max_horizontal(f"{tank}_kpa" for tank in OWN_TANKS) - p,
            # the change lies between two samples, and the pressure then is between the two values
            at_us=(pl.col("t").dt.epoch("us") + pl.col("t0").dt.epoch("us")) / 2,
            at_kpa=(p + pl.col("p0")) / 2,
            at_turns=(pl.col("turns") + pl.col("turns0")) / 2,
            # anywhere between them, were it one step; of several, some lie on either side
            at_share=pl.col("step") / rose.abs(),
        )
        .with_columns(at_turns_sd=(pl.col("turns") - pl.col("turns0")) * pl.col("at_share") / np.sqrt(12))
    )
    found = [_crossed_of(changes, number, span, tuning) for number, span in enumerate(spans)]
    return pl.concat(found)


def _crossed_of(changes: pl.DataFrame, number: int, span: Span, tuning: BuildUp) -> pl.DataFrame:
    """Give the crossings of one span."""
    if span.runs is not None:
        changes = changes.filter(pl.col("run").is_in(span.runs.implode()))
    rose = pl.col("kpa") - pl.col("p0")
    same = pl.col("case") == pl.col("case").shift(1)
    before = {name: pl.when(same).then(pl.col(name).shift(1)) for name in ("at_us", "at_kpa", "at_turns")}

    def crossing(level: float) -> dict[str, pl.Expr]:
        is_up = (before["at_kpa"] < level) & (pl.col("at_kpa") >= level) & (rose > 0.0)
        share = (level - before["at_kpa"]) / (pl.col("at_kpa") - before["at_kpa"])
        us = before["at_us"] + share * (pl.col("at_us") - before["at_us"])
        turned = before["at_turns"] + share * (pl.col("at_turns") - before["at_turns"])
        per_s = (pl.col("at_kpa") - before["at_kpa"]) / ((pl.col("at_us") - before["at_us"]) / 1e6)
        # where in the sample spacing the change was, and a quarter step of sensor noise, at the slope of the crossing
        error_s = ((pl.col("gap_s") * pl.col("at_share")).pow(2) / 12 + (pl.col("step") / 4 / per_s).pow(2)).sqrt()
        kept = (("us", us), ("turns", turned), ("error", error_s))
        return {name: pl.when(is_up).then(what) for name, what in kept}

    low, high = crossing(span.from_kpa), crossing(span.to_kpa)
    crossed = (
        changes.with_columns(
            **{f"low_{name}": value for name, value in low.items()},
            **{f"high_{name}": value for name, value in high.items()},
        )
        .with_columns(pl.col("low_us", "low_turns", "low_error").forward_fill().over("case"))
        .join(_pace(changes, span.from_kpa, tuning), on="row", how="left", maintain_order="left")
        .with_columns(pl.col("pace").forward_fill().over("pumping"))
    )
    return (
        crossed.filter(pl.col("high_us").is_not_null() & pl.col("low_us").is_not_null())
        .unique(["case", "low_us"], keep="first", maintain_order=True)
        .with_columns(revolutions=pl.col("high_turns") - pl.col("low_turns"))
        .select(
            *("case", "run", "circuit", "revolutions"),
            span=pl.lit(number, pl.UInt32),
            start=pl.from_epoch(pl.col("low_us").round().cast(pl.Int64), time_unit="us"),
            end=pl.from_epoch(pl.col("high_us").round().cast(pl.Int64), time_unit="us"),
            timing_s=(pl.col("low_error").pow(2) + pl.col("high_error").pow(2)).sqrt(),
            before_s=((pl.col("low_us") - pl.col("spurt_us")) / 1e6).clip(lower_bound=0.0),
            fastest=pl.col("pace") * pl.col("revolutions") / (span.to_kpa - span.from_kpa),
        )
    )


def _pace(changes: pl.DataFrame, from_kpa: float, tuning: BuildUp) -> pl.DataFrame:
    """Give ``row, pace``: how fast, at the least, some stretch of ``pace_kpa`` had risen up to a row of ``changes``.

    kPa for each turn of the engine, between changes to values that the part had not had before: noise makes others too.
    Stretches far below the first level say little of it, the first seconds are fast by themselves, as gas warms, and a
    tank that stands behind another of the unit's own has the compressor to itself.
    """
    p, part, turns, kpa, us = (pl.col(name) for name in ("kpa", "part", "at_turns", "at_kpa", "at_us"))
    new = changes.filter(p > p.cum_max().shift(1).over("part"))
    wide = {step: round(tuning.pace_kpa / step) for step in (8, 4, 2, 1)}

    def back(what: pl.Expr) -> pl.Expr:
        narrow = what.shift(wide[1])
        for step in (2, 4, 8):
            narrow = pl.when(pl.col("step") >= step).then(what.shift(wide[step])).otherwise(narrow)
        return narrow

    is_told = (
        (back(part) == part)
        & (back(kpa) >= from_kpa - tuning.pace_below_kpa)
        & (back(pl.col("behind_kpa")) <= tuning.pace_behind_steps * pl.col("step"))
        & (pl.col("is_cut") | (back(us) - pl.col("spurt_us") >= tuning.pace_after_s * 1e6))
    )
    taken = turns - back(turns) + (pl.col("at_turns_sd") + back(pl.col("at_turns_sd"))) / 2.0
    pace = pl.when(is_told & (taken > 0.0)).then((kpa - back(kpa)) / taken)
    return new.select("row", pace=pace.cum_max().over("pumping"))
