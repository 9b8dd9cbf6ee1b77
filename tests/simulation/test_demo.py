"""The demo recording that is in the repository, read as it lies there."""

import csv
import io
import json
from collections import Counter
from pathlib import Path

import zstandard

FOLDER = Path(__file__).parents[2] / "replay_data"


def test_demo_recording_has_what_its_description_says() -> None:
    topics: Counter[str] = Counter()
    last, count, unreadable = "", 0, 0
    recording = FOLDER / "demo_fleet.ndjson.zst"
    with zstandard.open(recording, "rt", encoding="utf-8") as lines:
        for text in lines:
            head, _, _ = text.partition(',"payload')
            line = json.loads(head + "}")
            key = line["received"].removesuffix("Z") + (".000" if "." not in line["received"] else "")
            assert key >= last
            last = key
            topics["/".join(line["topic"].split("/")[2:4])] += 1
            unreadable += '"payload_b64"' in text
            count += 1
    assert count < 60_000
    assert recording.stat().st_size < 12e6
    assert unreadable == 1
    units = [r for r in csv.DictReader(io.StringIO((FOLDER / "units.csv").read_text())) if r["kind"] != "trailer"]
    assert {f"{r['fleet']}/{r['unit']}" for r in units} == set(topics)
    assert len(units) == 14


def test_labels_name_units_and_trailers_of_the_registry() -> None:
    known = {r["unit"] for r in csv.DictReader(io.StringIO((FOLDER / "units.csv").read_text()))}
    labels = list(csv.DictReader(io.StringIO((FOLDER / "labels.csv").read_text())))
    assert len({r["unit"] for r in labels}) >= 6
    assert all(r["unit"] in known and (not r["trailer"] or r["trailer"] in known) for r in labels)
