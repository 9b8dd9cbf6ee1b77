"""Rises of a tank's pressure from one level to another, the engine running and no air used meanwhile."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.derive.frames import seconds
from airwatch.derive.sensor import step_kpa
from airwatch.derive.tuning import BuildUp

OWN_TANKS = ("supply", "primary", "secondary")
_BEFORE, _AFTER = 300, 4  # samples kept around a rise: the change before its first level, the one after its last


@dataclass(frozen=True, slots=True)
class Valves:
    """Rows of some samples at which the parking and trailer valves closed by themselves, and may have been opened."""

    emptied: npt.NDArray[np.int64]
    opened: npt.NDArray[np.int64]


def valves(samples: pl.DataFrame, tuning: BuildUp) -> Valves:
    """Tell where the valves have closed by themselves: both are held open by the higher of the service tanks.

    Two samples must show it and not nothing: sensors that go dark with the key fall to 0 from one sample to the next.
    """
    higher = pl.max_horizontal("primary_kpa", "secondary_kpa")
    is_low = (higher < tuning.popped_kpa) & (higher > 0.0)
    is_empty = samples.select(is_low & is_low.shift(1) & (pl.col("run") == pl.col("run").shift(1))).to_series()
    return Valves(is_empty.arg_true().to_numpy(), (~samples["is_parked"]).arg_true().to_numpy())


def rises(
    samples: pl.DataFrame, seen: Valves, circuit: str, from_kpa: float, to_kpa: float, tuning: BuildUp
) -> pl.DataFrame:
    """Find the rises of one tank.

    A rounded value changes when the true pressure passes the middle between the two values, so a rise is read from the
    times of its changes: at each the pressure is known to the sensor's accuracy, and the levels are interpolated
    between them. A rise with the brake applied, the parking brake moved, the unit moving, a step back or a silence in
    it is left out: air was used, or not seen.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    seen : Valves
        Of these samples.

    Returns
    -------
    DataFrame
        ``run, circuit, start, end``; ``timing_s`` standard error of the duration; ``revolutions`` of the engine, null
        where its speed is not known, and ``turning``, their standard error; ``top_rpm``; ``before_s``: for how long the
        engine had run when it began, with no air used since and without going much faster, 0 where that came later;
        ``fastest``: how much faster, turn for turn, some stretch of the same pumping was than this rise, null where
        that is not known;
        ``is_popped``: the run went below the pressure at which the trailer supply and parking valves close by
        themselves, and since then the parking brake has stayed set and nothing has let pressure sag while the engine
        pumped, as a trailer does whose valves open; ``line_kpa`` by how much the trailer supply line rose,
        and ``{tank}_share`` by how much each tank rose for what this one did, null where it is not sent. A tank that
        stands higher is closed off by its check valve and does not rise.
    """
    p, t, run = pl.col(f"{circuit}_kpa"), pl.col("t"), pl.col("run")
    some = _candidates(samples, seen, circuit, from_kpa, to_kpa, tuning)
    same = run == run.shift(1)
    gap_s = pl.when(same).then(seconds(t - t.shift(1))).otherwise(0.0)
    turns = (pl.col("engine_rpm") + pl.col("engine_rpm").shift(1)) / 120.0 * gap_s
    moved = (same & (pl.col("is_parked") != pl.col("is_parked").shift(1))).fill_null(value=False)
    uses_air = pl.col("is_braking") | pl.col("is_moving") | moved | ~pl.col("is_running")
    line = (
        some.with_columns(n_uses=uses_air.cast(pl.Int32).cum_sum())  # of samples without this pressure too
        .drop_nulls(f"{circuit}_kpa")
        .with_columns(
            gap_s=gap_s,
            turns=turns.fill_null(0.0).cum_sum().over("run"),
            step=step_kpa(p).over("run"),
            no_rpm=pl.col("engine_rpm").is_null(),
        )
        .with_columns(
            *(pl.col(f"{tank}_kpa").shift(1).over("run").name.suffix("0") for tank in OWN_TANKS),
            t0=t.shift(1).over("run"),
            turns0=pl.col("turns").shift(1).over("run"),
        )
        .with_columns(p0=pl.col(f"{circuit}_kpa0"))
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
    found = _crossed(line, p, from_kpa, to_kpa, tuning)
    inside = (
        line.select(
            *(
                "run",
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
            *(f"{tank}_kpa{which}" for tank in OWN_TANKS for which in ("", "0")),
            back=pl.col("p0") - p,
        )
        .join_where(
            found.select(rise_run="run", start="start", end="end"),
            pl.col("run") == pl.col("rise_run"),
            t > pl.col("start"),
            pl.col("t0") < pl.col("end"),
        )
        .group_by("run", "start", "end")
        .agg(
            air_used=(pl.col("n_uses").max() > pl.col("n_uses").min())
            | (pl.col("back") > tuning.dip_steps * pl.col("step")).any(),
            longest_gap_s=pl.col("gap_s").max(),
            no_rpm=pl.col("no_rpm").any(),
            turning=pl.col("turning").pow(2).sum().sqrt(),
            top_rpm=pl.col("engine_rpm").max(),
            is_popped=(pl.col("is_popped") & ~pl.col("has_sagged")).all(),
            line_kpa=pl.col("trailer_kpa").max() - pl.col("trailer_kpa").min(),
            **{f"{tank}_share": _rose(tank) / _rose(circuit) for tank in OWN_TANKS},
        )
    )
    return (
        found.join(inside, on=["run", "start", "end"], how="inner", maintain_order="left")
        .filter(~pl.col("air_used") & (pl.col("longest_gap_s") <= tuning.longest_gap_s))
        .select(
            *("run", "start", "end", "timing_s", "before_s", "is_popped", "line_kpa"),
            *(f"{tank}_share" for tank in OWN_TANKS),
            circuit=pl.lit(circuit),
            **{
                name: pl.when(~pl.col("no_rpm")).then(pl.col(name))
                for name in ("revolutions", "turning", "fastest", "top_rpm")
            },
        )
    )


def _candidates(
    samples: pl.DataFrame, seen: Valves, circuit: str, from_kpa: float, to_kpa: float, tuning: BuildUp
) -> pl.DataFrame:
    """Keep the samples around each rise, with ``is_popped``: few of all, so that the rest is done on little."""
    column = samples[f"{circuit}_kpa"]
    if column.null_count() == len(column):
        rows, is_popped = np.zeros(0, dtype=np.int64), np.zeros(0, dtype=bool)
    else:
        kpa, run = column.to_numpy(), samples["run"].to_numpy()
        with np.errstate(invalid="ignore"):
            low = np.flatnonzero(kpa < from_kpa + tuning.near_kpa)
            is_high = kpa >= to_kpa
        edges = np.flatnonzero(is_high[1:] != is_high[:-1]) + 1
        tops = edges[is_high[edges]]
        falls = edges[~is_high[edges]] - 1
        bottoms, before = _last_of(low, tops), _last_of(falls, tops)
        is_rise = (bottoms > before) & (run[np.maximum(bottoms, 0)] == run[tops])
        bottoms, tops = bottoms[is_rise], tops[is_rise]
        mask = np.zeros(kpa.size + 1, dtype=np.int32)
        np.add.at(mask, np.maximum(bottoms - _BEFORE, 0), 1)
        np.add.at(mask, np.minimum(tops + 1 + _AFTER, kpa.size), -1)
        rows = np.flatnonzero(np.cumsum(mask[:-1]) > 0)
        emptied, opened = _last_of(seen.emptied, rows), _last_of(seen.opened, rows)
        is_popped = (emptied > opened) & (run[np.maximum(emptied, 0)] == run[rows])
    columns = [
        *("run", "t", "engine_rpm", "trailer_kpa", "is_parked", "is_braking", "is_moving", "is_running"),
        *(f"{tank}_kpa" for tank in OWN_TANKS),
    ]
    return samples.select(columns)[rows].with_columns(is_popped=pl.Series(is_popped, dtype=pl.Boolean))


def _rose(tank: str) -> pl.Expr:
    """Give by how much a tank rose from the last sample before a rise to the first behind it."""
    return pl.col(f"{tank}_kpa").drop_nulls().last() - pl.col(f"{tank}_kpa0").drop_nulls().first()


def _last_of(rows: npt.NDArray[np.int64], at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Give the last of ``rows``, which rise, at or before each of ``at``; -1 where there is none."""
    place = np.searchsorted(rows, at, side="right") - 1
    last: npt.NDArray[np.int64] = np.where(place >= 0, np.append(rows, -1)[place], -1).astype(np.int64)
    return last


def _crossed(line: pl.DataFrame, p: pl.Expr, from_kpa: float, to_kpa: float, tuning: BuildUp) -> pl.DataFrame:
    """Give ``run, start, end, timing_s, before_s, revolutions, fastest``.

    From the last passage of one level to the first of the other.
    """
    rose = p - pl.col("p0")
    changes = (
        line.filter(p != pl.col("p0"))
        .with_row_index("row")
        .with_columns(
            p=p,
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
    before = {name: pl.col(name).shift(1).over("run") for name in ("at_us", "at_kpa", "at_turns")}

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

    low, high = crossing(from_kpa), crossing(to_kpa)
    crossed = (
        changes.with_columns(
            **{f"low_{name}": value for name, value in low.items()},
            **{f"high_{name}": value for name, value in high.items()},
        )
        .with_columns(pl.col("low_us", "low_turns", "low_error").forward_fill().over("run"))
        .join(_pace(changes, from_kpa, tuning), on="row", how="left", maintain_order="left")
        .with_columns(pl.col("pace").forward_fill().over("pumping"))
    )
    return (
        crossed.filter(pl.col("high_us").is_not_null() & pl.col("low_us").is_not_null())
        .unique(["run", "low_us"], keep="first", maintain_order=True)
        .with_columns(revolutions=pl.col("high_turns") - pl.col("low_turns"))
        .select(
            "run",
            "revolutions",
            start=pl.from_epoch(pl.col("low_us").round().cast(pl.Int64), time_unit="us"),
            end=pl.from_epoch(pl.col("high_us").round().cast(pl.Int64), time_unit="us"),
            timing_s=(pl.col("low_error").pow(2) + pl.col("high_error").pow(2)).sqrt(),
            before_s=((pl.col("low_us") - pl.col("spurt_us")) / 1e6).clip(lower_bound=0.0),
            fastest=pl.col("pace") * pl.col("revolutions") / (to_kpa - from_kpa),
        )
    )


def _pace(changes: pl.DataFrame, from_kpa: float, tuning: BuildUp) -> pl.DataFrame:
    """Give ``row, pace``: how fast, at the least, some stretch of ``pace_kpa`` had risen up to a row of ``changes``.

    kPa for each turn of the engine, between changes to values that the part had not had before: noise makes others too.
    Stretches far below the first level say little of it, the first seconds are fast by themselves, as gas warms, and a
    tank that stands behind another of the unit's own has the compressor to itself.
    """
    p, part, turns, kpa, us = (pl.col(name) for name in ("p", "part", "at_turns", "at_kpa", "at_us"))
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
