"""Units of measure of limits and results. Factors from NIST SP 811 (2008), appendix B.8."""

KPA_PER_PSI = 6.894757
KPA_PER_BAR = 100.0
ATMOSPHERE_KPA = 101.325
"""Standard atmosphere, added to a gauge pressure where physics needs the absolute one."""

TO_CANONICAL: dict[str, tuple[str, float]] = {
    "psi": ("kPa", KPA_PER_PSI),
    "kPa": ("kPa", 1.0),
    "psi/min": ("kPa/min", KPA_PER_PSI),
    "kPa/min": ("kPa/min", 1.0),
    "s": ("s", 1.0),
    "%": ("%", 1.0),
    "1/h": ("1/h", 1.0),
    "count": ("count", 1.0),
}
"""A limit's own unit to the unit that results use, and the factor to it."""
