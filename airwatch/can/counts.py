"""What came in as CAN and what became of it, in numbers, so that nothing is dropped silently."""

from dataclasses import dataclass, field, fields
from typing import Self


@dataclass(frozen=True, slots=True)
class LineCounts:
    """Lines of candump text. ``n_lines`` is the sum of all the others."""

    n_lines: int = 0
    n_blank: int = 0
    n_frames: int = 0
    """29-bit data frames: the lines that are decoded."""
    n_standard: int = 0
    """11-bit ids: valid CAN, not J1939."""
    n_fd: int = 0
    n_remote: int = 0
    n_error: int = 0
    """Error frames of the controller."""
    n_bad: int = 0


@dataclass(frozen=True, slots=True)
class CanCounts:
    """Frames, values, transfers and trouble-code reports; ``lines`` is all zero if the frames did not come as text."""

    lines: LineCounts = field(default_factory=LineCounts)
    n_frames: int = 0
    n_unused: int = 0
    """Frames of parameter groups that nothing here reads."""
    n_not_j1939: int = 0
    """Null or beyond 29 bits or 8 bytes, or marked as ISO 15765-3 (both page bits set)."""
    n_short: int = 0
    """Used frames of fewer than 8 bytes; the missing bytes count as 'not available'."""
    n_valid: int = 0
    n_not_available: int = 0
    n_error: int = 0
    n_reserved: int = 0
    """Values in used frames by what their code says; all but valid ones become null."""
    n_transfers: int = 0
    """DM1 messages put together from several packets."""
    n_broken_transfers: int = 0
    """DM1 announcements whose packets did not all come, in order and in time, or that contradict themselves."""
    n_stray_packets: int = 0
    """Broadcast packets without a (still intact) announcement, of any parameter group."""
    n_dm1: int = 0
    """DM1 messages read, kept or not."""
    n_dm1_malformed: int = 0
    n_dm1_other_channel: int = 0
    """DM1 of a source that was first seen on another channel: the same message through a gateway."""
    n_old_conversion: int = 0
    """Codes sent with the SPN conversion method bit set, counted once for each distinct DM1 message."""

    def remark(self) -> str | None:
        """Say in one line what could not be used as it came; None if there is nothing to say."""
        said = {
            "lines are no candump frames": self.lines.n_bad,
            "frames have 11-bit ids": self.lines.n_standard,
            "frames are CAN FD": self.lines.n_fd,
            "frames are remote requests": self.lines.n_remote,
            "lines are error frames": self.lines.n_error,
            "frames are not J1939": self.n_not_j1939,
            "frames are shorter than 8 bytes": self.n_short,
            "values say 'error'": self.n_error,
            "values have reserved codes": self.n_reserved,
            "multi-packet DM1 broke off": self.n_broken_transfers,
            "DM1 have an impossible length": self.n_dm1_malformed,
            "trouble codes use an old SPN layout that the message does not name": self.n_old_conversion,
        }
        return "; ".join(f"{n} {what}" for what, n in said.items() if n) or None

    def __add__(self, other: Self) -> Self:
        """Add up what two decoders counted."""
        lines = {f.name: getattr(self.lines, f.name) + getattr(other.lines, f.name) for f in fields(LineCounts)}
        sums = {f.name: getattr(self, f.name) + getattr(other, f.name) for f in fields(self) if f.name != "lines"}
        return type(self)(lines=LineCounts(**lines), **sums)
