"""Draws, drives and writes a fleet: recording, registry and labels."""

import csv
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import zstandard

from tests.second_fleet.blocks import send_blocks, send_governor
from tests.second_fleet.drive import Seen, drive
from tests.second_fleet.fleet import Fleet, draw_fleet, label_rows, registry_rows
from tests.second_fleet.kinds import DAY_S, KINDS, SIZE_UNIT
from tests.second_fleet.lamps import Lamps
from tests.second_fleet.link import Line, Link, stamp

UNITS_HEADER = (
    "unit,fleet,kind,axles,trailer_towing,rule_set,home_shop,supply_l,primary_l,secondary_l,"
    "required_l,compressor_cc,governed_rpm,cut_out_kpa,chambers"
)
LABELS_HEADER = "unit,trailer,fault,circuit,began,onset,size,size_unit,repaired,what_was_done"
_LEVEL = 6  # of compression


@dataclass(frozen=True, slots=True)
class Recording:
    """A fleet with everything that happened."""

    fleet: Fleet
    seen: list[Seen]
    lines: list[bytes]
    samples: int


def record(*, seed: int, units: int, days: int, healthy: float, kinds: Sequence[str] = KINDS) -> Recording:
    """Draw and drive a fleet and give its messages in the order of arrival.

    Parameters
    ----------
    seed : int
        The same seed, and otherwise the same arguments, give the same bytes.
    units : int
        Tractors, trucks and buses; trailers come on top.
    days : int
        Length, days, from a Monday.
    healthy : float
        Share of units without a fault, 0 to 1.
    kinds : sequence of str
        Which faults there may be, dealt out in turn among the faulty units.
    """
    fleet = draw_fleet(np.random.default_rng([seed, 1]), units=units, days=days, healthy=healthy, kinds=kinds)
    seen = drive(fleet, [seed])
    lines: list[Line] = []
    samples = 0
    streams = np.random.SeedSequence([seed, 3]).spawn(len(seen))
    for vehicle, own, stream in zip(fleet.vehicles, seen, streams, strict=True):
        rng = np.random.default_rng(stream)
        link = Link(rng, vehicle, days)
        samples += send_blocks(rng, fleet, vehicle, own, link)
        send_governor(rng, vehicle, own, link)
        Lamps(rng, vehicle, link).send(own, days * DAY_S)
        lines += link.lines
    lines.sort(key=lambda line: line[0])
    return Recording(fleet, seen, [line for _, line in lines], samples)


def write(recording: Recording, folder: Path) -> None:
    """Write fleet.ndjson.zst, units.csv and labels.csv."""
    folder.mkdir(parents=True, exist_ok=True)
    packer = zstandard.ZstdCompressor(level=_LEVEL)
    with (folder / "fleet.ndjson.zst").open("wb") as raw, packer.stream_writer(raw) as packed:
        for line in recording.lines:
            packed.write(line + b"\n")
    _write_table(folder / "units.csv", UNITS_HEADER, registry_rows(recording.fleet))
    labels: list[tuple[object, ...]] = []
    for unit, trailer, fault in label_rows(recording.fleet):
        what = (unit, trailer, fault.kind, fault.circuit, stamp(fault.began_s), fault.onset)
        labels.append((*what, f"{fault.size:g}", SIZE_UNIT[fault.kind], "", ""))
    _write_table(folder / "labels.csv", LABELS_HEADER, labels)


def _write_table(path: Path, header: str, rows: Sequence[Sequence[object]]) -> None:
    with path.open("w", newline="", encoding="utf-8") as file:
        file.write(header + "\n")
        csv.writer(file, lineterminator="\n").writerows(rows)
