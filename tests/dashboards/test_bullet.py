import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.bullet import WIDTH, bullet

numbers = st.floats(-1e6, 1e6)


def test_places_are_to_scale() -> None:
    placed = bullet(50.0, 40.0, 60.0, limit_low=None, limit_high=100.0, from_zero=True)
    assert placed is not None
    assert placed.high_edge_x == pytest.approx(WIDTH / 1.08, abs=0.1)
    assert placed.value_x == pytest.approx(placed.high_edge_x / 2, abs=0.1)
    assert placed.low_edge_x is None


def test_no_value_no_figure() -> None:
    assert bullet(None, None, None, limit_low=1.0, limit_high=None, from_zero=True) is None


@given(numbers, st.none() | numbers, st.none() | numbers, st.booleans())
def test_everything_lies_on_the_line(value: float, low: float | None, high: float | None, from_zero: bool) -> None:  # noqa: FBT001
    placed = bullet(value, value - 1, value + 1, limit_low=low, limit_high=high, from_zero=from_zero)
    assert placed is not None
    places = (placed.value_x, placed.lower_x, placed.upper_x, placed.low_edge_x, placed.high_edge_x)
    assert all(0 <= x <= WIDTH for x in places if x is not None)
    assert placed.lower_x <= placed.value_x <= placed.upper_x
