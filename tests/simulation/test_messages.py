"""What the gateways send, held against the message contract."""

import json
import re
from collections import Counter, defaultdict
from datetime import UTC, datetime
from typing import Any

import numpy as np
import pytest

from pipelines.simulation import (
    Clock,
    Fault,
    Gateway,
    Message,
    Scenario,
    SimulatedFleet,
    Unit,
    simulate,
    simulate_fleet,
)
from pipelines.simulation.duty import Duty
from pipelines.simulation.gateway import blocks
from pipelines.simulation.recording import envelope
from pipelines.simulation.weather import Climate

COLUMNS = {
    *("supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa", "application_kpa", "engine_rpm", "speed_kph"),
    *("ambient_c", "park_brake", "service_brake", "low_air_warning", "compressor_loaded"),
}
HIGHEST = {"engine_rpm": 8031.875, "speed_kph": 250.996, "park_brake": 1, "service_brake": 1, "low_air_warning": 1}
INSTANT = re.compile(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{3})?Z")


def of(messages: list[Message], stream: str) -> list[tuple[str, dict[str, Any]]]:
    return [(m.topic, m.payload) for m in messages if m.topic.endswith(stream) and isinstance(m.payload, dict)]


def test_topics_name_the_unit(messages: list[Message]) -> None:
    for message in messages:
        assert re.fullmatch(r"air/v1/random/V-\d{3}/(pressure|governor|faults)", message.topic)
        assert isinstance(message.payload, dict)
        assert message.payload["unit"] == message.topic.split("/")[3]
        assert message.payload["v"] == 1


def test_pressure_blocks_keep_the_contract(messages: list[Message]) -> None:
    for _, body in of(messages, "/pressure"):
        assert set(body) <= COLUMNS | {"v", "unit", "seq", "trailer", "t0", "dt_ms", "t_ms"}
        assert INSTANT.fullmatch(body["t0"])
        assert ("dt_ms" in body) is not ("t_ms" in body)
        rows = {len(values) for name, values in body.items() if name in COLUMNS}
        assert len(rows) == 1
        n = rows.pop()
        assert 1 <= n <= 300
        if "t_ms" in body:
            assert body["t_ms"][0] == 0
            assert len(body["t_ms"]) == n
            assert (np.diff(body["t_ms"]) > 0).all()
            assert body["t_ms"][-1] <= 300_000
        else:
            assert isinstance(body["dt_ms"], int)
            assert 0 < body["dt_ms"] * n <= 310_000
        for name in COLUMNS - {"ambient_c"}:
            values = [x for x in body.get(name, []) if x is not None]
            assert all(0 <= x <= HIGHEST.get(name, 2000) for x in values)


def test_pressures_lie_on_sensor_steps(fleet: SimulatedFleet, messages: list[Message]) -> None:
    # J1939: 8 kPa a bit in the air supply message, 4 kPa a bit in the brakes message.
    steps = {unit.vehicle.name: unit.gateway.step_kpa for unit in fleet.scenario.units}
    assert set(steps.values()) <= {4.0, 8.0}
    for _, body in of(messages, "/pressure"):
        for name in ("supply_kpa", "primary_kpa", "secondary_kpa", "trailer_kpa", "application_kpa"):
            assert all(x is None or x % steps[body["unit"]] == 0 for x in body.get(name, []))


def test_sequence_numbers_rise_by_one(messages: list[Message]) -> None:
    seen = defaultdict(set)
    for message in messages:
        assert isinstance(message.payload, dict)
        seen[message.topic].add(message.payload["seq"])
    assert all(numbers == set(range(len(numbers))) for numbers in seen.values())


def test_no_instant_is_sent_with_two_values(messages: list[Message]) -> None:
    seen: dict[tuple[str, float], int] = {}
    for _, body in of(messages, "/pressure"):
        t0 = datetime.fromisoformat(body["t0"]).timestamp()
        n = len(body["park_brake"])
        offsets = body["t_ms"] if "t_ms" in body else [body["dt_ms"] * i for i in range(n)]
        for i in range(n):
            key = body["unit"], t0 + offsets[i] / 1000.0
            assert seen.setdefault(key, body["seq"]) == body["seq"]  # only a repeated message repeats an instant


def test_arrival_is_in_order_and_after_the_data(messages: list[Message]) -> None:
    arrivals = [m.received_s for m in messages]
    assert arrivals == sorted(arrivals)


def test_same_seed_same_bytes(fleet: SimulatedFleet, messages: list[Message]) -> None:
    clock = Clock(fleet.scenario.start)
    again = simulate_fleet(11, 6, 1, faulty_share=0.5)
    assert again.scenario == fleet.scenario
    assert [envelope(m, clock) for m in again.messages()] == [envelope(m, clock) for m in messages]
    assert simulate_fleet(12, 6, 1, faulty_share=0.5).scenario != fleet.scenario


def test_an_envelope_is_a_line_of_a_recording(messages: list[Message]) -> None:
    clock = Clock(datetime(2031, 3, 3, tzinfo=UTC))
    line = json.loads(envelope(messages[0], clock))
    assert set(line) == {"received", "topic", "content_type", "payload"}
    assert INSTANT.fullmatch(line["received"])
    broken = json.loads(envelope(Message(0.0, "air/v1/a/b/pressure", b"{"), clock))
    assert broken["payload_b64"] == "ew=="
    assert "payload" not in broken


def test_blocks_break_at_silences_and_changes_of_pace() -> None:
    t = np.array([0.0, 1.0, 2.0, 4.0, 6.0, 16.0, 26.0, 3600.0, 3610.0])
    assert list(blocks(t, block_s=300.0, uneven=False)) == [(0, 3), (3, 5), (5, 7), (7, 9)]
    assert list(blocks(t, block_s=300.0, uneven=True)) == [(0, 7), (7, 9)]
    assert list(blocks(np.arange(10.0), block_s=4.0, uneven=False)) == [(0, 4), (4, 8), (8, 10)]


def one_unit(rigs: Any, fault: Fault | None = None, **gateway: Any) -> list[Message]:
    unit = Unit(rigs.tractor(), Duty(drive_h=1.0), Gateway(**gateway), Climate())
    faults = (fault,) if fault else ()
    return list(simulate(Scenario(datetime(2031, 3, 3, tzinfo=UTC), 1, 3, (unit,), faults=faults)))


def lamp_events(messages: list[Message]) -> Counter[tuple[str, bool]]:
    return Counter((lamp["lamp"], lamp["on"]) for _, body in of(messages, "/faults") for lamp in body.get("lamps", []))


@pytest.fixture(scope="module")
def plain(rigs: Any) -> list[Message]:
    return one_unit(rigs, duplicate_share=0.0)


def test_lamps_check_at_each_key_on(plain: list[Message]) -> None:
    # Common practice: ABS lamps are on for a few seconds at key-on, then off.
    events = lamp_events(plain)
    assert events["key", True] == events["tractor_abs", True] == events["tractor_abs", False] > 0
    assert abs(events["key", True] - events["key", False]) <= 1


@pytest.mark.parametrize(("kind", "size", "dark"), [("abs_active", 791.0, False), ("abs_lamp", 0.0, True)])
def test_abs_faults_show_in_lamps_and_codes(rigs: Any, kind: Any, size: float, dark: bool) -> None:  # noqa: FBT001
    sent = one_unit(rigs, Fault(kind, "V-1", size), duplicate_share=0.0)
    events = lamp_events(sent)
    assert events["tractor_abs", False] == 0
    assert (events["tractor_abs", True] == 0) is dark
    codes = {c["spn"] for _, body in of(sent, "/faults") for c in body.get("codes", [])}
    assert codes == (set() if dark else {791})


def test_a_dead_zone_delays_and_loses_nothing(rigs: Any, plain: list[Message]) -> None:
    zoned = one_unit(rigs, duplicate_share=0.0, dead_zones=((0.6, 2.0),))
    start, end = 0.6 * 86_400.0, 0.6 * 86_400.0 + 7200.0
    assert not [m for m in zoned if start <= m.received_s < end]
    assert len(zoned) == len(plain)
    late = [m.payload["seq"] for m in zoned if end <= m.received_s < end + 900.0 and isinstance(m.payload, dict)]
    assert late != sorted(late)


def test_a_trailer_that_the_scenario_lacks_is_named(rigs: Any) -> None:
    unit = Unit(rigs.tractor(), Duty(), Gateway(), Climate(), ("W-9",))
    with pytest.raises(ValueError, match=r"unit 'V-1' couples trailers that the scenario lacks: \['W-9'\]"):
        Scenario(datetime(2031, 3, 3, tzinfo=UTC), 1, 1, (unit,))


def test_governor_events_give_the_pressure_at_which_it_turned(rigs: Any) -> None:
    # 895 and 760 kPa; half a sensor step of rounding, and what the tank does in the rest of a sample of 2 s.
    sent = one_unit(rigs, duplicate_share=0.0, sends_governor=True, step_kpa=4.0)
    events = [event for _, body in of(sent, "/governor") for event in body["events"]]
    outs = [event["supply_kpa"] for event in events if event["kind"] == "cut_out"]
    ins = [event["supply_kpa"] for event in events if event["kind"] == "cut_in"]
    assert len(outs) > 5
    assert max(outs) <= 896
    assert np.median(outs) >= 892
    assert len(ins) > 3
    assert max(ins) <= 764
