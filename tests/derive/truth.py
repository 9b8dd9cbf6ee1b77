"""Simulated units as their gateways would send them, with what really happened beside each sample."""

from dataclasses import replace
from datetime import timedelta
from functools import cache

import numpy as np
import polars as pl

from airwatch.contract.columns import COLUMNS, SAMPLE_SCHEMA
from airwatch.derive.phases import add_phases
from airwatch.derive.runs import assign_runs
from pipelines.simulation.faults import FaultKind
from pipelines.simulation.fleet import simulate_fleet
from pipelines.simulation.run import FleetRun, Track
from pipelines.simulation.scenario import MINIMUM_COLUMNS, Scenario
from pipelines.simulation.sensors import readings

TRUTH = pl.Schema(
    {
        "true_supply_kpa": pl.Float64(),
        "true_primary_kpa": pl.Float64(),
        "true_secondary_kpa": pl.Float64(),
        "true_loaded": pl.Boolean(),
        "true_cut_out_kpa": pl.Float64(),
        "true_cut_in_kpa": pl.Float64(),
    }
)
"""What `seen_and_true` puts beside each sample."""


@cache
def simulated(
    seed: int, n_units: int, *, faulty: FaultKind | None = None, more_columns: tuple[str, ...] = ()
) -> pl.DataFrame:
    """Give a Monday of a fleet that sends the minimum and ``more_columns``; each unit has the fault that is named."""
    kinds = () if faulty is None else (faulty,)
    share = 0.0 if faulty is None else 1.0
    fleet = simulate_fleet(seed, n_units, 1, faulty_share=share, kinds=kinds, extra_columns_share=0.0)
    faults = tuple(replace(fault, began_day=0.0, onset="step") for fault in fleet.labels)
    return seen_and_true(replace(fleet.scenario, faults=faults), (*MINIMUM_COLUMNS, *more_columns))


def seen_and_true(scenario: Scenario, columns: tuple[str, ...] | None = None) -> pl.DataFrame:
    """Give samples with phases and runs, and the columns of `TRUTH`; ``columns`` instead of what each gateway sends."""
    parts = []
    fleet = FleetRun(scenario)
    rng = np.random.default_rng(scenario.seed)
    for day, tracks in enumerate(fleet.days()):
        for at, track in enumerate(tracks):
            vehicle, _ = fleet._rig(track.unit, day, float(track.t_s[0]))  # its governor on that day
            parts.append((at, _frame(track, vehicle.cut_out_kpa, vehicle.cut_in_kpa, scenario, rng, columns)))
    joined = pl.concat([frame for _, frame in sorted(parts, key=lambda part: part[0])])
    kept = joined.unique(["fleet", "unit", "t"], maintain_order=True, keep="first").sort("fleet", "unit", "t")
    cut = assign_runs(add_phases(kept.select(SAMPLE_SCHEMA.keys())))
    return pl.concat([cut, kept.select(TRUTH.keys())], how="horizontal")


def _frame(
    track: Track,
    cut_out_kpa: float,
    cut_in_kpa: float,
    scenario: Scenario,
    rng: np.random.Generator,
    columns: tuple[str, ...] | None,
) -> pl.DataFrame:
    gateway = track.unit.gateway if columns is None else replace(track.unit.gateway, columns=columns)
    seen = readings(track, gateway, rng)
    n = len(track.t_s)
    begin = scenario.start.replace(tzinfo=None)
    at = [begin + timedelta(microseconds=round(s * 1e6)) for s in track.t_s]
    flags = {column.name for column in COLUMNS if column.is_switch}
    values = {
        column.name: pl.Series(seen[column.name], nan_to_null=True) if column.name in seen else [None] * n
        for column in COLUMNS
    }
    return pl.DataFrame(
        {
            "fleet": [track.unit.vehicle.fleet] * n,
            "unit": [track.unit.vehicle.name] * n,
            "t": pl.Series(at, dtype=pl.Datetime("us")),
            "trailer": [track.trailer or ""] * n,
            **values,
            "true_supply_kpa": track.tanks_kpa[0],
            "true_primary_kpa": track.tanks_kpa[1],
            "true_secondary_kpa": track.tanks_kpa[2],
            "true_loaded": track.is_loaded,
            "true_cut_out_kpa": [cut_out_kpa] * n,
            "true_cut_in_kpa": [cut_in_kpa] * n,
        },
        strict=False,
    ).cast(
        {
            **{name: SAMPLE_SCHEMA[name] for name in flags},
            **{k: v for k, v in SAMPLE_SCHEMA.items() if k not in flags},
            **TRUTH,
        }
    )
