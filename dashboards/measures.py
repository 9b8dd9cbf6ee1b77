"""Pressures in the reader's unit of measure. The only place where a shown number is converted."""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

from airwatch.limits.table import shipped_defaults
from airwatch.limits.units_of_measure import from_canonical

PressureUnit = Literal["kPa", "psi", "bar"]
PRESSURE_UNITS: tuple[PressureUnit, ...] = get_args(PressureUnit)

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
_IN_KPA = re.compile(r"(?<![\w.])(\d+(?:\.\d+)?)(?:( to | and |-)(\d+(?:\.\d+)?))? (kPa(?:/min)?)(?![\w/])")


@dataclass(frozen=True, slots=True)
class Measures:
    """How values of the store are shown: pressures and pressure rates in ``pressure``, all else as it is."""

    pressure: PressureUnit = "kPa"

    def unit(self, measure: str) -> str:
        """Give the unit that values of ``measure`` are shown in."""
        return measure.replace("kPa", self.pressure)

    def factor(self, measure: str) -> float:
        """Give what a stored value of ``measure`` is multiplied by."""
        return from_canonical(1.0, measure, self.pressure)

    def number(self, value: float | None, measure: str) -> str:
        """Write a stored value without its unit; a dash where there is none."""
        if value is None:
            return "\N{EN DASH}"
        decimals = _DECIMALS.get(self.unit(measure), 2)
        text = f"{from_canonical(value, measure, self.pressure):.{decimals}f}"
        return text.removeprefix("-") if float(text) == 0 else text

    def text(self, value: float | None, measure: str) -> str:
        """Write a stored value with its unit; counts have none."""
        if value is None or measure == "count":
            return self.number(value, measure)
        return f"{self.number(value, measure)} {self.unit(measure)}"

    def sentence(self, text: str) -> str:
        """Write a stored sentence (a note, a summary), whose pressures are in kPa, with pressures in ``pressure``."""
        return text if self.pressure == "kPa" else _IN_KPA.sub(self._converted, text)

    def _converted(self, found: re.Match[str]) -> str:
        first, word, second, measure = found.groups()
        span = f"{self.number(float(first), measure)}{word}" if second else ""
        return f"{span}{self.text(float(second or first), measure)}"


def usual_unit(rule_sets: Iterable[str | None]) -> PressureUnit:
    """Give the unit in which a reader expects the pressures of units of these rule sets, kPa where they differ.

    None stands for a unit that is not registered, and that is judged by the default rule set.
    """
    defaults = shipped_defaults()
    named = [rule_set or defaults.default_rule_set for rule_set in rule_sets] or [defaults.default_rule_set]
    usual = {defaults.rule_set[name].shown_in if name in defaults.rule_set else "kPa" for name in named}
    return usual.pop() if len(usual) == 1 else "kPa"
