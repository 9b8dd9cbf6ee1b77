"""Changes of daily levels, beside a library for change points and beside drawn histories whose change is known."""

import numpy as np
import pytest
import ruptures

from airwatch.alerts.changes import Change, change_of
from airwatch.alerts.settings import shipped_settings

SETTINGS = shipped_settings().changes
FLOOR = 0.5  # kPa/min, the scatter of a day that is always assumed


def drawn(rng: np.random.Generator, kind: str, *, rise: float, sd: float = 1.0) -> tuple[np.ndarray, np.ndarray, int]:
    """Draw 28 days, some of them missing, with a change that begins on day 12; gives days, levels, begin."""
    days = np.sort(rng.choice(28, 24, replace=False)).astype(float)
    share = {"none": 0.0 * days, "step": (days >= 12) * 1.0, "ramp": np.clip((days - 12) / 12.0, 0.0, 1.0)}[kind]
    levels = 2.0 + rise * share + rng.normal(0.0, sd, days.size)
    levels[rng.integers(days.size)] += 8.0 * sd  # one odd day
    return days, levels, 12


def found(kind: str, *, rise: float, n: int = 200) -> list[Change]:
    rng = np.random.default_rng(20 + len(kind))
    return [change_of(*drawn(rng, kind, rise=rise)[:2], FLOOR, SETTINGS) for _ in range(n)]


def test_levels_without_change_show_none() -> None:
    changes = found("none", rise=0.0)
    assert np.mean([c.kind != "none" for c in changes]) < 0.05


@pytest.mark.parametrize("kind", ["step", "ramp"])
def test_a_large_change_is_told_from_the_other_kind(kind: str) -> None:
    changes = found(kind, rise=20.0)
    assert np.mean([c.kind in (kind, "unclear") for c in changes]) > 0.95
    assert np.mean([c.kind == kind for c in changes]) > 0.8
    assert abs(np.median([c.after - c.before for c in changes]) - 20.0) < 1.5


def test_steps_lie_where_a_library_for_change_points_finds_them() -> None:
    """`ruptures` (Truong, Oudre, Vayatis: Signal Processing 167 (2020) 107299) with absolute deviations as cost."""
    rng = np.random.default_rng(4)
    apart = []
    for _ in range(100):
        days, levels, _ = drawn(rng, "step", rise=12.0)
        (at, _) = ruptures.Dynp(model="l1", min_size=2, jump=1).fit(levels).predict(n_bkps=1)
        change = change_of(days, levels, FLOOR, SETTINGS)
        apart.append(change.kind == "step" and change.last_day == days[at])
    assert np.mean(apart) > 0.9


def test_few_days_tell_nothing() -> None:
    change = change_of(np.arange(3.0), np.array([1.0, 1.0, 30.0]), FLOOR, SETTINGS)
    assert change.kind == "none"


def test_a_ramp_that_goes_on_is_followed_to_the_last_day() -> None:
    days = np.arange(14.0)
    change = change_of(days, np.maximum(days - 6.0, 0.0) * 2.0, FLOOR, SETTINGS)
    assert (change.kind, change.first_day) == ("ramp", 6.0)
    assert change.last_day >= 12.0  # what is left is less than the scatter that is assumed
    assert change.after >= 13.0
