"""A simulator of truck air-brake systems and of the gateways that report on them.

Independent of everything that is derived from messages, so that it can be used to test that. `simulate_fleet` draws a
fleet with labels; a `Scenario` of one's own goes to `simulate`; `write_recording` makes a file of either.
"""

from pipelines.simulation.faults import FAULT_KINDS, Fault, FaultKind
from pipelines.simulation.fleet import SimulatedFleet, simulate_fleet
from pipelines.simulation.messages import Clock, Message
from pipelines.simulation.recording import labels_csv, registry_csv, write_recording
from pipelines.simulation.scenario import Gateway, Scenario, Unit
from pipelines.simulation.simulate import simulate
from pipelines.simulation.vehicle import Chambers, Trailer, Vehicle

__all__ = [
    "FAULT_KINDS",
    "Chambers",
    "Clock",
    "Fault",
    "FaultKind",
    "Gateway",
    "Message",
    "Scenario",
    "SimulatedFleet",
    "Trailer",
    "Unit",
    "Vehicle",
    "labels_csv",
    "registry_csv",
    "simulate",
    "simulate_fleet",
    "write_recording",
]
