"""What the derivations take and give, and the check that a frame is what it should be."""

import numpy as np
import numpy.typing as npt
import polars as pl

from airwatch.contract.columns import TIME
from airwatch.errors import FrameError

UNIT = ["fleet", "unit"]
TANKS = ("supply", "primary", "secondary", "trailer")
"""Circuits with a pressure of their own; the column is ``{circuit}_kpa``."""

MEASURED = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "trailer": pl.String(),
        "circuit": pl.String(),
        "check": pl.String(),
        "start": TIME,
        "end": TIME,
        "value": pl.Float64(),
        "lower": pl.Float64(),
        "upper": pl.Float64(),
        "measure": pl.String(),
        "test": pl.String(),
        "part": pl.String(),
        "state": pl.String(),
        "note": pl.String(),
        "run_start": TIME,
    }
)
"""One row a measured thing, before it is judged.

``trailer`` is "" for bobtail, null where not known. ``test`` names which of several tests of a check it is; ``part``
the component (a wheel end, say); ``state`` what a fault is now: active, intermittent or cleared. The three are null
where they say nothing.
"""

_BEHIND = ("test", "part", "state", "note", "run_start")
READINGS = pl.Schema(
    {
        **{name: dtype for name, dtype in MEASURED.items() if name not in _BEHIND},
        "limit_low": pl.Float64(),
        "limit_high": pl.Float64(),
        "rule": pl.String(),
        "verdict": pl.String(),
        "note": pl.String(),
        "test": pl.String(),
        "part": pl.String(),
        "state": pl.String(),
        "run_start": TIME,
    }
)
"""One row a reading: the contract's columns, with the fleet in front and what else is known behind."""

FACTS = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "kind": pl.String(),
        "rule_set": pl.String(),
        "is_registered": pl.Boolean(),
        "governed_rpm": pl.Float64(),
        "is_speed_assumed": pl.Boolean(),
        "reservoir_ratio": pl.Float64(),
        "supply_l": pl.Float64(),
        "primary_l": pl.Float64(),
        "secondary_l": pl.Float64(),
        "cut_out_kpa": pl.Float64(),
        "is_towing": pl.Boolean(),
        "axles": pl.Int32(),
    }
)
"""What is known or assumed of each unit; null where it is neither.

``reservoir_ratio`` is actual / required volume; ``cut_out_kpa`` the governor's rated cut-out in the registry.
"""

RUN_SAMPLES = pl.Schema(
    {
        "run": pl.UInt32(),
        "t": TIME,
        "is_running": pl.Boolean(),
        "is_moving": pl.Boolean(),
        "is_parked": pl.Boolean(),
        "is_braking": pl.Boolean(),
    }
)
"""What `phases` and `runs` add to samples, and the derivations of one check rely on."""


def as_measured(frame: pl.DataFrame) -> pl.DataFrame:
    """Bring measured things into the columns of `MEASURED`; of these, what the frame lacks is null."""
    lacking = [pl.lit(None, dtype).alias(name) for name, dtype in MEASURED.items() if name not in frame.columns]
    return frame.with_columns(lacking).select(MEASURED.keys()).cast(MEASURED)


def require(frame: pl.DataFrame, schema: pl.Schema, what: str) -> None:
    """Check that ``frame`` has the columns of ``schema`` with their types.

    Raises
    ------
    FrameError
        One is missing or of another type; the text names ``what`` and the columns.
    """
    wrong = {name: frame.schema.get(name) for name, want in schema.items() if frame.schema.get(name) != want}
    if wrong:
        raise FrameError(f"{what} needs { ({name: schema[name] for name in wrong}) }; got {wrong}")


def floats(column: pl.Series) -> npt.NDArray[np.float64]:
    """Give the values of a column of floats, NaN for null; not a copy where there are no nulls.

    `Series.to_numpy` gives the same, but takes several times as long where there are nulls.
    """
    return (column.fill_null(np.nan) if column.null_count() else column).to_numpy()


def tank_pressures(samples: pl.DataFrame) -> dict[str, npt.NDArray[np.float64]]:
    """Give the pressures of the tanks that are sent, gauge kPa, NaN for null, by tank.

    Several checks need them as arrays, and columns with nulls have to be copied for it.
    """
    sent = [tank for tank in TANKS if samples[f"{tank}_kpa"].null_count() < samples.height]
    filled = samples.select(pl.col(f"{tank}_kpa").fill_null(np.nan).alias(tank) for tank in sent)
    return {tank: filled[tank].to_numpy() for tank in sent}


def seconds(span: pl.Expr) -> pl.Expr:
    """Turn a duration into seconds."""
    return span.dt.total_microseconds() / 1e6
