import pytest

from airwatch.limits.units_of_measure import KPA_PER_PSI, from_canonical, pressure_unit, to_canonical


# NIST SP 811 (2008), appendix B.8: psi to kPa 6.894 757 E+00, bar to kPa 1.0 E+02.
def test_factors_are_those_of_nist() -> None:
    assert round(KPA_PER_PSI, 6) == 6.894757
    assert to_canonical(1.0, "bar") == 100.0
    assert to_canonical(1.0, "MPa") == 1000.0


@pytest.mark.parametrize(
    ("value", "measure", "pressure", "shown"),
    [
        (689.4757, "kPa", "psi", 100.0),
        (850.0, "kPa", "bar", 8.5),  # UN R13 writes 8.5 bar, 850 kPa
        (13.789514, "kPa/min", "psi", 2.0),
        (45.0, "s", "psi", 45.0),
        (25.0, "%", "bar", 25.0),
    ],
)
def test_results_in_a_readers_unit(value: float, measure: str, pressure: str, shown: float) -> None:
    assert from_canonical(value, measure, pressure) == pytest.approx(shown, rel=1e-7)


def test_a_unit_that_is_none_of_pressure_is_refused() -> None:
    with pytest.raises(KeyError):
        from_canonical(1.0, "kPa", "atm")


def test_the_pressure_in_a_rate() -> None:
    assert [pressure_unit(unit) for unit in ("psi", "kPa/min", "MPa/30 min", "s", "1/h")] == [
        "psi", "kPa", "MPa", None, None,
    ]  # fmt: skip
