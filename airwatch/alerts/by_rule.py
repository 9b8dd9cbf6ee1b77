"""Alerts that one rule each opens: so many of the last readings beyond a limit, or a trend towards it."""

from collections.abc import Collection
from datetime import timedelta
from typing import Any, Literal

import msgspec
import polars as pl

from airwatch.alerts.frames import ALERTS, GRAVITY, alert_id, figure, not_seen, utc_text
from airwatch.alerts.rules import Rule
from airwatch.alerts.settings import Settings, Usual
from airwatch.alerts.trend import Crossing, crossing, daily_levels, is_rising, last_days, of_days_over, trends
from airwatch.derive.frames import UNIT

_PART = [*UNIT, "part"]


def rule_alerts(
    judged: pl.DataFrame,
    facts: pl.DataFrame,
    settings: Settings,
    *,
    leaking: Collection[tuple[str, str]],
    usual: pl.DataFrame,
) -> pl.DataFrame:
    """Apply each rule to the readings of each unit.

    Readings of different parts (wheel ends, valves, lamps) are counted by themselves, so that a sound part does not
    hide a broken one; the parts that hold make one alert. Confidence is the share of the looked-at readings that are
    beyond the limit.

    Parameters
    ----------
    judged : DataFrame
        Readings as `airwatch.limits.judge.as_judged` gives them.
    facts : DataFrame
        ``fleet, unit, kind, cut_out_kpa``.
    settings : Settings
        Thresholds.
    leaking : collection of (fleet, unit)
        Units that lose air: that alone makes the compressor work more and a build-up slower, so that opens nothing
        before it is beyond a limit.
    usual : DataFrame
        ``fleet, unit, check, circuit, peers``: what units alike do.

    Returns
    -------
    DataFrame
        Columns as `ALERTS`.
    """
    known = judged.join(facts.select(*UNIT, "kind", rated="cut_out_kpa"), on=UNIT, how="left", maintain_order="left")
    last = last_days(judged)
    lossy = pl.DataFrame(list(leaking), schema=dict.fromkeys(UNIT, pl.String), orient="row")
    seeing = known.filter((pl.col("check") == "leak_static") & (pl.col("circuit") == "supply")).select(UNIT).unique()
    by_check = {str(check): part for (check,), part in known.group_by("check", maintain_order=True)}
    parts = [
        _of_rule(by_check[rule.check], last, rule, settings, lossy, seeing, usual)
        for rule in settings.rule
        if rule.check in by_check
    ]
    return _without_rivals(_one_each(pl.concat(parts)), known, settings.usual) if parts else pl.DataFrame(schema=ALERTS)


def _of_rule(
    of_check: pl.DataFrame,
    last: pl.DataFrame,
    rule: Rule,
    settings: Settings,
    lossy: pl.DataFrame,
    seeing: pl.DataFrame,
    usual: pl.DataFrame,
) -> pl.DataFrame:
    of_circuit = pl.lit(value=True) if rule.circuit is None else pl.col("circuit") == rule.circuit
    of_check = of_check.filter(of_circuit & pl.col("value").is_not_null())
    if rule.fastest:
        # the tanks of a run fill through the same valves: what one of them leaves open is open for all
        of_run = of_check.with_columns(pl.col("lower", "judged_lower").min().over(*UNIT, "run_start"))
        of_check = of_run.sort("value").unique([*UNIT, "run_start"], keep="first", maintain_order=True)
    of_check = _with_usual(of_check, rule, usual, settings.usual)
    found = _trends(of_check, rule, settings) if rule.follows else None
    if found is not None and rule.check == "build_up_time":
        found = found.join(lossy, on=UNIT, how="anti", maintain_order="left")
    if rule.blind is not None:
        of_check = of_check.join(seeing, on=UNIT, how="anti", maintain_order="left")
    if rule.above_usual is not None:
        of_check = of_check.join(lossy, on=UNIT, how="anti", maintain_order="left")
    alerts = _by_count(of_check, rule, settings)
    rising = alerts.clear() if found is None else _rising(last, of_check, found, rule, settings)
    rows = [
        _alert(row, rule, found, settings)
        for row in pl.concat([alerts, rising]).sort(*UNIT, "opened").iter_rows(named=True)
    ]
    return pl.DataFrame(rows, schema=ALERTS, orient="row")


def _one_each(alerts: pl.DataFrame) -> pl.DataFrame:
    """Make one alert of what counts, what rises and what another check shows: the graver word and the earlier time."""
    gravity = pl.col("severity").replace_strict(GRAVITY, return_dtype=pl.Int8)
    return (
        alerts.with_columns(pl.col("opened").min().over("id"))
        .sort(gravity, descending=True, maintain_order=True)
        .unique("id", keep="first", maintain_order=True)
    )


def _without_rivals(alerts: pl.DataFrame, readings: pl.DataFrame, usual: Usual) -> pl.DataFrame:
    """Of faults that feign each other in how a unit pumps, keep the one that the cycles speak for.

    A compressor that hardly reaches cut-out makes its turns look close together, and a governor that cycles closely, or
    a leak of a supply tank whose pressure is not sent, makes the compressor pump often. With the first the cycles get
    fewer, with the others more; and with the last the compressor works many times more (see its rule).
    """
    value = pl.col("value")
    cycles = (
        readings.filter(pl.col("check") == "governor_cycles")
        .sort(*UNIT, "end")
        .group_by(UNIT, maintain_order=True)
        .agg(more=value.tail(usual.readings).median() > usual.more_cycles * value.head(usual.readings).median())
    )
    of_unit = alerts.join(cycles, on=UNIT, how="left", maintain_order="left")
    # from the likeliest on, where the cycles got more and where they did not
    order = (
        pl.when(pl.col("more").fill_null(value=False))
        .then(pl.col("fault").replace_strict(_MORE_CYCLES, default=None, return_dtype=pl.Int8))
        .otherwise(pl.col("fault").replace_strict(_FEWER_CYCLES, default=None, return_dtype=pl.Int8))
    )
    return of_unit.filter(order.is_null() | (order == order.min().over(UNIT)).fill_null(value=False)).drop("more")


_MORE_CYCLES = {"leak_supply": 0, "governor_short_cycling": 1, "compressor_weak": 2}
_FEWER_CYCLES = {"compressor_weak": 0, "governor_short_cycling": 1, "leak_supply": 2}


def _with_usual(of_check: pl.DataFrame, rule: Rule, peers: pl.DataFrame, own: Usual) -> pl.DataFrame:
    """Add ``usual``, what the unit itself does, and ``peers``, what units alike do.

    For a figure that a fault lessens the usual is the upper quarter of all; for one that it raises, the middle of the
    readings before, once there are some.
    """
    if rule.below_usual is not None:
        of_check = of_check.with_columns(usual=pl.col("judged").quantile(0.75).over(UNIT))
    elif rule.above_usual is not None:
        n_first = rule.usual_of or own.readings
        first = pl.col("judged").head(n_first).median()
        known = of_check.sort(*UNIT, "end").group_by(UNIT, maintain_order=True).agg(usual=first, n_all=pl.len())
        of_check = of_check.join(known, on=UNIT, how="left", maintain_order="left").with_columns(
            usual=pl.when(pl.col("n_all") > n_first).then(pl.col("usual"))
        )
    of_peers = peers.filter(check=rule.check).select(*UNIT, "circuit", "peers")
    return of_check.join(of_peers, on=[*UNIT, "circuit"], how="left", nulls_equal=True, maintain_order="left")


def _by_count(of_check: pl.DataFrame, rule: Rule, settings: Settings) -> pl.DataFrame:
    is_counted = (pl.col("verdict") != "unknown") | _is_narrow(settings) if rule.unsure else pl.lit(value=True)
    line = (
        of_check.filter(is_counted)
        .sort(*UNIT, "end")
        .with_columns(is_beyond=_is_beyond(rule, settings), edge=_edge(rule))
        .with_columns(
            n_beyond=pl.col("is_beyond").cast(pl.Int32()).rolling_sum(rule.of_last, min_samples=1).over(_PART)
        )
        .with_columns(holds=pl.col("n_beyond") >= rule.at_least)
    )
    beyond = pl.col("is_beyond")
    # the first reading that completed the evidence; for an episode, where the evidence itself began
    completed = pl.col("end").filter(pl.col("holds")).first()
    began = pl.col("start").filter(beyond).first()
    # an episode that is over says so itself; other faults stay until somebody says what was done
    is_there = pl.col("holds").last() if rule.opens_at == "start" else pl.col("holds").any()
    by_part = (
        line.filter(is_there.over(_PART))
        .group_by(_PART, maintain_order=True)
        .agg(
            trailer=pl.col("trailer").last(),
            circuit=pl.col("circuit").last(),
            is_fail=(pl.col("verdict").filter(beyond) == "fail").any(),
            confidence=rule.most_sure * pl.col("n_beyond").max() / rule.of_last,
            opened=began if rule.opens_at == "start" else completed,
            updated=pl.col("end").last(),
            last_seen=pl.col("end").filter(beyond).last(),
            n_since=(pl.col("end") > pl.col("end").filter(beyond).last()).sum(),
            newest=pl.struct("judged", "edge", "measure", "note").filter(beyond).last(),
        )
        .unnest("newest")
    )
    return (
        by_part.sort(*UNIT, "updated", maintain_order=True)
        .group_by(UNIT, maintain_order=True)
        .agg(
            pl.col("trailer", "circuit", "judged", "edge", "measure").last(),
            pl.col("confidence", "updated", "last_seen").max(),
            pl.col("opened", "n_since").min(),
            verdict=pl.when(pl.col("is_fail").any()).then(pl.lit("fail")).otherwise(pl.lit("watch")),
            part=pl.col("part").drop_nulls().unique().sort().str.join(", "),
            note=pl.col("note").unique(maintain_order=True).str.join("; "),
        )
    )


def is_past(rule: Rule) -> pl.Expr:
    """Tell whether a figure is beyond the edge that a rule looks at, whatever the verdict."""
    over = (pl.col("judged") > pl.col("limit_high")).fill_null(value=False)
    under = (pl.col("judged") < pl.col("limit_low")).fill_null(value=False)
    return {"high": over, "low": under, "either": over | under}[rule.beyond]


def _is_beyond(rule: Rule, settings: Settings) -> pl.Expr:
    verdicts = [*rule.severity, "unknown"] if rule.unsure else list(rule.severity)
    is_beyond = pl.col("verdict").is_in(verdicts) & is_past(rule)
    if rule.below_usual is not None:
        is_short = pl.col("judged") < settings.governor.short_kpa
        is_beyond &= (pl.col("judged") < rule.below_usual * pl.col("usual")) | is_short
    if rule.above_usual is not None:
        least = pl.min_horizontal("judged", "judged_lower") if rule.surely else pl.col("judged")
        is_above = (least > rule.above_usual * pl.col("usual")).fill_null(value=False)
        is_above &= is_past(rule) if rule.past_limit else pl.lit(value=True)
        is_beyond = is_above & (pl.col("judged") > rule.above_peers * pl.col("peers")).fill_null(value=True)
    if rule.rated:
        off = (pl.col("judged") - pl.col("rated")) * (1.0 if rule.beyond == "high" else -1.0)
        is_beyond = (
            pl.when(off.is_null())
            .then(is_beyond)
            .when(off.abs() <= settings.governor.as_rated_kpa)
            .then(pl.lit(value=False))
            .otherwise(is_beyond | (off >= settings.governor.off_rated_kpa))
        )
    return is_beyond if rule.states is None else is_beyond & pl.col("state").is_in(rule.states).fill_null(value=False)


def _is_narrow(settings: Settings) -> pl.Expr:
    return (pl.col("upper") - pl.col("lower") <= settings.trend.widest_share * pl.col("value")).fill_null(value=True)


def _edge(rule: Rule) -> pl.Expr:
    high, low = pl.col("limit_high"), pl.col("limit_low")
    either = pl.when((pl.col("judged") < low).fill_null(value=False)).then(low).otherwise(high)
    return {"high": high, "low": low, "either": either}[rule.beyond]


# trends --------------------------------------------------------------------------------------------------------------


def _trends(of_check: pl.DataFrame, rule: Rule, settings: Settings) -> pl.DataFrame:
    """Fit daily levels. A compressor's delivery falls evenly where its times rise ever faster: 1/time is followed."""
    t, edge, sign = settings.trend, _edge(rule), 1.0 if rule.beyond == "high" else -1.0
    known = of_check.filter(edge.is_not_null()).with_columns(series=pl.lit(rule.check))
    if rule.check == "build_up_time":
        days = _fastest_by_day(known, settings)
        # of several limits the widest matters in the end; a reading is held against the one that says most
        y, limit = -1.0 / pl.col("judged"), -1.0 / edge.max().over(UNIT)
        return trends(daily_levels(days.with_columns(y=y, limit=limit, floor=t.floor_build_up_share * y.abs()), t), t)
    series = known.with_columns(y=sign * pl.col("judged"), limit=sign * edge, floor=pl.lit(t.floor_cut_out_kpa))
    return trends(daily_levels(series, msgspec.structs.replace(t, quantile=0.5)), t)


def _fastest_by_day(rises: pl.DataFrame, settings: Settings) -> pl.DataFrame:
    """Give each day's fastest rise: use of air makes a rise slower, and nothing makes it faster.

    Where a trailer may have been filling in that one too, it is the fastest of some days; and nothing, once the unit
    has shown some days on which none was.
    """
    days = (
        rises.sort(*UNIT, "end")
        .with_columns(day=pl.col("end").dt.date())
        .sort("judged")
        .unique([*UNIT, "day"], keep="first", maintain_order=True)
        .sort(*UNIT, "day")
    )
    of_some = pl.col("judged").rolling_min(settings.trend.vague_days, min_samples=1).over(UNIT)
    n_sure = _is_narrow(settings).cum_sum().over(UNIT)
    return days.with_columns(judged=pl.when(_is_narrow(settings)).then(pl.col("judged")).otherwise(of_some)).filter(
        _is_narrow(settings) | (n_sure < settings.trend.sure_days)
    )


def _rising(
    last: pl.DataFrame, of_check: pl.DataFrame, found: pl.DataFrame, rule: Rule, settings: Settings
) -> pl.DataFrame:
    t = settings.trend
    is_time = rule.check == "build_up_time"
    rising = is_rising(t, rise_share=t.rise_share if is_time else t.cut_out_rise_share, level_share=None)
    if is_time:  # of two times' negative inverses, the ratio is that of the times upside down
        rising &= pl.col("limit") / pl.col("level") >= t.build_up_level_share
    clear = of_days_over(found.filter(rising), last)
    newest = of_check.sort(*UNIT, "end").group_by(UNIT, maintain_order=True).agg(
        pl.col("trailer", "circuit", "judged", "measure").last(), updated=pl.col("end").last(), edge=_edge(rule).last()
    )  # fmt: skip
    return (
        clear.group_by(UNIT, maintain_order=True)
        .agg(opened=pl.col("end").min(), last_seen=pl.col("end").max())
        .join(newest, on=UNIT, maintain_order="left")
        .with_columns(
            confidence=pl.lit(0.6),
            n_since=pl.lit(0, pl.UInt32),
            verdict=pl.lit("trend"),
            part=pl.lit(""),
            note=pl.lit(""),
        )
        .select(
            *UNIT, "trailer", "circuit", "judged", "edge", "measure", "confidence", "updated", "last_seen", "opened",
            "n_since", "verdict", "part", "note",
        )
    )  # fmt: skip


def _alert(row: dict[str, Any], rule: Rule, found: pl.DataFrame | None, settings: Settings) -> tuple[object, ...]:
    verdict: Literal["fail", "watch"] = "fail" if row["verdict"] == "fail" else "watch"
    value, edge, note = row["judged"], row["edge"], str(row["note"])
    says = rule.says.format(
        value=figure(value),
        limit="none" if edge is None else figure(edge),
        measure=row["measure"],
        note=note,
        circuit=row["circuit"],
        part=row["part"],
    )
    crosses = _crossing(row, found, settings)
    severity = rule.severity.get(verdict, "low")
    if row["verdict"] == "trend":
        updated, likely = row["updated"], crosses[1]
        days = None if likely is None else (likely - updated) / timedelta(days=1)
        severity = "medium" if days is not None and days <= settings.urgency.medium_days else "low"
        says = f"{says}; moves towards it" + ("" if likely is None else f", likely crossed about {likely:%d %b}")
    if gone := not_seen(row["last_seen"], row["updated"], row["n_since"], "readings", settings.quiet):
        says = f"{says}; {gone}"
    details = {
        "beyond_since": utc_text(None if row["verdict"] == "trend" else row["opened"]),
        "inspect": rule.inspect,
        "measured": {
            "check": rule.check,
            "circuit": rule.circuit,
            "judged": value,
            "limit": edge,
            "measure": row["measure"],
        },
        "reason": rule.reason,
        "rule": {"of_last": rule.of_last, "at_least": rule.at_least},
    }
    whose = (row["fleet"], row["unit"], row["trailer"], rule.fault, rule.names or row["circuit"])
    id_ = alert_id(str(row["fleet"]), str(row["unit"]), rule.fault)
    return (
        id_, *whose, severity, row["confidence"], row["opened"], row["updated"], *crosses, "open", says,
        msgspec.json.encode(details).decode(),
    )  # fmt: skip


def _crossing(row: dict[str, Any], found: pl.DataFrame | None, settings: Settings) -> Crossing:
    mine = (pl.col("fleet") == row["fleet"]) & (pl.col("unit") == row["unit"])
    return crossing(pl.DataFrame() if found is None else found.filter(mine), settings.trend)
