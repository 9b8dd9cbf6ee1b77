"""Brake tests, lamps and codes that arrive in any order give the same readings as all at once."""

import json
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from polars.testing import assert_frame_equal

from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from airwatch.store.database import Store
from airwatch.store.derivation import readings
from airwatch.store.telemetry import TelemetryWriter
from pipelines.derive import derive_new

DAYS = 4


def morning() -> dict[str, np.ndarray]:
    """Build up, stop the engine, fan the brakes until warning, trailer supply and parking valve act; drive an hour."""
    up = np.linspace(500, 860, 300)
    down = 860 - 12.0 * np.floor(np.arange(220) / 4)
    again = np.linspace(down[-1], 860, 480)
    kpa = np.concatenate([up, down, again, np.full(3600, 850.0)])
    second = np.arange(kpa.size)
    is_fanning = (second >= 300) & (second < 520)
    return {
        "primary_kpa": np.round(kpa / 8) * 8,
        "secondary_kpa": np.round(kpa / 8) * 8,
        "trailer_kpa": np.where(kpa < 262, 0.0, np.round(kpa / 8) * 8),
        "engine_rpm": np.where(is_fanning, 0, 900),
        "speed_kph": np.where(second > 1100, 60, 0),
        "park_brake": (kpa < 222).astype(int),
        "service_brake": is_fanning.astype(int),
        "low_air_warning": (kpa < 441).astype(int),
    }


def messages(unit: str) -> list[RawMessage]:
    out, values = [], morning()
    n = values["primary_kpa"].size
    for day in range(DAYS):
        for at in range(0, n, 60):
            t0 = f"2031-02-{3 + day:02d}T{6 + at // 3600:02d}:{at // 60 % 60:02d}:00Z"
            block = {name: column[at : at + 60].tolist() for name, column in values.items()}
            body = {
                "v": 1,
                "unit": unit,
                "seq": day * 100 + at // 60,
                "t0": t0,
                "dt_ms": 1000,
                "trailer": "R-77",
                **block,
            }
            out.append(RawMessage(f"air/v1/north/{unit}/pressure", json.dumps(body).encode(), 1))
        lamps = [("key", "06:00:00", True), ("tractor_abs", "06:00:00.4", True), ("tractor_abs", "06:00:03.4", False)]
        if day < 2:  # later the trailer's lamp stays dark
            lamps += [("trailer_abs", "06:00:00.4", True), ("trailer_abs", "06:00:03.4", False)]
        lamps.append(("key", "07:20:00", False))
        codes = [{"spn": 791, "fmi": 5, "count": day}] if day == 3 else []
        for k, (lamp, clock, is_on) in enumerate(lamps):
            t = f"2031-02-{3 + day:02d}T{clock}Z"
            body = {"v": 1, "unit": unit, "seq": day * 10 + k, "t": t, "source_address": 11}
            body |= {"lamps": [{"lamp": lamp, "t": t, "on": is_on}]} | ({"codes": codes} if lamp == "key" else {})
            out.append(RawMessage(f"air/v1/north/{unit}/faults", json.dumps(body).encode(), 1))
    return out


@pytest.mark.parametrize("seed", range(3))
def test_any_order_of_arrival_gives_the_same_as_everything_at_once(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    every = messages("K-1") + messages("K-2")
    with Store.open(tmp_path / "s.duckdb") as store:
        writer = TelemetryWriter(store)
        for part in np.array_split(rng.permutation(len(every)), 7):
            writer.write(decode_batch([every[k] for k in part]))
            derive_new(store)
        piecewise = store.frame("SELECT * FROM air.readings ORDER BY ALL")
        derive_new(store, everything=True)
        assert_frame_equal(piecewise, store.frame("SELECT * FROM air.readings ORDER BY ALL"))
        found = readings(store).filter(unit="K-1")
    points = {("low_air_warning", None): 441, ("protection_valve", "parking valve"): 222}
    points |= {("protection_valve", "trailer supply valve"): 262}
    for (check, part), point in points.items():
        of_part = found.filter((pl.col("check") == check) & pl.col("part").eq_missing(pl.lit(part)))
        assert of_part.height == DAYS
        assert of_part.select(pl.lit(point).is_between("lower", "upper").all()).item()
    lamps = found.filter(check="abs_self_check").group_by("part", "state").len().sort("part", "state").rows()
    assert lamps == [("tractor lamp", "went off", DAYS), ("trailer lamp", "dark", 2), ("trailer lamp", "went off", 2)]
    assert found.filter(check="abs_self_check", state="dark")["trailer"].to_list() == ["R-77"] * 2
    assert found.filter(check="abs_fault").select("part", "state", "value").rows() == [("axle 2 left", "active", 1)]
