"""Units of measure: of limits, of results, and as readers want them.

Factors from NIST SP 811 (2008), appendix B.8; that of the psi follows exactly from the pound (0.453 592 37 kg),
standard gravity (9.806 65 m/s2) and the inch (25.4 mm), which are exact themselves (SP 811, B.9 and B.6).
"""

KPA_PER_PSI = 0.45359237 * 9.80665 / 0.0254**2 / 1000.0
KPA_PER_BAR = 100.0
KPA_PER_MPA = 1000.0
ATMOSPHERE_KPA = 101.325
"""Standard atmosphere, added to a gauge pressure where physics needs the absolute one."""

KPA_PER = {"kPa": 1.0, "psi": KPA_PER_PSI, "bar": KPA_PER_BAR, "MPa": KPA_PER_MPA}
"""Units of pressure, and of pressure rates when ``/min`` stands behind."""

TO_CANONICAL: dict[str, tuple[str, float]] = {
    **{unit: ("kPa", factor) for unit, factor in KPA_PER.items()},
    **{f"{unit}/min": ("kPa/min", factor) for unit, factor in KPA_PER.items()},
    "MPa/30 min": ("kPa/min", KPA_PER_MPA / 30.0),
    "MPa/15 min": ("kPa/min", KPA_PER_MPA / 15.0),
    "s": ("s", 1.0),
    "min": ("s", 60.0),
    "%": ("%", 1.0),
    "1/h": ("1/h", 1.0),
    "count": ("count", 1.0),
}
"""A limit's own unit to the unit that results use, and the factor to it."""


def from_canonical(value: float, measure: str, pressure: str) -> float:
    """Turn a result into the unit of pressure that a reader wants.

    Parameters
    ----------
    value : float
        In ``measure``.
    measure : str
        Unit of results; pressures (kPa) and pressure rates (kPa/min) are converted, all else stays as it is.
    pressure : str
        A key of `KPA_PER`.

    Raises
    ------
    KeyError
        ``pressure`` is no unit of pressure.
    """
    return value / KPA_PER[pressure] if measure.startswith("kPa") else value


def to_canonical(value: float, unit: str) -> float:
    """Turn a value in a limit's own unit into the unit of results.

    Raises
    ------
    KeyError
        ``unit`` is not in `TO_CANONICAL`.
    """
    return value * TO_CANONICAL[unit][1]


def pressure_unit(unit: str) -> str | None:
    """Give the unit of pressure in a unit of pressure or pressure rate; None where there is none in it."""
    pressure = unit.split("/", maxsplit=1)[0]
    return pressure if pressure in KPA_PER else None
