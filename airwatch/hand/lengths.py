"""Units that hand measurements are typed in, and numbers as a shop writes them."""

import re
from fractions import Fraction

from airwatch.limits.units_of_measure import KPA_PER

MM_PER = {"mm": 1.0, "cm": 10.0, "in": 25.4}
"""The inch is exact: NIST SP 811 (2008), appendix B.6."""

UNITS_OF: dict[str, dict[str, float]] = {
    "length": MM_PER,
    "pressure": KPA_PER,
    "pressure rate": {f"{unit}/min": factor for unit, factor in KPA_PER.items()},
    "time": {"s": 1.0, "min": 60.0},
}
"""By dimension: unit to the factor to the canonical one, which has the factor 1."""

CANONICAL = {"length": "mm", "pressure": "kPa", "pressure rate": "kPa/min", "time": "s"}

_NUMBER = re.compile(
    r"(?P<minus>-)?(?:(?P<decimal>\d+(?:\.\d*)?|\.\d+)|(?:(?P<whole>\d+)[ -])?(?P<over>\d+)/(?P<under>\d+))"
)


def parse_number(text: str) -> float:
    """Read a number as a shop writes it: ``44.5``, ``1 3/4``, ``1-3/4`` or ``7/16``.

    Raises
    ------
    ValueError
        It is none of these.
    """
    found = _NUMBER.fullmatch(text.strip())
    if found is None or (found["under"] is not None and int(found["under"]) == 0):
        raise ValueError(f"{text!r} is no number; write 44.5, 1 3/4 or 7/16")
    if found["decimal"] is not None:
        value = float(found["decimal"])
    else:
        value = float(int(found["whole"] or 0) + Fraction(int(found["over"]), int(found["under"])))
    return -value if found["minus"] else value


def inches_text(mm: float) -> str:
    """Write a length as inches to the nearest sixteenth, as a tape has it: ``1 3/4 in``."""
    whole, part = divmod(round(Fraction(mm / MM_PER["in"]).limit_denominator(1_000_000) * 16), 16)
    fraction = Fraction(part, 16)
    words = [str(whole)] if whole or not part else []
    return " ".join([*words, *([f"{fraction.numerator}/{fraction.denominator}"] if part else [])]) + " in"
