"""Writes messages as a recording, the registry and the labels."""

import base64
import csv
import io
import json
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

import zstandard

from pipelines.simulation.faults import SIZES
from pipelines.simulation.messages import Clock, Message
from pipelines.simulation.scenario import Scenario
from pipelines.simulation.weather import DAY_S

REGISTRY_HEADER = (
    *("unit", "fleet", "kind", "axles", "trailer_towing", "rule_set", "home_shop", "supply_l", "primary_l"),
    *("secondary_l", "required_l", "compressor_cc", "governed_rpm", "cut_out_kpa", "chambers"),
)
LABEL_HEADER = (
    *("unit", "trailer", "fault", "circuit", "began", "onset", "size", "size_unit", "repaired", "what_was_done"),
)
ZSTD_LEVEL = 19


@dataclass(slots=True)
class Written:
    """What a recording holds."""

    messages: int = 0
    samples: int = 0


def write_recording(path: Path, messages: Iterable[Message], clock: Clock) -> Written:
    """Write messages, in the order given, as zstd-compressed NDJSON."""
    written = Written()
    compressor = zstandard.ZstdCompressor(level=ZSTD_LEVEL, write_checksum=True)
    with path.open("wb") as raw, compressor.stream_writer(raw) as out:
        for message in messages:
            out.write((envelope(message, clock) + "\n").encode())
            written.messages += 1
            if isinstance(message.payload, dict):
                written.samples += len(message.payload.get("park_brake", ()))
    return written


def envelope(message: Message, clock: Clock) -> str:
    """One line of a recording, without its end."""
    line: dict[str, object] = {
        "received": clock.text(message.received_s),
        "topic": message.topic,
        "content_type": message.content_type,
    }
    if isinstance(message.payload, bytes):
        line["payload_b64"] = base64.b64encode(message.payload).decode()
    else:
        line["payload"] = message.payload
    return json.dumps(line, separators=(",", ":"))


def registry_csv(scenario: Scenario) -> str:
    """Give the unit registry: power units, then trailers."""
    rows: list[list[object]] = []
    for unit in scenario.units:
        v = unit.vehicle
        chambers = []
        for axle in range(1, v.axles + 1):
            fitted = v.front if axle == 1 else v.rear
            mark = f"{fitted.size}{'L' if fitted.long_stroke else ''}"
            chambers += [f"{axle}L:{mark}", f"{axle}R:{mark}"]
        volumes = [v.supply_l, v.primary_l, v.secondary_l, round(v.required_l, 1)]
        head = [v.name, v.fleet, v.kind, v.axles, int(v.tows), unit.rule_set, unit.home_shop]
        rows.append([*head, *volumes, v.compressor_cc, v.governed_rpm, v.rated_cut_out_kpa, ";".join(chambers)])
    for t in scenario.trailers:
        mark = f"{t.chambers.size}{'L' if t.chambers.long_stroke else ''}"
        places = ";".join(f"{axle}{side}:{mark}" for axle in range(1, t.axles + 1) for side in "LR")
        shop = scenario.shops.get(t.name, "")
        required = round(8.0 * t.chambers.rated_l, 1)  # eight times the chambers' volume for a trailer
        rows.append(
            [t.name, t.fleet, "trailer", t.axles, 0, "us", shop, "", t.tank_l, "", required, "", "", "", places]
        )
    return _csv(REGISTRY_HEADER, rows)


def labels_csv(scenario: Scenario) -> str:
    """Give the truth: one row a fault."""
    clock = Clock(scenario.start)
    rows: list[list[object]] = []
    for f in scenario.faults:
        repaired = "" if f.repaired_day is None else clock.text(f.repaired_day * DAY_S)
        size_unit = SIZES[f.kind][0]
        began = clock.text(f.began_day * DAY_S)
        rows.append([f.unit, f.trailer, f.kind, f.circuit, began, f.onset, f.size, size_unit, repaired, f.done])
    return _csv(LABEL_HEADER, rows)


def _csv(header: Iterable[str], rows: list[list[object]]) -> str:
    def plain(cell: object) -> object:
        return int(cell) if isinstance(cell, float) and cell.is_integer() else cell

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([[plain(cell) for cell in row] for row in rows])
    return text.getvalue()
