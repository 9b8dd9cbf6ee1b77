"""All checks of a set of runs, judged."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import chain

import polars as pl

from airwatch.contract.batch import CODE_SCHEMA, GOVERNOR_SCHEMA, LAMP_SCHEMA, REPORT_SCHEMA
from airwatch.derive.abs_events import abs_events
from airwatch.derive.abs_faults import abs_fault_readings
from airwatch.derive.abs_lamps import abs_lamp_readings
from airwatch.derive.abs_self_check import abs_self_check_readings, dark_trailer_readings
from airwatch.derive.build_up import build_up_readings
from airwatch.derive.duty import duty_readings
from airwatch.derive.frames import FACTS, MEASURED, READINGS, UNIT, require, tank_pressures
from airwatch.derive.governor import governor_readings
from airwatch.derive.leak import leak_readings
from airwatch.derive.leak_running import leak_running_readings
from airwatch.derive.loaded import engine_clock
from airwatch.derive.low_air import low_air_readings
from airwatch.derive.phases import add_phases
from airwatch.derive.protection import protection_readings
from airwatch.derive.runs import assign_runs, run_table
from airwatch.derive.supply_drop import supply_drop_readings
from airwatch.derive.tuning import shipped_tuning
from airwatch.derive.turns import governor_turns
from airwatch.limits.judge import judge
from airwatch.limits.table import limits_frame, shipped_limits

_THREADS = 2  # more would wait for the interpreter lock


@dataclass(frozen=True, slots=True)
class Window:
    """Everything a derivation reads for a set of units: samples of whole runs, and the units' events and facts.

    ``samples`` is sorted by ``fleet, unit, t`` and begins each unit at a run's border. ``fault_reports``,
    ``fault_codes`` and ``lamp_events`` hold the units' whole history.
    """

    samples: pl.DataFrame
    governor_events: pl.DataFrame
    fault_reports: pl.DataFrame
    fault_codes: pl.DataFrame
    lamp_events: pl.DataFrame
    facts: pl.DataFrame


@dataclass(frozen=True, slots=True)
class Derived:
    """What a derivation gives: the runs it saw and every reading of them."""

    runs: pl.DataFrame
    readings: pl.DataFrame


RUNS = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "run_start": pl.Datetime("us"),
        "run_end": pl.Datetime("us"),
        "n_samples": pl.Int64(),
    }
)


def derive(window: Window) -> Derived:
    """Cut a window into runs, measure every check in them, and judge what was measured.

    Returns
    -------
    Derived
        ``runs``: ``fleet, unit, run_start, run_end, n_samples``. ``readings``: columns as
        `airwatch.derive.frames.READINGS`, sorted by unit, start and check.

    Raises
    ------
    FrameError
        A frame of the window is not what it should be.
    """
    samples = assign_runs(add_phases(window.samples))
    runs = run_table(samples)
    kpa_of = tank_pressures(samples)

    def of_cycles() -> list[pl.DataFrame]:
        turns = governor_turns(samples, runs, window.governor_events, kpa_of=kpa_of)
        clock = engine_clock(samples, shipped_tuning().duty.longest_gap_s)
        return [
            governor_readings(turns, runs, window.governor_events),
            duty_readings(samples, turns, runs, clock=clock),
            supply_drop_readings(samples, turns, runs, kpa_of=kpa_of),
            leak_running_readings(samples, turns, runs, clock=clock),
        ]

    def of_abs() -> list[pl.DataFrame]:
        lamps, reports, codes = window.lamp_events, window.fault_reports, window.fault_codes
        events = abs_events(lamps, reports, codes)
        return [
            abs_fault_readings(reports, codes, events=events),
            abs_self_check_readings(lamps, reports, codes, events=events),
            dark_trailer_readings(samples, runs, lamps, reports, events=events),
            abs_lamp_readings(lamps, reports, codes, events=events),
        ]

    families: list[Callable[[], list[pl.DataFrame]]] = [
        lambda: [leak_readings(samples, runs, kpa_of=kpa_of)],
        of_cycles,
        lambda: [build_up_readings(samples, runs, window.facts, kpa_of=kpa_of)],
        of_abs,
        lambda: [low_air_readings(samples, runs, window.lamp_events)],
        lambda: [protection_readings(samples, runs)],
    ]
    # side by side, for arrays are worked on without the interpreter lock; the longest ones first, and a thread that
    # is done takes the next, so that both are busy to the end whatever a fleet sends
    with ThreadPoolExecutor(_THREADS) as threads:
        measured = pl.concat(chain.from_iterable(threads.map(lambda family: family(), families)))
    return Derived(runs.select(RUNS.keys()), judged(measured, window.facts))


def judged(measured: pl.DataFrame, facts: pl.DataFrame) -> pl.DataFrame:
    """Judge measured things by the shipped limits; columns as `airwatch.derive.frames.READINGS`."""
    require(measured, MEASURED, "judged")
    require(facts, FACTS, "judged")
    known = measured.join(facts, on=UNIT, how="left", maintain_order="left")
    coupled = pl.when(pl.col("trailer").is_not_null()).then(pl.col("trailer") != "")  # "" is bobtail
    assumed = (
        pl.when("is_registered")
        .then(pl.col("note"))
        .otherwise(pl.format("{}; unit not in the registry, defaults of rule set {} used", "note", "rule_set"))
    )
    readings = judge(
        known.with_columns(is_combination=pl.coalesce(coupled, "is_towing"), note=assumed),
        limits_frame(shipped_limits()),
    )
    return (
        readings.with_columns(
            trailer=pl.when(pl.col("trailer") != "").then(pl.col("trailer")),
            note=pl.when(pl.col("remark").is_null())
            .then("note")
            .otherwise(pl.concat_str("note", "remark", separator="; ", ignore_nulls=True)),
        )
        .select(READINGS.keys())
        .cast(READINGS)
        .sort(*UNIT, "start", "check", "circuit", nulls_last=True)
    )


def empty_events() -> dict[str, pl.DataFrame]:
    """Give event frames without rows, for units that send none."""
    return {
        "governor_events": pl.DataFrame(schema=GOVERNOR_SCHEMA),
        "fault_reports": pl.DataFrame(schema=REPORT_SCHEMA),
        "fault_codes": pl.DataFrame(schema=CODE_SCHEMA),
        "lamp_events": pl.DataFrame(schema=LAMP_SCHEMA),
    }
