"""CAN frames of one unit to samples, trouble codes and lamp events: the way through this package from frames on."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import polars as pl

from airwatch.can.counts import CanCounts
from airwatch.can.dm1 import DM1, keep_changes
from airwatch.can.frames import Frames, Schema, are_of, select_frames
from airwatch.can.lamps import lamp_events
from airwatch.can.samples import join_samples
from airwatch.can.signals import load_signals
from airwatch.can.transport import TP_CM, TP_DT, Reassembly, Received
from airwatch.can.values import decode_signals

BAD_LINE_SCHEMA: Schema = {"line_no": pl.UInt32, "line": pl.String, "reason": pl.String}

_SECOND_US = 1_000_000


@dataclass(frozen=True, slots=True)
class CanDecoded:
    """What the CAN frames of one unit say. Times UTC, ``Datetime("us")``; pressures gauge kPa.

    ``samples``: ``t`` and the contract's sample columns. ``fault_reports``: ``t, source_address``; one row for each
    DM1 message that is kept. ``fault_codes``: ``t, source_address, spn, fmi, count``; the active set of that report.
    ``lamp_events``: ``t, lamp, is_on``. ``bad_lines``: ``line_no, line, reason``, none unless the frames came as text.
    """

    samples: pl.DataFrame
    fault_reports: pl.DataFrame
    fault_codes: pl.DataFrame
    lamp_events: pl.DataFrame
    counts: CanCounts
    bad_lines: pl.DataFrame = field(default_factory=lambda: pl.DataFrame(schema=BAD_LINE_SCHEMA))


def decode_frames(frames: pl.DataFrame, *, keep_alive_s: float = 60.0) -> CanDecoded:
    """Decode the J1939 frames of one unit.

    Signals are those of ``signals.toml``. There is one sample for each B1 frame with a valid tank pressure (AIR1 where
    no such B1 is heard), stamped with that frame's time, and the other columns hold the last valid value of the 2 s
    before it. Where no pressure is heard within 1.5 s, engine or road speed gives samples at whole seconds. B1 is
    preferred to AIR1 for the same tank, because its step is 4 kPa and not 8, unless it is at the end of its range.
    Codes for 'error', 'not available' and 'reserved' become null and are counted.

    DM1 is read from single frames and from broadcasts of several packets. It is repeated each second: kept are the
    first report of each source, every change of its code set or occurrence counts, and one report every
    ``keep_alive_s`` of no change.

    Parameters
    ----------
    frames : DataFrame, one row a frame, any row order
        ``t`` Datetime("us"), UTC; ``can_id`` UInt32, 29 bits; ``data`` Binary, up to 8 bytes; and, if there is more
        than one bus, ``channel`` String.
    keep_alive_s : float
        Seconds, above 0.

    Returns
    -------
    CanDecoded

    Raises
    ------
    FrameError
        A column is missing or has another dtype.
    SignalTableError
        ``signals.toml`` was changed and no longer fits.
    ValueError
        ``keep_alive_s`` is not above 0.

    References
    ----------
    SAE J1939-21, -71 and -73, as public repositories give them; see ``signals.toml``, ``transport.py``, ``dm1.py``.
    """
    if not keep_alive_s > 0:
        raise ValueError(f"keep_alive_s must be above 0; got {keep_alive_s}")
    table = load_signals()
    used, frame_counts = select_frames(frames, [*(message.pgn for message in table.messages), DM1, TP_CM, TP_DT])
    streams, value_counts = decode_signals(used, table)
    reassembly = Reassembly(DM1)
    messages = sorted([*single_frames(used), *reassembly.run(used)], key=lambda message: message.t_us)
    faults = keep_changes(messages, keep_alive_us=max(1, round(keep_alive_s * _SECOND_US)))
    fault_counts = CanCounts(
        n_transfers=reassembly.n_complete,
        n_broken_transfers=reassembly.n_broken,
        n_stray_packets=reassembly.n_stray,
        n_dm1=faults.n_dm1,
        n_dm1_malformed=faults.n_malformed,
        n_dm1_other_channel=faults.n_other_channel,
        n_old_conversion=faults.n_old_conversion,
    )
    return CanDecoded(
        samples=join_samples(streams, table),
        fault_reports=faults.reports,
        fault_codes=faults.codes,
        lamp_events=lamp_events(streams),
        counts=frame_counts + value_counts + fault_counts,
    )


def single_frames(frames: Frames) -> Iterator[Received]:
    """Give the DM1 messages that fit into one frame."""
    part = frames.where(are_of(frames.can_id, (DM1,)))
    columns = (part.t_us.tolist(), part.source.tolist(), part.channel.tolist(), part.data)
    return (Received(*row) for row in zip(*columns, strict=True))
