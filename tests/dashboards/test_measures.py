import pytest

from dashboards.measures import Measures, usual_unit


# 120 psi and 3 psi/min by NIST SP 811 (2008), appendix B.8.
@pytest.mark.parametrize(
    ("pressure", "value", "measure", "text"),
    [
        ("kPa", 827.37084, "kPa", "827 kPa"),
        ("psi", 827.37084, "kPa", "120.0 psi"),
        ("bar", 827.37084, "kPa", "8.27 bar"),
        ("psi", 20.684271, "kPa/min", "3.00 psi/min"),
        ("psi", 45.0, "s", "45.0 s"),
        ("psi", 2.0, "count", "2"),
        ("kPa", -0.01, "kPa/min", "0.0 kPa/min"),
        ("kPa", None, "kPa", "\N{EN DASH}"),
    ],
)
def test_text(pressure: str, value: float | None, measure: str, text: str) -> None:
    assert Measures(pressure).text(value, measure) == text  # type: ignore[arg-type]


# 8 kPa and 4 kPa are the steps of J1939's AIR1 and B1: 1.16 and 0.58 psi.
@pytest.mark.parametrize(
    ("stored", "shown"),
    [
        ("loses 38.9 kPa/min; limit 20.7 kPa/min", "loses 5.64 psi/min; limit 3.00 psi/min"),
        ("steps of 8 kPa", "steps of 1.2 psi"),
        ("from 345-620 kPa in 61.0 s", "from 50.0-89.9 psi in 61.0 s"),
        ("between 392 and 400 kPa.", "between 56.9 and 58.0 psi."),
        ("unit K-204, 40 s, 12.5 %", "unit K-204, 40 s, 12.5 %"),
    ],
)
def test_sentences_are_written_in_the_readers_unit(stored: str, shown: str) -> None:
    assert Measures("psi").sentence(stored) == shown
    assert Measures().sentence(stored) == stored


@pytest.mark.parametrize(
    ("rule_sets", "unit"),
    [
        (["us"], "psi"),
        ([], "psi"),
        ([None], "psi"),
        (["ca_on"], "kPa"),
        (["us", "ca_on"], "kPa"),
        (["atlantis"], "kPa"),
    ],
)
def test_the_usual_unit_follows_the_rule_set(rule_sets: list[str | None], unit: str) -> None:
    assert usual_unit(rule_sets) == unit
