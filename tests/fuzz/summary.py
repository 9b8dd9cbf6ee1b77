"""The table at the end of a run."""

from collections.abc import Iterator

from tests.fuzz.report import Report
from tests.fuzz.supervise import Outcome

_VERDICTS = ("landed", "both", "set aside", "violated")
_MOST_REASONS = 12


def lines_of(source: str, outcome: Outcome) -> Iterator[str]:
    """Say what one source did."""
    report = outcome.report
    yield f"{source}: {report.n_payloads} payloads in {report.n_batches} batches, each batch delivered twice"
    yield f"  {'':24}" + "".join(f"{verdict:>11}" for verdict in _VERDICTS)
    for label, verdicts in sorted(report.verdicts.items()):
        yield f"  {label:24}" + "".join(f"{verdicts.get(verdict, 0):11}" for verdict in _VERDICTS)
    slowest = report.slowest
    yield f"  compared with a second reading: {report.n_compared}; largest memory {report.peak_mb:.0f} MB"
    yield f"  slowest payload: {slowest.seconds * 1000:.0f} ms, {slowest.label}, {slowest.n_bytes} bytes"
    if outcome.coverage:
        yield f"  coverage-guided: {report.n_payloads} executions, {outcome.coverage}"


def lines_of_all(report: Report) -> Iterator[str]:
    """Say what all sources did together."""
    totals = {v: sum(of_label.get(v, 0) for of_label in report.verdicts.values()) for v in _VERDICTS}
    yield f"together: {report.n_payloads} payloads; " + ", ".join(f"{n} {verdict}" for verdict, n in totals.items())
    yield f"distinct reasons: {len(report.reasons)}; the most frequent:"
    for reason, n in sorted(report.reasons.items(), key=lambda item: -item[1])[:_MOST_REASONS]:
        yield f"  {n:7}  {reason}"
    if not report.violations:
        yield "violations: none"
        return
    yield "violations:"
    for kind, n in sorted(report.violations.items(), key=lambda item: -item[1]):
        yield f"  {n:7}  {kind}"
    for finding in report.findings:
        yield f"  see {finding}"
