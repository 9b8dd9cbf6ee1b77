"""Scores by hand: small cases whose figures can be counted on fingers."""

import json
from datetime import datetime, timedelta

import polars as pl
import pytest

from airwatch.alerts.frames import ALERTS
from airwatch.alerts.score import LABELS, brier, by_fault, match, reliability, score
from tests.alerts.test_lifecycle import alert
from tests.derive.samples import T0

END = T0 + timedelta(days=28)


def label(
    unit: str, fault: str, *, trailer: str | None = None, circuit: str | None = None, onset: str = "step"
) -> tuple[object, ...]:
    return (unit, trailer, fault, circuit, T0 + timedelta(days=5), onset, None)


def labels(*rows: tuple[object, ...]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=LABELS, orient="row")


def found(unit: str, fault: str, day: float, *, beyond: datetime | None = None, **other: object) -> dict[str, object]:
    details = json.dumps({"beyond_since": None if beyond is None else f"{beyond.isoformat()}Z"})
    opened = T0 + timedelta(days=day)
    return alert(f"{unit}/{fault}/{day}", unit=unit, fault=fault, opened=opened, details=details) | other


def frame(*rows: dict[str, object]) -> pl.DataFrame:
    return pl.DataFrame(list(rows), schema=ALERTS)


def test_precision_recall_and_false_alerts() -> None:
    truth = labels(
        label("K-1", "leak_primary", circuit="primary"), label("K-2", "compressor_weak"), label("K-3", "abs_active")
    )
    got = frame(
        found("K-1", "leak_primary", 6),
        found("K-2", "leak_primary", 7),  # the wrong fault
        found("K-9", "leak_supply", 8),  # a healthy unit
        found("K-3", "abs_active", 6, state="dismissed"),  # nobody has to read it any more
    )
    matched = match(got, truth, END)
    result = score(matched, n_healthy_units=5, days=28.0)
    assert (result.n_alerts, result.n_labels, result.n_right) == (3, 3, 1)
    assert result.precision == pytest.approx(1 / 3)
    assert result.recall == pytest.approx(1 / 3)
    assert result.f1 == pytest.approx(1 / 3)
    assert result.false_per_100_healthy_unit_days == pytest.approx(100 / 140)
    assert by_fault(matched).filter(fault="leak_primary").select("right", "wrong", "missed").row(0) == (1, 1, 0)


def test_an_alert_before_the_fault_is_wrong_and_a_second_one_too() -> None:
    truth = labels(label("K-1", "leak_primary"))
    assert match(frame(found("K-1", "leak_primary", 3)), truth, END)["outcome"].to_list() == ["wrong", "missed"]
    twice = frame(found("K-1", "leak_primary", 6), found("K-1", "leak_primary", 9))
    assert match(twice, truth, END)["outcome"].to_list() == ["right", "wrong"]


def test_a_trailers_leak_is_found_on_whichever_tractor() -> None:
    truth = labels(label("K-1", "leak_trailer", trailer="R-1", circuit="trailer"))
    got = match(frame(found("K-7", "leak_trailer", 6, trailer="R-1", circuit="trailer")), truth, END)
    assert got.select("outcome", "is_right_circuit").row(0) == ("right", True)


def test_lead_is_from_the_alert_to_the_limit_crossed_in_fact() -> None:
    truth = labels(label("K-1", "leak_primary", onset="ramp"), label("K-2", "leak_primary", onset="ramp"))
    got = match(
        frame(
            found("K-1", "leak_primary", 7, beyond=T0 + timedelta(days=13)),
            found("K-2", "leak_primary", 20),  # never crossed: the recording's end stands for it
        ),
        truth,
        END,
    )
    assert got.sort("unit").select("lead_days", "is_lead_open").rows() == [(6.0, False), (8.0, True)]
    assert score(got, n_healthy_units=0, days=28.0).lead_days_median == 7.0
    assert score(got, n_healthy_units=0, days=28.0).false_per_100_healthy_unit_days is None


def test_confidence_beside_outcome_as_counted_by_hand() -> None:
    truth = labels(label("K-1", "leak_primary"), label("K-2", "leak_primary"), label("K-3", "leak_primary"))
    got = frame(
        found("K-1", "leak_primary", 6, confidence=0.92),
        found("K-2", "leak_primary", 6, confidence=0.98),
        found("K-3", "leak_supply", 6, confidence=0.55),  # wrong, and it said so
    )
    matched = match(got, truth, END)
    assert brier(matched) == pytest.approx((0.08**2 + 0.02**2 + 0.55**2) / 3)
    assert reliability(matched).rows() == [(pytest.approx(0.55), 1, 0.0), (pytest.approx(0.95), 2, 1.0)]
    assert brier(match(frame(), truth, END)) is None
