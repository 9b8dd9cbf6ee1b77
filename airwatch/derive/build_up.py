"""`build_up_time` and `build_up_span`: how long the compressor takes to fill the tanks, referred to governed speed."""

import re
from collections.abc import Mapping

import polars as pl

from airwatch.derive.change_line import Floats
from airwatch.derive.frames import FACTS, RUN_SAMPLES, UNIT, as_measured, require, seconds, tank_pressures
from airwatch.derive.rise_line import OWN_TANKS, Span
from airwatch.derive.rises import rises
from airwatch.derive.tuning import BuildUp, shipped_tuning
from airwatch.limits.table import shipped_limits
from airwatch.limits.units_of_measure import KPA_PER_PSI

START_KPA = 85 * KPA_PER_PSI
END_KPA = 100 * KPA_PER_PSI
"""49 CFR 571.121 S5.1.1 and the CDL model manual time the rise from 85 to 100 psi."""

ALL_FILLED = 0.9
"""A share of the tanks' volume above which rounding may make the difference."""

_SPAN = re.compile(r"(\d+)-(\d+) kPa")


def build_up_readings(
    samples: pl.DataFrame,
    runs: pl.DataFrame,
    facts: pl.DataFrame,
    tuning: BuildUp | None = None,
    kpa_of: Mapping[str, Floats] | None = None,
) -> pl.DataFrame:
    """Time each rise of a tank from 85 to 100 psi, and the other spans that the unit's rule set asks for.

    The engine's revolutions in the rise, divided by governed speed, are the time that it would have taken there: a
    compressor driven by the engine moves the same air with each turn, within ``speed_sd_share`` (it fills a little less
    well at high speed). The rule means the power unit's own tanks. A trailer that may be filling too makes the rise
    slower, so where that can't be told the interval reaches down to what the unit's own tanks would have taken. None
    fills where the unit is bobtail or tows nothing, where the supply line is sent and does not rise, or where pressure
    had been below the point at which the valves close by themselves and the parking brake stayed set since.

    A tank that stands above the rising ones is closed off by its check valve: the figure is referred to all of the
    unit's tanks by the share of their volume that filled, and left out where less than ``least_filled`` did. At idle a
    leak takes a larger part of what is delivered, which the interval allows for.

    Gas that is compressed at once rises faster than gas that its tank's wall has cooled, so a rise that begins just
    after the engine started, or went much faster, is short; by how much at most depends on how long the pumping had
    lasted before 85 psi, and the interval reaches up by that. Where an earlier stretch of the same pumping rose much
    faster, something else has been filling since (a trailer whose valve opens at some pressure, suspension), and the
    interval reaches down to that pace.

    Parameters
    ----------
    samples : DataFrame
        Samples with phases and runs, sorted by ``run, t``.
    runs : DataFrame
        As `airwatch.derive.runs.run_table` gives it.
    facts : DataFrame
        Columns as `airwatch.derive.frames.FACTS`; ``governed_rpm`` in 1/min.
    kpa_of : mapping, optional
        As `airwatch.derive.frames.tank_pressures` gives it of these samples, where the caller has it already.

    Returns
    -------
    DataFrame
        Columns as `airwatch.derive.frames.MEASURED`; seconds. ``start`` and ``end`` are the crossings; ``test`` names
        the span of `build_up_span`, whose interval is null where engine speed is not known: its rules are about one.

    Raises
    ------
    FrameError
        A column is missing or of another type.

    References
    ----------
    49 CFR 571.121 S5.1.1, S5.2.1.1 (a trailer's tanks hold at least eight times its chambers); CDL model manual,
    section 5.
    """
    require(samples, RUN_SAMPLES, "build_up_readings")
    require(facts, FACTS, "build_up_readings")
    tuning = tuning or shipped_tuning().build_up
    known = runs.join(facts.select(*FACTS.keys()), on=UNIT, how="left", maintain_order="left")
    asked: list[tuple[str | None, Span]] = [(None, Span(START_KPA, END_KPA))]
    for test, low, high, rule_sets in _spans():
        held_to_it = known.filter(pl.col("rule_set").is_in(rule_sets))["run"]
        if held_to_it.len():
            asked.append((test, Span(low, high, held_to_it)))
    found = rises(samples, [span for _, span in asked], tuning, tank_pressures(samples) if kpa_of is None else kpa_of)
    if found.is_empty():
        return as_measured(pl.DataFrame())
    tests = pl.Series("test", [test for test, _ in asked], dtype=pl.String)
    is_time, has_speed = pl.col("test").is_null(), pl.col("revolutions").is_not_null()
    return as_measured(
        _measured(found.with_columns(test=tests.gather(found["span"])), known, tuning).with_columns(
            check=pl.when(is_time).then(pl.lit("build_up_time")).otherwise(pl.lit("build_up_span")),
            lower=pl.when(is_time | has_speed).then(pl.col("lower")),
            upper=pl.when(is_time | has_speed).then(pl.col("upper")),
        )
    )


def _spans() -> list[tuple[str, float, float, list[str]]]:
    """Give the spans that rules time: the test's name, from and to which gauge pressure (kPa), and whose rules."""
    spans: dict[str, list[str]] = {}
    for limit in shipped_limits():
        if limit.check == "build_up_span" and limit.test is not None and limit.breach != "cited":
            spans.setdefault(limit.test, []).append(limit.rule_set)
    return [
        (test, float(found[1]), float(found[2]), rule_sets)
        for test, rule_sets in spans.items()
        if (found := _SPAN.fullmatch(test))
    ]


def _measured(found: pl.DataFrame, known: pl.DataFrame, tuning: BuildUp) -> pl.DataFrame:
    """Refer rises to governed speed and to the unit's own tanks."""
    governed = pl.col("governed_rpm")
    own_l = pl.sum_horizontal("supply_l", "primary_l", "secondary_l", ignore_nulls=False).fill_null(tuning.own_l)
    is_alone = (pl.col("trailer") == "").fill_null(value=False) | ~pl.col("is_towing").fill_null(value=True)
    is_line_still = (pl.col("line_kpa") <= tuning.line_still_kpa).fill_null(value=False)
    may_fill = ~(is_alone | is_line_still | pl.col("is_popped"))
    rpm = (pl.col("revolutions") * 60.0 / pl.col("timed_s")).round(0).cast(pl.Int64)
    assumed = pl.when("is_speed_assumed").then(pl.lit(" (assumed)")).otherwise(pl.lit(""))
    is_uneven = (pl.col("fastest") >= tuning.pace_uneven).fill_null(value=False)
    with_trailer = pl.concat_str(
        pl.when("may_fill").then(pl.lit("; a trailer may have been filling too")).otherwise(pl.lit("")),
        pl.when(is_uneven).then(pl.lit("; it had risen faster before: something else filled")).otherwise(pl.lit("")),
        pl.when(pl.col("filled") < ALL_FILLED)
        .then(pl.format("; {} % of the tanks' volume filled", (pl.col("filled") * 100.0).round(0).cast(pl.Int64)))
        .otherwise(pl.lit("")),
    )
    own = {tank: pl.coalesce(f"{tank}_l", pl.lit(tuning.own_l / len(OWN_TANKS))) for tank in OWN_TANKS}
    filled = pl.sum_horizontal(own[tank] * pl.col(f"{tank}_share").clip(0.0, 1.0).fill_null(1.0) for tank in OWN_TANKS)
    slowness = (1.0 - pl.col("turned_s") / pl.col("timed_s")).clip(lower_bound=0.0)
    is_guessed = pl.any_horizontal(pl.col(f"{tank}_l").is_null() for tank in OWN_TANKS)
    filled_sd = pl.when(is_guessed).then(tuning.guessed_sd_share).otherwise(tuning.filled_sd_share)
    relative_sd = (
        (pl.col("timing_s") / pl.col("timed_s")).pow(2)
        + (pl.col("turning") / pl.col("revolutions")).fill_null(0.0).pow(2)
        + (tuning.speed_sd_share * slowness).fill_null(0.0).pow(2)
        + (filled_sd * (1.0 - pl.col("filled"))).pow(2)
    ).sqrt()
    # the share that warming gas saves at most of the time that the rise would have taken at its highest speed
    paced = pl.coalesce(pl.col("revolutions") * 60.0 / pl.col("top_rpm"), "timed_s") / tuning.warming_s
    warming = tuning.warming_share * (-pl.col("before_s") / tuning.warming_s).exp() * (1.0 - (-paced).exp()) / paced
    idle = pl.lit(tuning.idle_rpm) / governed
    return (
        found.join(known, on="run", how="inner", maintain_order="left")
        .with_columns(timed_s=seconds(pl.col("end") - pl.col("start")), may_fill=may_fill, own_l=own_l)
        .with_columns(
            turned_s=pl.col("revolutions") * 60.0 / governed,
            filled=(filled / pl.sum_horizontal(*own.values())).clip(upper_bound=1.0),
        )
        .filter(pl.col("filled") >= tuning.least_filled)
        .with_columns(filled_l=pl.col("own_l") * pl.col("filled"))
        .with_columns(value=pl.coalesce("turned_s", "timed_s") / pl.col("filled"))
        .with_columns(
            half=1.96 * pl.col("value") * relative_sd,
            warmed=pl.col("value") * warming,
            alone=pl.when("may_fill").then(pl.col("filled_l") / (pl.col("filled_l") + tuning.trailer_l)).otherwise(1.0)
            # a leak at low speed; and where speed is not sent, it may have been idle
            * (1.0 - tuning.idle_leak_share * slowness).fill_null(idle.clip(upper_bound=1.0)),
        )
        .select(
            *UNIT,
            "test",
            "trailer",
            "circuit",
            "start",
            "end",
            "value",
            "revolutions",
            "run_start",
            lower=pl.min_horizontal(
                ((pl.col("value") - pl.col("half")) * pl.col("alone")).clip(lower_bound=0.0),
                pl.when(is_uneven).then(pl.col("value") / pl.col("fastest")),
            ),
            upper=pl.col("value") + pl.col("half") + pl.col("warmed"),
            measure=pl.lit("s"),
            note=pl.when(pl.col("revolutions").is_null())
            .then(pl.format("timed {} s, engine speed not known{}", pl.col("timed_s").round(1), with_trailer))
            .otherwise(
                pl.format(
                    "timed {} s at {} 1/min, referred to governed {} 1/min{}{}",
                    pl.col("timed_s").round(1),
                    rpm,
                    governed.round(0).cast(pl.Int64),
                    assumed,
                    with_trailer,
                )
            ),
        )
    )
