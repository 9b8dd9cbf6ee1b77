"""Recorded trucks through the whole line: landed from candump, derived, held against what is known of the recordings.

Origin and licence of each recording: tests/data/README.md.
"""

from pathlib import Path

import polars as pl
import pytest

from airwatch.errors import RecordingError
from airwatch.store.database import Store
from airwatch.store.derivation import readings
from airwatch.store.export import export_frame
from pipelines.derive import derive_new
from pipelines.land import land_recordings

DATA = Path(__file__).parents[1] / "data"


@pytest.fixture
def store(tmp_path: Path) -> Store:
    opened = Store.open(tmp_path / "s.duckdb")
    for name in ("short-drive", "short-drive-brake-use", "bench-abs-dm1-bam"):
        land_recordings(opened, [DATA / f"{name}.candump.log.gz"], unit=name)
    derive_new(opened)
    return opened


def test_pressures_of_recorded_drives(store: Store) -> None:
    samples = export_frame(store, "samples")
    plain, braked = (samples.filter(unit=name) for name in ("short-drive", "short-drive-brake-use"))
    assert (plain.height, braked.height) == (30, 30)  # one a second for 30 s
    # AIR1 alone, in steps of 8 kPa, says 800 to 808; B1 in steps of 4 is the finer word
    assert (plain["primary_kpa"].unique().to_list(), plain["secondary_kpa"].unique().sort().to_list()) == (
        [804],
        [804, 808],
    )
    assert braked["primary_kpa"].to_list()[0] - braked["primary_kpa"].to_list()[-1] == 20  # AIR1 alone: 24
    assert braked["service_brake"].sum() > 0
    assert plain["engine_rpm"].is_between(1147, 1786).all()
    assert samples["compressor_loaded"].null_count() == samples.height  # no truck here sends it
    store.close()


def test_trouble_codes_of_a_bench_with_real_controllers(store: Store) -> None:
    found = readings(store).filter(check="abs_fault")
    assert set(found["unit"]) == {"bench-abs-dm1-bam"}
    notes = found["note"].str.join("; ").item()
    for spn, fmi in [(811, 13), (789, 2), (790, 2), (791, 2), (792, 2), (802, 4), (1045, 7)]:
        assert f"SPN {spn} FMI {fmi} " in notes
    assert {"axle 1 left", "axle 1 right", "axle 2 left", "axle 2 right"} <= set(found["part"])
    assert set(found["verdict"]) == {"fail"}
    store.close()


def test_nothing_is_claimed_of_half_a_minute_of_driving(store: Store) -> None:
    drives = readings(store).filter(pl.col("unit").str.starts_with("short-drive"))
    assert drives.is_empty()  # no whole cycle, no rise, no hold: too little for any check
    store.close()


def test_what_stands_before_the_cut_of_a_packed_log_is_landed(tmp_path: Path) -> None:
    cut = tmp_path / "cut.log.gz"
    cut.write_bytes((DATA / "short-drive.candump.log.gz").read_bytes()[:-2000])
    with Store.open(tmp_path / "c.duckdb") as store:
        with pytest.raises(RecordingError, match=r"cut\.log\.gz: can't be read as a recording"):
            land_recordings(store, [cut], unit="K-1")
        assert 20 < export_frame(store, "samples").height < 30
