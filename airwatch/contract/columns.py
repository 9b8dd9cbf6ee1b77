"""The columns of a sample and the range that the vehicle's bus can carry for each.

Ranges are those of SAE J1939-71 parameters, as public repositories give them: pressures 0 to 2000 kPa (SPN 46 and
kin, 8 kPa a bit, 250 valid codes), engine speed 0 to 8031.875 rpm (SPN 190, 0.125 rpm a bit, 0xFAFF), speed 0 to
250.996 km/h (SPN 84, 1/256 km/h a bit, 0xFAFF), ambient -273 to 1734.97 deg C (SPN 171, 0.03125 a bit, 0xFAFF).
"""

from dataclasses import dataclass

import polars as pl


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a sample: ``low`` and ``high`` are the least and greatest value the bus can carry, inclusive."""

    name: str
    low: float
    high: float
    is_switch: bool = False

    @property
    def dtype(self) -> pl.DataType:
        """Float64 for what is measured, Int8 for a switch (0, 1 or null)."""
        return pl.Int8() if self.is_switch else pl.Float64()


_FULL_SCALE_16_BIT = 0xFAFF  # the greatest valid code of a 16-bit J1939 value; above it lie 'error' and 'not available'

COLUMNS: tuple[Column, ...] = (
    Column("supply_kpa", 0.0, 2000.0),
    Column("primary_kpa", 0.0, 2000.0),
    Column("secondary_kpa", 0.0, 2000.0),
    Column("trailer_kpa", 0.0, 2000.0),
    Column("application_kpa", 0.0, 2000.0),
    Column("engine_rpm", 0.0, _FULL_SCALE_16_BIT * 0.125),
    Column("speed_kph", 0.0, _FULL_SCALE_16_BIT / 256),
    Column("ambient_c", -273.0, _FULL_SCALE_16_BIT * 0.03125 - 273.0),
    Column("park_brake", 0, 1, is_switch=True),
    Column("service_brake", 0, 1, is_switch=True),
    Column("low_air_warning", 0, 1, is_switch=True),
    Column("compressor_loaded", 0, 1, is_switch=True),
)
COLUMN_NAMES: tuple[str, ...] = tuple(column.name for column in COLUMNS)

TIME: pl.DataType = pl.Datetime("us")
"""Every time inside the program: UTC, written without a zone."""

SAMPLE_SCHEMA = pl.Schema(
    {
        "fleet": pl.String(),
        "unit": pl.String(),
        "t": TIME,
        "trailer": pl.String(),
        **{column.name: column.dtype for column in COLUMNS},
    }
)
"""A frame of samples. ``trailer`` is "" when the unit is known to be bobtail, null when that is not known."""
