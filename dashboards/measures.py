"""Pressures in the reader's unit of measure. The only place where a shown number is converted."""

from dataclasses import dataclass
from typing import Literal, get_args

from airwatch.limits.units_of_measure import KPA_PER_BAR, KPA_PER_PSI

PressureUnit = Literal["kPa", "psi", "bar"]
PRESSURE_UNITS: tuple[PressureUnit, ...] = get_args(PressureUnit)

_KPA_PER = {"kPa": 1.0, "psi": KPA_PER_PSI, "bar": KPA_PER_BAR}
_DECIMALS = {
    "kPa": 0,
    "psi": 1,
    "bar": 2,
    "kPa/min": 1,
    "psi/min": 2,
    "bar/min": 3,
    "s": 1,
    "%": 1,
    "1/h": 1,
    "count": 0,
}


@dataclass(frozen=True, slots=True)
class Measures:
    """How values of the store are shown: pressures and pressure rates in ``pressure``, all else as it is."""

    pressure: PressureUnit = "kPa"

    def unit(self, measure: str) -> str:
        """Give the unit that values of ``measure`` are shown in."""
        return measure.replace("kPa", self.pressure)

    def factor(self, measure: str) -> float:
        """Give what a stored value of ``measure`` is multiplied by."""
        return 1.0 / _KPA_PER[self.pressure] if measure.startswith("kPa") else 1.0

    def number(self, value: float | None, measure: str) -> str:
        """Write a stored value without its unit; a dash where there is none."""
        if value is None:
            return "\N{EN DASH}"
        decimals = _DECIMALS.get(self.unit(measure), 2)
        text = f"{value * self.factor(measure):.{decimals}f}"
        return text.removeprefix("-") if float(text) == 0 else text

    def text(self, value: float | None, measure: str) -> str:
        """Write a stored value with its unit; counts have none."""
        if value is None or measure == "count":
            return self.number(value, measure)
        return f"{self.number(value, measure)} {self.unit(measure)}"
