"""Candump text: frames that are read here, frames that are not, broadcasts, and lines that are none."""

from hypothesis import strategies as st

from tests.messages import T0

_START_US = round(T0.timestamp()) * 10**6
_GROUPS = (
    "18FEFA",
    "18FEAE",
    "0CF004",
    "18FEF1",
    "18FEF5",
    "18F001",
    "18FECA",
    "18ECFF",
    "18EBFF",
    "1BFEFA",
    "18EF0B",
    "18FFFF",
)
_SENDERS = ("0B", "00", "30", "31", "FE")
_ODD_LINES = (
    *(b"", b" ", b"\t", b"broken", b"(1.0) can0", b"(1.0)can0 18FEFA0B#00", b"#" * 500, b"(" * 500, b"\xff\xfe"),
    *(b"(-1.0) can0 18FEFA0B#00", b"(1e9.0) can0 18FEFA0B#00", b"(99999999999.0) can0 18FEFA0B#00"),
    *(b"(9999999999.999999999) can0 18FEFA0B#00CDCCFFFFFFFFFF", b"(0.0) can0 0CF00400#FFFFFF0032FFFFFF"),
    *(
        b"(1.0) can0 123#DEADBEEF",
        b"(1.0) can0 FFF#",
        b"(1.0) can0 FFFFFFFF#00",
        b"(1.0) can0 20000004#0004000000000000",
    ),
    *(b"(1.0) can0 18FEFA0B##1FFFF", b"(1.0) can0 18FEFA0B##", b"(1.0) can0 18FEFA0B#R8", b"(1.0) can0 18FEFA0B#R9"),
    *(b"(1.0) can0 18FEFA0B#0", b"(1.0) can0 18FEFA0B#0G", b"(1.0) can0 18FEFA0B#00_", b"(1.0) can0 18FEFA0B#00 T R"),
    *(b"(1.0) can0 18FEFA0B#" + b"FF" * 9, b"(1.0) can0 18FEFA0B#00CDCC_9", b"(1.0) can0 18FEFA0B#00CDCCFFFFFFFFFF R"),
    *(b"(1.0) can0 " + b"0" * 300 + b"18FEFA0B#00", b"(1.0) can0 18FEFA0B#" + b"00" * 3000),
    *(b"(1.0) \xff 18FEFA0B#00CDCC", b"(1.0) c\x00n 18FEFA0B#00CDCC"),
    *(
        "(\u0661\u0662.1) can0 18FEFA0B#00CDCC".encode(),
        "(1.\u0663) can0 18FEFA0B#00CDCC".encode(),
    ),  # digits, but not ours
    *("(1.0) can0 \uff118FEFA0B#00CDCC".encode(), "(1.0) can0 18FEFA0B#\uff10\uff10".encode()),
    *("(1.0)\u2003can0\u202818FEFA0B#00".encode(), "(1.0) can0 18FEFA0B#00\x85".encode()),  # white space, but not ours
)


@st.composite
def _stamps(draw: st.DrawFn) -> str:
    """Draw a time; most are whole milliseconds, so that the same moment is often met again."""
    us = _START_US + draw(st.integers(0, 60_000)) * 1000 + draw(st.sampled_from([0, 0, 0, 0, 0, 1, 456, 999]))
    return f"({us // 10**6}.{us % 10**6:06})"


@st.composite
def _frames(draw: st.DrawFn) -> bytes:
    data = draw(st.binary(min_size=8, max_size=8) | st.binary(max_size=8) | st.just(b"\xff" * 8))
    group, sender = draw(st.sampled_from(_GROUPS)), draw(st.sampled_from(_SENDERS))
    channel = draw(st.sampled_from(["can0", "can0", "can1", "vcan-é"]))
    return f"{draw(_stamps())} {channel} {group}{sender}#{data.hex().upper()}".encode()


@st.composite
def _broadcasts(draw: st.DrawFn) -> bytes:
    """Draw a trouble code message of several packets, sometimes with one lacking, doubled or of another size."""
    size = draw(st.integers(9, 30) | st.sampled_from([0, 8, 1785, 1786, 65535]))
    n_packets = draw(st.sampled_from([-(-size // 7) & 0xFF] * 4 + [0, 1, 255]))
    packets = [draw(st.binary(min_size=7, max_size=7)) for _ in range(min(n_packets, 5))]
    frames = [(f"18ECFF0B#20{size.to_bytes(2, 'little').hex()}{n_packets:02x}FFCAFE00")]
    frames += [f"18EBFF0B#{k:02x}{packet.hex()}" for k, packet in enumerate(packets, start=1)]
    if draw(st.integers(0, 3)) == 0:
        at = draw(st.integers(0, len(frames) - 1))
        frames[at : at + 1] = draw(st.sampled_from([[], [frames[at]] * 2]))
    start_us, step_us = _START_US + draw(st.integers(0, 60)) * 10**6, draw(st.sampled_from([50_000, 750_000, 800_000]))
    times = [start_us + k * step_us for k in range(len(frames))]
    return "\n".join(
        f"({t // 10**6}.{t % 10**6:06}) can0 {frame}" for t, frame in zip(times, frames, strict=True)
    ).encode()


@st.composite
def logs(draw: st.DrawFn, *, is_odd: bool) -> bytes:
    """Draw a message of candump lines."""
    lines = _frames() | _frames() | _frames() | _broadcasts()
    if is_odd:
        lines |= st.sampled_from(_ODD_LINES)
    end = draw(st.sampled_from([b"\n", b"\n", b"\n", b"\r\n", b"\r", b"\n\n"]) if is_odd else st.just(b"\n"))
    return end.join(draw(st.lists(lines, max_size=8))) + draw(st.sampled_from([b"", end]))
