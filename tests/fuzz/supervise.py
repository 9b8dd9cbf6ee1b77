"""Running a worker to the end of its order, over the payloads that end or stop it."""

import os
import re
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import msgspec

from airwatch.contract.message import RawMessage
from tests.fuzz.case import case_of, changed, write_case
from tests.fuzz.in_flight import STUCK_S, read_in_flight
from tests.fuzz.report import Report
from tests.fuzz.shrink import shrink
from tests.fuzz.worker import IN_FLIGHT, Order, read_report

_MAX_DEATHS = 5
_APART = 10_000_000  # numbers of messages between two workers
_SHRINK_S = 120.0
_LOG = "log"
_ENVIRONMENT = {**os.environ, "PYTHONFAULTHANDLER": "1"}  # a worker that crashes says where
_LOG_CHARACTERS = 20_000
_COVERAGE = re.compile(r"cov: (\d+) ft: (\d+) corp: (\d+)")


@dataclass(slots=True)
class Outcome:
    """What a source did, in one or more workers; ``coverage`` is the last line that the fuzzer said of it."""

    report: Report = field(default_factory=Report)
    coverage: str | None = None


def run_source(module: str, n_payloads: int, *, seed: int, findings: Path) -> Outcome:
    """Run a worker module until so many payloads were offered; one that dies leaves a finding and is replaced.

    Parameters
    ----------
    module : str
        Its name.
    n_payloads : int
        How many.
    seed : int
        Of the first worker; the next ones go on from other seeds.
    findings : Path
        Folder of the cases that failed.
    """
    done = Outcome()
    for number in range(_MAX_DEATHS):
        left = n_payloads - done.report.n_payloads
        if left <= 0:
            break
        with tempfile.TemporaryDirectory(prefix="airwatch-fuzz-") as name:
            folder = Path(name)
            order = Order(left, seed + number, _APART * (seed % 1000 * _MAX_DEATHS + number), name, str(findings))
            status = _run(module, order, folder / _LOG)
            done.report.add(read_report(folder))
            log = (folder / _LOG).read_text(errors="replace")
            done.coverage = _coverage(log) or done.coverage
            if status:
                _record_death(done.report, status, log, read_in_flight(folder / IN_FLIGHT), findings)
    return done


def _run(module: str, order: Order, log: Path) -> int:
    arguments = [sys.executable, "-m", module, msgspec.json.encode(order).decode()]
    with log.open("wb") as out:
        return subprocess.run(arguments, stdout=out, stderr=out, env=_ENVIRONMENT, check=False).returncode


def _coverage(log: str) -> str | None:
    found = _COVERAGE.findall(log)
    return "{} edges, {} features, {} inputs kept".format(*found[-1]) if found else None


def _record_death(report: Report, status: int, log: str, messages: list[RawMessage], findings: Path) -> None:
    kind = f"stuck for {STUCK_S:.0f} s" if "Timeout (" in log else f"a worker ended with status {status}"
    where = [line.strip() for line in log.splitlines() if "/airwatch/" in line][:2]
    said = "; ".join(where) or " ".join(log.split())[-300:]
    report.violations[kind] = report.violations.get(kind, 0) + 1
    if not messages:
        report.findings.append(f"between two payloads: {said}")
        return
    if _is_deadly(messages):
        messages = _made_small(messages)
    else:
        said += "; in a process of its own it did not happen again"
    path = write_case(findings, case_of(kind, [messages], detail=said))
    path.with_suffix(".log").write_text(log[-_LOG_CHARACTERS:])
    report.findings.append(str(path))


def _made_small(messages: list[RawMessage]) -> list[RawMessage]:
    small = shrink(messages, _is_deadly, budget_s=_SHRINK_S)
    if len(small) > 1:
        return small
    (one,) = small
    payload = shrink(one.payload, lambda part: _is_deadly([changed(one, payload=part)]), budget_s=_SHRINK_S)
    return [changed(one, payload=payload)]


def _is_deadly(messages: Sequence[RawMessage]) -> bool:
    """Tell whether messages end or stop a process of their own."""
    if not messages:
        return False
    with tempfile.TemporaryDirectory(prefix="airwatch-fuzz-") as name:
        path = write_case(Path(name), case_of("in flight", [messages]))
        arguments = [sys.executable, "-m", "tests.fuzz.replay", str(path)]
        try:
            status = subprocess.run(
                arguments, capture_output=True, env=_ENVIRONMENT, timeout=STUCK_S, check=False
            ).returncode
        except subprocess.TimeoutExpired:
            return True
    return status not in {0, 1}
