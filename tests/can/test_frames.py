from datetime import datetime

import numpy as np
import polars as pl
import pytest

from airwatch.can.frames import FRAME_SCHEMA, parameter_group, put_together, select_frames
from airwatch.errors import FrameError

AIR1, TP_CM = 65198, 60416
T = datetime(2031, 2, 3)  # noqa: DTZ001 - times inside the program are UTC without a zone


def frames(*rows: tuple[int, str]) -> pl.DataFrame:
    times = [T.replace(second=second) for second in range(len(rows))]
    columns = {"t": times, "can_id": [i for i, _ in rows], "data": [bytes.fromhex(data) for _, data in rows]}
    return pl.DataFrame(columns, schema=FRAME_SCHEMA)


# 18FEAE31 is how the trucks in tests/data send AIR1 (0xFEAE = 65198, PDU2); TP.CM to everybody is 18ECFF0B there
# (0xEC00 = 60416, PDU1, 0xFF the destination). TSC1 to the engine, 0C000003, is PGN 0 (PDU1).
@pytest.mark.parametrize(
    ("can_id", "pgn"),
    [
        (0x18FEAE31, 65198),
        (0x1CFEAE31, 65198),  # another priority
        (0x18ECFF0B, 60416),
        (0x18EC310B, 60416),
        (0x0C000003, 0),
        (0x18EFFF00, 0xEF00),  # PDU format 239, the last with a destination
        (0x18F00400, 61444),  # PDU format 240, the first without
        (0x19FEAE31, 0x1FEAE),  # data page 1
        (0x1AFEAE31, 0x2FEAE),  # extended data page: reserved
    ],
)
def test_parameter_group(can_id: int, pgn: int) -> None:
    assert parameter_group(np.array([can_id], dtype=np.uint32)).tolist() == [pgn]


def test_only_wanted_groups_of_page_0_are_taken_and_the_rest_counted() -> None:
    ids = [0x18FEAE31, 0x18FEAF31, 0x19FEAE31, 0x1AFEAE31, 0x1BFEAE31, 0x38FEAE31]
    taken, counts = select_frames(frames(*((i, "00" * 8) for i in ids)), [AIR1])
    assert (taken.pgn.tolist(), taken.source.tolist(), taken.destination.tolist()) == ([AIR1], [0x31], [255])
    assert (counts.n_frames, counts.n_unused, counts.n_not_j1939) == (6, 3, 2)  # both pages set; 30 bits


def test_destination_of_pdu1() -> None:
    taken, _ = select_frames(frames((0x18ECFF0B, "00" * 8), (0x18EC310B, "00" * 8)), [TP_CM])
    assert taken.destination.tolist() == [255, 0x31]


def test_missing_bytes_are_not_available() -> None:
    taken, counts = select_frames(
        frames((0x18FEAE31, "0102"), (0x18FEAE31, "0102030405060708"), (0x18FEAE31, "")), [AIR1]
    )
    assert [hex(word) for word in taken.word.tolist()] == [
        "0xffffffffffff0201",
        "0x807060504030201",
        "0xffffffffffffffff",
    ]
    assert taken.data == [b"\1\2", b"\1\2\3\4\5\6\7\10", b""]
    assert counts.n_short == 2


def test_frames_longer_than_classic_can_and_nulls_are_not_j1939() -> None:
    rows = pl.concat([frames((0x18FEAE31, "00" * 9), (0x18FEAE31, "00" * 8)), frames((0x18FEAE31, "00")).clear(1)])
    taken, counts = select_frames(rows, [AIR1])
    assert len(taken.t_us) == 1
    assert (counts.n_frames, counts.n_unused, counts.n_not_j1939) == (3, 0, 2)


def test_frames_are_put_in_order_of_time_and_channels_numbered_by_name() -> None:
    rows = frames((0x18FEAE31, "01"), (0x18FEAE31, "02")).with_columns(channel=pl.Series(["vcan1", "can0"])).reverse()
    taken, _ = select_frames(rows, [AIR1])
    assert taken.data == [b"\1", b"\2"]
    assert taken.channel.tolist() == [1, 0]


def test_a_part_of_a_longer_log_is_taken_by_itself() -> None:
    rows = frames(*((0x18FEAE31, f"{k:02x}" * (k % 9)) for k in range(20)))
    taken, _ = select_frames(rows[5:17], [AIR1])
    assert taken.data == rows["data"][5:17].to_list()


def test_frames_of_two_logs_are_put_together_in_order_of_time_and_by_the_name_of_their_channel() -> None:
    rows = frames(*((0x18FEAE31, f"{k:02x}") for k in range(6))).with_columns(
        channel=pl.Series(["can1", "can0", "can2", "can0", "can1", "can1"])
    )
    one, other = (select_frames(rows[start::2], [AIR1])[0] for start in (0, 1))
    together, whole = put_together(one, other), select_frames(rows, [AIR1])[0]
    assert together.data == whole.data
    assert together.channel.tolist() == whole.channel.tolist()
    assert together.channels == whole.channels == ("can0", "can1", "can2")


@pytest.mark.parametrize(
    "wrong",
    [
        frames().drop("data"),
        frames().cast({"can_id": pl.Int64}),
        frames().cast({"t": pl.Datetime("ms")}),
        frames().with_columns(channel=pl.lit(1)),
    ],
)
def test_a_frame_of_another_shape_is_refused(wrong: pl.DataFrame) -> None:
    with pytest.raises(FrameError, match="CAN frames need"):
        select_frames(wrong, [AIR1])
