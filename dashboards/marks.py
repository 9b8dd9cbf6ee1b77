"""What goes over a pressure history: what the unit was doing, and what happened."""

from datetime import datetime, timedelta

import polars as pl

from airwatch.contract.columns import TIME
from airwatch.derive.facts import unit_facts
from airwatch.derive.phase_intervals import PHASE_INTERVALS, phase_intervals
from airwatch.derive.phases import add_phases
from airwatch.derive.runs import assign_runs
from airwatch.store.database import Store
from airwatch.store.derivation import WINDOWS, read_events, read_samples
from airwatch.store.registry import current
from airwatch.store.results import alerts
from dashboards.figures.pressure import LONGEST_LANES
from dashboards.words import fault_name

MOST_EVENTS = 400
"""Of one kind; more of them could not be told apart."""

EVENTS = pl.Schema({"t": TIME, "kind": pl.String(), "text": pl.String()})


def unit_marks(
    store: Store, fleet: str, unit: str, start: datetime, end: datetime
) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Give phases (as `PHASE_INTERVALS`; none for a long span) and events (as `EVENTS`) between two times."""
    window = pl.DataFrame([(fleet, unit, start, end + timedelta(milliseconds=1), 0)], schema=WINDOWS, orient="row")
    events = pl.concat([_events(read_events(store, window), start, end), _alerts(store, fleet, unit, start, end)])
    phases = pl.DataFrame(schema=PHASE_INTERVALS)
    if end - start <= LONGEST_LANES and (samples := read_samples(store, window)).height:
        phases = phase_intervals(assign_runs(add_phases(samples)), unit_facts(window, current(store)))
    return phases, events


def _events(found: dict[str, pl.DataFrame], start: datetime, end: datetime) -> pl.DataFrame:
    governor = found["governor_events"].select(
        "t", "kind", text=pl.format("governor {}", pl.col("kind").str.replace("_", "-"))
    )
    lamps = (
        found["lamp_events"]
        .filter(pl.col("lamp") != "key")
        .select(
            "t",
            kind=pl.lit("lamp"),
            text=pl.format(
                "{} lamp {}",
                pl.col("lamp").str.replace("_", " "),
                pl.when("is_on").then(pl.lit("on")).otherwise(pl.lit("off")),
            ),
        )
    )
    codes = (
        found["fault_codes"]
        .group_by("t", maintain_order=True)
        .agg(text=pl.format("SPN {} FMI {}", "spn", "fmi").unique(maintain_order=True).str.join(", "))
        .select("t", kind=pl.lit("code"), text="text")
    )
    events = pl.concat([frame.cast(EVENTS) for frame in (governor, lamps, codes)])
    inside = events.filter(pl.col("t").is_between(start, end)).sort("t")
    few = pl.len().over("kind") <= MOST_EVENTS
    return inside.filter(few)


def _alerts(store: Store, fleet: str, unit: str, start: datetime, end: datetime) -> pl.DataFrame:
    found = alerts(store, fleet, unit).filter(pl.col("opened").is_between(start, end))
    rows = [(row["opened"], "alert", f"alert: {fault_name(row['fault'])}") for row in found.iter_rows(named=True)]
    return pl.DataFrame(rows, schema=EVENTS, orient="row")
