from datetime import timedelta

import polars as pl
import pytest

from airwatch.derive.data_quality import LEDGER, data_quality
from tests.derive.samples import T0


def row(seq: int, minute: float, *, delay_s: float = 2.0, **other: object) -> dict[str, object]:
    """Make a ledger row of a block of a minute that begins at ``minute`` and arrives ``delay_s`` after its end."""
    first, last = T0 + timedelta(minutes=minute), T0 + timedelta(minutes=minute, seconds=59)
    return {
        "fleet": "north", "unit": "K-1", "stream": "pressure", "seq": seq, "t_first": first, "t_last": last,
        "received": last + timedelta(seconds=delay_s), "n_rows": 60, "n_new": 60, "n_conflicting": 0,
        "n_out_of_range": 0, "n_cells": 240, "n_null": 0, **other,
    }  # fmt: skip


def told(*rows: dict[str, object]) -> dict[str, object]:
    return data_quality(pl.DataFrame(list(rows), schema=LEDGER)).row(0, named=True)


def test_a_plain_day_has_nothing_to_say() -> None:
    day = told(*(row(k, k) for k in range(100)))
    assert (day["n_messages"], day["n_rows"], day["n_missing"], day["n_gaps"], day["flags"]) == (100, 6000, 0, 0, "")
    assert (day["lateness_median_s"], day["clock_offset_s"], day["longest_gap_s"]) == (2.0, -2.0, None)


def test_numbers_that_never_came_are_missing_and_late_ones_are_not() -> None:
    lost = told(*(row(k, k) for k in range(20) if k not in (7, 8)))
    assert (lost["n_missing"], lost["flags"]) == (2, "messages missing")
    late = told(*(row(k, k, delay_s=7200 if k in (7, 8) else 2) for k in range(20)))
    assert (late["n_missing"], late["n_out_of_order"], late["lateness_max_s"]) == (0, 2, 7200)


def test_a_new_gateway_counts_from_zero() -> None:
    day = told(*(row(k + 500, k) for k in range(10)), *(row(k, 10 + k) for k in range(10)))
    assert (day["n_restarts"], day["n_missing"], day["flags"]) == (1, 0, "numbering restarted")


@pytest.mark.parametrize(
    ("delay_s", "flags"),
    [(-3600, "clock ahead"), (-4, ""), (600, ""), (3600, "clock behind or link slow")],
)
def test_a_clock_that_is_off_is_flagged(delay_s: float, flags: str) -> None:
    day = told(*(row(k, k, delay_s=delay_s + k % 3) for k in range(30)))
    assert day["flags"] == flags
    assert day["clock_offset_s"] == -delay_s


def test_silence_nulls_repeats_and_range_are_counted() -> None:
    day = told(
        row(0, 0, n_null=200),
        row(1, 1, n_null=200, n_new=0, n_conflicting=3),
        row(2, 200, n_null=100, n_out_of_range=5),
    )
    assert (day["n_gaps"], day["longest_gap_s"]) == (1, pytest.approx(199 * 60 - 60 + 1))
    assert (day["n_repeated"], day["null_share"]) == (60, pytest.approx(500 / 720))
    assert day["flags"] == "repeats differ; values out of range; many nulls"


def test_days_streams_and_units_are_told_apart_and_gaps_reach_over_midnight() -> None:
    rows = [row(0, 0), row(1, 24 * 60), row(0, 0, unit="K-2"), row(5, 0, stream="faults")]
    days = data_quality(pl.DataFrame(rows, schema=LEDGER))
    assert days.select("unit", "stream", "n_gaps").rows() == [
        ("K-1", "faults", 0), ("K-1", "pressure", 0), ("K-1", "pressure", 1), ("K-2", "pressure", 0),
    ]  # fmt: skip
