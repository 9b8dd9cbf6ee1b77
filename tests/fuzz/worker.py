"""What both workers are told on their command line, and how they hand back what they did."""

import sys
from pathlib import Path

import msgspec

from tests.fuzz.report import Report

IN_FLIGHT, REPORT = "in-flight", "report.json"


class Order(msgspec.Struct, frozen=True):
    """How much a worker has to do. ``folder`` is its own, ``first`` the number of its first message."""

    n_payloads: int
    seed: int
    first: int
    folder: str
    findings: str


def order_of_command_line() -> Order:
    """Read the order that `supervise` gave."""
    return msgspec.json.decode(sys.argv[1], type=Order)


def write_report(order: Order, report: Report) -> None:
    """Hand back what was done, whole or until now."""
    path = Path(order.folder) / REPORT
    partial = path.with_suffix(".part")
    partial.write_bytes(msgspec.json.encode(report))
    partial.replace(path)


def read_report(folder: Path) -> Report:
    """Read what a worker handed back; an empty report if it never did."""
    path = folder / REPORT
    return msgspec.json.decode(path.read_bytes(), type=Report) if path.exists() else Report()
