import pytest

from dashboards.measures import Measures


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
