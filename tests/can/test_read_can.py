"""The recordings of tests/data, written as `.asc`, `.blf` and `.mf4` by the libraries' own writers and read back."""

import gzip
import importlib.util
import os
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import Any

import can
import numpy as np
import numpy.lib.recfunctions as rfn
import polars as pl
import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from airwatch.can.candump import decode_candump, parse_candump
from airwatch.can.counts import LineCounts
from airwatch.can.j1939 import decode_frames
from airwatch.can.recordings import CanChunk, candump_text, read_can
from airwatch.contract.columns import TIME
from airwatch.errors import RecordingError

DATA = Path(__file__).parents[1] / "data"
RECORDINGS = ["short-drive", "short-drive-brake-use", "bench-abs-dm1-bam"]
EXTENDED = {"is_extended_id": True}


@cache
def text(name: str) -> bytes:
    return gzip.decompress((DATA / f"{name}.candump.log.gz").read_bytes())


@cache
def frames(name: str) -> pl.DataFrame:
    """Give the frames; the drives, whose times begin at 0, as of 2031: a `.blf` can't say 1970."""
    parsed = parse_candump(text(name)).frames
    return parsed.with_columns(pl.col("t").dt.offset_by("61y")) if parsed["t"][0].year == 1970 else parsed


def messages(name: str) -> Iterator[can.Message]:
    for t_us, can_id, data, channel in frames(name).with_columns(pl.col("t").to_physical()).iter_rows():
        yield can.Message(timestamp=t_us / 1e6, arbitration_id=can_id, data=data, channel=channel, **EXTENDED)


def write(writer: Any, given: Any) -> None:
    for message in given:
        writer.on_message_received(message)
    writer.stop()


def read(path: Path, frames_a_chunk: int = 100_000) -> tuple[pl.DataFrame, LineCounts]:
    chunks = list(read_can(path, frames_a_chunk=frames_a_chunk))
    names = LineCounts.__slots__
    total = LineCounts(**{name: sum(getattr(chunk.counts, name) for chunk in chunks) for name in names})
    return pl.concat([chunk.frames for chunk in chunks]), total


def since_start(frames: pl.DataFrame) -> pl.DataFrame:
    return frames.with_columns(pl.col("t") - pl.col("t").first())


@pytest.fixture
def utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Set the zone of this machine, in which the writer of `.asc` puts down the time."""
    monkeypatch.setenv("TZ", "UTC")
    import time  # noqa: PLC0415

    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.usefixtures("utc")
@pytest.mark.parametrize("name", RECORDINGS)
@pytest.mark.parametrize(("suffix", "writer"), [(".asc", can.ASCWriter), (".blf", can.BLFWriter)])
def test_every_frame_is_candumps(tmp_path: Path, name: str, suffix: str, writer: Any) -> None:
    write(writer(tmp_path / f"x{suffix}"), messages(name))
    got, counts = read(tmp_path / f"x{suffix}", frames_a_chunk=1000)
    assert since_start(got).equals(since_start(frames(name)))
    assert abs((got["t"][0] - frames(name)["t"][0]).total_seconds()) <= 0.001  # the start is written to the millisecond
    assert counts == LineCounts(n_lines=got.height, n_frames=got.height)
    if suffix == ".blf":
        assert got.equals(frames(name))


@pytest.mark.usefixtures("utc")
@pytest.mark.parametrize(("packed", "pack"), [(".gz", gzip.compress), (".zst", zstandard.compress)])
@pytest.mark.parametrize(("suffix", "writer"), [(".asc", can.ASCWriter), (".blf", can.BLFWriter)])
def test_packed(tmp_path: Path, suffix: str, writer: Any, packed: str, pack: Any) -> None:
    write(writer(tmp_path / f"x{suffix}"), messages("short-drive"))
    (tmp_path / f"x{suffix}{packed}").write_bytes(pack((tmp_path / f"x{suffix}").read_bytes()))
    assert read(tmp_path / f"x{suffix}{packed}")[0].equals(read(tmp_path / f"x{suffix}")[0])


def test_it_is_read_a_chunk_at_a_time(tmp_path: Path) -> None:
    write(can.BLFWriter(tmp_path / "x.blf"), messages("short-drive"))
    assert [chunk.frames.height for chunk in read_can(tmp_path / "x.blf", frames_a_chunk=1500)] == [1500, 1500, 512]


def others() -> list[can.Message]:
    """One of each kind that is no J1939 data frame, and one that is."""
    return [
        can.Message(timestamp=1_900_000_001.0, arbitration_id=0x123, is_extended_id=False, data=b"\1", channel=0),
        can.Message(
            timestamp=1_900_000_001.1, arbitration_id=0x18FEAE0B, is_remote_frame=True, dlc=8, channel=0, **EXTENDED
        ),
        can.Message(
            timestamp=1_900_000_001.2, arbitration_id=0x18FEAE0B, is_fd=True, data=bytes(12), channel=0, **EXTENDED
        ),
        can.Message(timestamp=1_900_000_001.3, is_error_frame=True, channel=0),
        can.Message(timestamp=1_900_000_001.4, arbitration_id=0x18FEAE0B, data=b"\1\2", channel=1, **EXTENDED),
    ]


@pytest.mark.usefixtures("utc")
@pytest.mark.parametrize(("suffix", "writer"), [(".asc", can.ASCWriter), (".blf", can.BLFWriter)])
def test_what_is_no_j1939_data_frame_is_counted(tmp_path: Path, suffix: str, writer: Any) -> None:
    write(writer(tmp_path / f"x{suffix}"), others())
    got, counts = read(tmp_path / f"x{suffix}")
    assert got.select("can_id", "data", "channel").rows() == [(0x18FEAE0B, b"\1\2", "can1")]
    assert counts == LineCounts(n_lines=5, n_frames=1, n_standard=1, n_remote=1, n_fd=1, n_error=1)


ASC = """date {date}
base {base}  timestamps {stamps}
no internal events logged
// version 9.0.0
   0.000000 Start of measurement
   0.250000 1  {id}             Rx   d 8 {data}  Length = 273910 BitCount = 141 ID = 419330571x
   0.300000 1  Statistic: D 0 R 0 XD 0 XR 0 E 0 O 0 B 0.00%
"""
ASC_FIELDS = {
    "date": "Sat Sep 30 03:06:13.191 pm 2017",
    "base": "hex",
    "stamps": "absolute",
    "id": "18FEAE0Bx",
    "data": "FF FF AB AB FF FF FF FF",
}


def asc(tmp_path: Path, **changed: str) -> Path:
    (tmp_path / "x.asc").write_text(ASC.format(**ASC_FIELDS | changed))
    return tmp_path / "x.asc"


# The head and the lines are as in python-can's own test files (test/data/logfile.asc); the date forms as its reader
# lists them.
@pytest.mark.parametrize(
    ("date", "at"),
    [
        ("Sat Sep 30 03:06:13.191 pm 2017", datetime(2017, 9, 30, 15, 6, 13, 441_000, UTC)),
        ("Sat Sep 30 12:06:13 am 2017", datetime(2017, 9, 30, 0, 6, 13, 250_000, UTC)),
        ("Sam Okt 30 15:06:13.191 2017", datetime(2017, 10, 30, 15, 6, 13, 441_000, UTC)),
        ("Son Mär 30 15:06:13 2017", datetime(2017, 3, 30, 15, 6, 13, 250_000, UTC)),
        ("Sat Sep 30 15:06:13.47 2017", datetime(2017, 9, 30, 15, 6, 13, 297_000, UTC)),  # as python-can writes 0.047 s
    ],
)
@pytest.mark.parametrize("zone", ["UTC", "America/Chicago"])
def test_an_asc_date_is_utc_on_any_machine(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, date: str, at: datetime, zone: str
) -> None:
    monkeypatch.setitem(os.environ, "TZ", zone)
    assert read(asc(tmp_path, date=date))[0]["t"].to_list() == [at.replace(tzinfo=None)]


def test_an_asc_in_another_code_page_and_in_decimal(tmp_path: Path) -> None:
    path = asc(tmp_path, date="Son Mär 30 15:06:13 2017", base="dec", id="419343883x", data="255 255 171 171 0 0 0 1")
    path.write_bytes(path.read_text().encode("latin-1"))
    assert read(path)[0].rows() == [
        (datetime(2017, 3, 30, 15, 6, 13, 250_000), 0x18FEAE0B, bytes([255, 255, 171, 171, 0, 0, 0, 1]), "can0")  # noqa: DTZ001
    ]


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({"stamps": "relative"}, "its times count from line to line; export it with absolute timestamps"),
        ({"data": "FF FF ZZ"}, "x.asc: broken after 0 frames: ValueError .*; check that it is a whole recording"),
        ({"date": "yesterday at noon 1 2 3"}, "x.asc: broken after 0 frames"),
        ({"id": "FFFFFFFFFFx"}, None),
    ],
)
def test_an_asc_that_can_not_be_read(tmp_path: Path, changed: dict[str, str], reason: str | None) -> None:
    if reason is None:
        got, counts = read(asc(tmp_path, **changed))
        assert (got.height, counts.n_bad) == (0, 1)
        return
    with pytest.raises(RecordingError, match=reason):
        read(asc(tmp_path, **changed))


def test_what_is_no_recording_says_so(tmp_path: Path) -> None:
    for name, content, reason in [
        ("a.asc", b"hello\n", "not an ASC recording"),
        ("a.blf", b"", "broken after 0 frames: error unpack"),
        ("b.blf", b"x" * 200, "broken after 0 frames: ValueError Unexpected file format"),
        ("a.trc", b"", "must end in .asc, .blf, .mf4"),
        ("a.mf4.gz", b"", "unpack it first"),
        ("a.asc.gz", b"x", "can't be read as a recording"),
    ]:
        (tmp_path / name).write_bytes(content)
        with pytest.raises(RecordingError, match=rf"{name}: .*{reason}"):
            read(tmp_path / name)
    with pytest.raises(RecordingError, match=r"none.asc: can't be read"):
        read(tmp_path / "none.asc")


def given_before_the_error(path: Path) -> tuple[list[CanChunk], str]:
    chunks = []
    with pytest.raises(RecordingError) as raised:
        chunks.extend(iter(read_can(path)))  # extend keeps what came before an error
    return chunks, str(raised.value)


def test_a_blf_that_is_cut_short_gives_what_it_has(tmp_path: Path) -> None:
    write(can.BLFWriter(tmp_path / "x.blf", max_container_size=16_384), messages("short-drive"))
    whole = (tmp_path / "x.blf").read_bytes()
    (tmp_path / "x.blf").write_bytes(whole[: len(whole) // 2])
    chunks, said = given_before_the_error(tmp_path / "x.blf")
    assert f"x.blf: cut short: {len(whole) // 2} bytes of {len(whole)}; copy it again" in said
    (chunk,) = chunks
    assert 1000 < chunk.frames.height < 3512
    assert chunk.frames.equals(frames("short-drive").head(chunk.frames.height))


def test_an_object_of_a_blf_that_is_broken(tmp_path: Path) -> None:
    write(can.BLFWriter(tmp_path / "x.blf", max_container_size=16_384), messages("short-drive"))
    broken = bytearray((tmp_path / "x.blf").read_bytes())
    second = broken.index(b"LOBJ", 200)
    broken[second : second + 4] = b"JUNK"
    (tmp_path / "x.blf").write_bytes(broken)
    chunks, said = given_before_the_error(tmp_path / "x.blf")
    assert "ValueError an object does not begin where it must" in said
    assert sum(chunk.frames.height for chunk in chunks) > 100


@pytest.mark.parametrize("name", RECORDINGS)
def test_as_candump_text_it_is_what_it_was(name: str) -> None:
    assert parse_candump(candump_text(frames(name))).frames.equals(frames(name))
    ours, theirs = decode_frames(frames(name)), decode_candump(candump_text(frames(name)))
    assert ours.samples.equals(theirs.samples)


@settings(deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 9_999_999_999_999_999),
            st.integers(0, 0x1FFFFFFF),
            st.binary(max_size=8),
            st.sampled_from(["can0", "can1"]),
        ),
        max_size=5,
    )
)
def test_any_frames_come_back_from_candump_text(rows: list[tuple[int, int, bytes, str]]) -> None:
    schema = {"t": pl.Int64, "can_id": pl.UInt32, "data": pl.Binary, "channel": pl.String}
    given_frames = pl.DataFrame(rows, schema=schema, orient="row").cast({"t": TIME})
    assert parse_candump(candump_text(given_frames)).frames.equals(given_frames)


STD_DTYPE = np.dtype(
    [
        ("CAN_DataFrame.BusChannel", "u1"),
        ("CAN_DataFrame.ID", "<u4"),
        ("CAN_DataFrame.IDE", "u1"),
        ("CAN_DataFrame.DLC", "u1"),
        ("CAN_DataFrame.DataLength", "u1"),
        ("CAN_DataFrame.DataBytes", "u1", (8,)),
        ("CAN_DataFrame.EDL", "u1"),
    ]
)


def write_mf4(path: Path, parts: list[pl.DataFrame], *, leave_out: tuple[str, ...] = ()) -> None:
    """Write each part as a channel group of its own, as loggers do with two buses."""
    import asammdf  # noqa: PLC0415
    from asammdf.blocks import v4_constants  # noqa: PLC0415
    from asammdf.blocks.v4_blocks import SourceInformation  # noqa: PLC0415

    begin = min(part["t"].min() for part in parts)  # type: ignore[type-var]
    with asammdf.MDF(version="4.10") as mdf:
        mdf.header.start_time = begin.replace(tzinfo=UTC)  # type: ignore[union-attr]
        for part in parts:
            samples = np.zeros(part.height, dtype=STD_DTYPE)
            samples["CAN_DataFrame.BusChannel"] = part["channel"].str.tail(1).cast(pl.Int64)
            samples["CAN_DataFrame.ID"] = part["can_id"]
            samples["CAN_DataFrame.IDE"] = 1
            samples["CAN_DataFrame.DataLength"] = samples["CAN_DataFrame.DLC"] = part["data"].bin.size()
            padded = b"".join(data.ljust(8, b"\xff") for data in part["data"])
            samples["CAN_DataFrame.DataBytes"] = np.frombuffer(padded, "u1").reshape(-1, 8)
            kept = [name for name in STD_DTYPE.names or () if name.rpartition(".")[2] not in leave_out]
            source = SourceInformation(source_type=v4_constants.SOURCE_BUS, bus_type=v4_constants.BUS_TYPE_CAN)
            seconds = (part["t"] - begin).dt.total_microseconds().to_numpy() / 1e6
            signal = asammdf.Signal(
                name="CAN_DataFrame", samples=rfn.repack_fields(samples[kept]), timestamps=seconds, source=source
            )
            mdf.append(signal)
        mdf.save(path, overwrite=True, compression=2)


needs_asammdf = pytest.mark.skipif(
    importlib.util.find_spec("asammdf") is None and os.environ.get("CI") != "true",
    reason="asammdf (the extra mf4) is not installed",
)


@needs_asammdf
@pytest.mark.parametrize("name", RECORDINGS)
@pytest.mark.parametrize("frames_a_chunk", [700, 100_000])
def test_every_frame_of_an_mf4_is_candumps(tmp_path: Path, name: str, frames_a_chunk: int) -> None:
    write_mf4(tmp_path / "x.mf4", [frames(name)])
    got, counts = read(tmp_path / "x.mf4", frames_a_chunk)
    assert got.equals(frames(name))
    assert counts == LineCounts(n_lines=got.height, n_frames=got.height)


@needs_asammdf
def test_channel_groups_are_put_together_by_time(tmp_path: Path) -> None:
    """Three groups of very different lengths, read 233 records of each at a time."""
    whole = frames("short-drive").unique("t", keep="first", maintain_order=True).with_row_index()
    thirds = [pl.col("index") % 9 == 0, pl.col("index") < 2000, pl.lit(value=True)]
    parts, rest = [], whole
    for third in thirds:
        parts.append(rest.filter(third).drop("index"))
        rest = rest.filter(~third)
    assert sum(part.height for part in parts) == whole.height
    write_mf4(tmp_path / "x.mf4", parts)
    got, _ = read(tmp_path / "x.mf4", 700)
    assert got.equals(whole.drop("index"))


@needs_asammdf
def test_an_mf4_with_the_least_that_it_needs(tmp_path: Path) -> None:
    write_mf4(tmp_path / "x.mf4", [frames("short-drive")], leave_out=("BusChannel", "IDE", "DataLength", "EDL"))
    got, _ = read(tmp_path / "x.mf4")
    assert got.equals(frames("short-drive").with_columns(channel=pl.lit("can0")))


@needs_asammdf
def test_python_cans_writer_of_mf4(tmp_path: Path) -> None:
    write(can.MF4Writer(tmp_path / "x.mf4"), others())
    got, counts = read(tmp_path / "x.mf4")
    assert got.select("can_id", "data", "channel").rows() == [(0x18FEAE0B, b"\1\2", "can1")]
    assert counts == LineCounts(n_lines=5, n_frames=1, n_standard=1, n_remote=1, n_fd=1, n_error=1)


@needs_asammdf
def test_an_mf4_that_can_not_be_read_says_so(tmp_path: Path) -> None:
    write_mf4(tmp_path / "x.mf4", [frames("short-drive")], leave_out=("DataBytes",))
    with pytest.raises(RecordingError, match=r"x.mf4: .*CAN_DataFrame has no DataBytes"):
        read(tmp_path / "x.mf4")
    import asammdf  # noqa: PLC0415

    with asammdf.MDF(version="4.10") as mdf:
        mdf.append(asammdf.Signal(name="speed", samples=np.zeros(3), timestamps=np.arange(3.0)))
        mdf.save(tmp_path / "y.mf4")
    with pytest.raises(RecordingError, match=r"y.mf4: holds no CAN frames"):
        read(tmp_path / "y.mf4")
    for content in (b"", b"x" * 500):
        (tmp_path / "z.mf4").write_bytes(content)
        with pytest.raises(RecordingError, match=r"z.mf4: can't be read as MDF 4"):
            read(tmp_path / "z.mf4")
    with pytest.raises(RecordingError, match=r"none.mf4: can't be read as MDF 4: FileNotFoundError"):
        read(tmp_path / "none.mf4")


def test_without_asammdf_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(__import__("sys").modules, "asammdf", None)
    with pytest.raises(RecordingError, match=r"pip install 'airwatch\[mf4\]'"):
        read(tmp_path / "x.mf4")
