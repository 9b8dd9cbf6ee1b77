"""From a scenario to its messages in the order in which they arrive."""

from collections.abc import Iterator

import numpy as np

from pipelines.simulation.gateway import UnitGateway
from pipelines.simulation.messages import Clock, Message
from pipelines.simulation.run import FleetRun
from pipelines.simulation.scenario import Scenario

_DELIVERY = 1  # keeps the gateways' random numbers apart from the plans' under one seed


def simulate(scenario: Scenario) -> Iterator[Message]:
    """Yield the scenario's messages, sorted by arrival.

    A day's messages are held until no unit can send an earlier one, so memory holds about two days.
    """
    clock = Clock(scenario.start)
    faults = list(scenario.faults)
    gateways = [
        UnitGateway(unit, faults, clock, scenario.topic_root, np.random.default_rng([scenario.seed, _DELIVERY, at]))
        for at, unit in enumerate(scenario.units)
    ]
    held: list[Message] = []
    for tracks in FleetRun(scenario).days():
        for gateway, track in zip(gateways, tracks, strict=True):
            held += gateway.messages(track)
        held.sort(key=_arrival)
        settled_s = min(track.end_s for track in tracks)
        ready = sum(message.received_s < settled_s for message in held)
        yield from held[:ready]
        held = held[ready:]
    yield from held


def _arrival(message: Message) -> tuple[float, str]:
    return message.received_s, message.topic
