"""Frames of samples for the tests of derivations."""

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
import polars as pl

from airwatch.contract.columns import COLUMNS, SAMPLE_SCHEMA
from airwatch.derive.frames import FACTS
from airwatch.derive.phases import add_phases
from airwatch.derive.runs import assign_runs, run_table

T0 = datetime(2031, 2, 3, 6)  # noqa: DTZ001 inside the program times are UTC without a zone


def samples(
    seconds: Sequence[float] | np.ndarray, *, unit: str = "K-1", trailer: str | None = None, **columns: object
) -> pl.DataFrame:
    """Make samples of one unit at ``seconds`` after `T0`; a column is a sequence or one value for all."""
    n = len(seconds)
    given = {name: list(values) if np.ndim(values) else [values] * n for name, values in columns.items()}
    return pl.DataFrame(
        {
            "fleet": ["north"] * n,
            "unit": [unit] * n,
            "t": [T0 + timedelta(seconds=float(s)) for s in seconds],
            "trailer": [trailer] * n,
            **{column.name: given.get(column.name, [None] * n) for column in COLUMNS},
        },
        schema=SAMPLE_SCHEMA,
        strict=False,
    )


def in_runs(frame: pl.DataFrame) -> tuple[pl.DataFrame, pl.DataFrame]:
    """Add phases and runs; give the samples and the table of runs."""
    cut = assign_runs(add_phases(frame))
    return cut, run_table(cut)


def facts(unit: str = "K-1", **known: object) -> pl.DataFrame:
    """Make the facts of one unit: a registered tractor governed at 2000 1/min."""
    row = {
        "fleet": "north",
        "unit": unit,
        "kind": "tractor",
        "rule_set": "us",
        "is_registered": True,
        "governed_rpm": 2000.0,
        "is_speed_assumed": False,
        "reservoir_ratio": 1.0,
        "supply_l": 30.0,
        "primary_l": 45.0,
        "secondary_l": 45.0,
        "cut_out_kpa": 895.0,
        "is_towing": True,
    }
    return pl.DataFrame([{**row, **known}], schema=FACTS)


def rounded(kpa: np.ndarray, step: float = 8.0) -> np.ndarray:
    """Round as a sensor that reports in steps does."""
    return np.floor(kpa / step + 0.5) * step
