"""A stretch of fuzzing: payloads are probed alone, gathered, landed among good neighbours, and what fails is kept."""

import itertools
import random
import resource
from collections.abc import Sequence
from pathlib import Path

from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from tests.fuzz.addressed import addressed
from tests.fuzz.bench import Bench, land_case
from tests.fuzz.case import Batches, case_of, changed, write_case
from tests.fuzz.in_flight import InFlight
from tests.fuzz.outcome import Outcome
from tests.fuzz.probe import Decode, probe
from tests.fuzz.report import Report
from tests.fuzz.seeds import T0_US, neighbours
from tests.fuzz.shrink import shrink
from tests.fuzz.violation import ViolationError

BATCH = 200
_BATCHES_A_STORE = 5
_FEW = 3


class Campaign:
    """Takes payloads one by one; violations are written to ``findings``, the first of each kind made small.

    Parameters
    ----------
    folder : Path
        Where stores are made, and removed again.
    findings : Path
        Folder of the cases that failed.
    in_flight : InFlight
        Where it notes what it works on.
    seed : int
        Of the places of the neighbours.
    first : int
        Number of the first message; each has its own, and a time of arrival that many microseconds after `T0_US`.
    shrink_s : float
        Seconds that each batch and payload of a finding may be made smaller for.
    decode : callable
        What decodes.
    """

    def __init__(
        self,
        folder: Path,
        findings: Path,
        in_flight: InFlight,
        *,
        seed: int = 0,
        first: int = 0,
        shrink_s: float = 20.0,
        decode: Decode = decode_batch,
    ) -> None:
        self.report = Report()
        self._findings = findings
        self._in_flight = in_flight
        self._random = random.Random(seed)
        self._numbers = itertools.count(first)
        self._decode = decode
        self._shrink_s = shrink_s
        self._gathered: list[RawMessage] = []
        self._alone: dict[int, Outcome] = {}
        self._folder = folder
        self._n_stores = 0
        self._is_alone = True  # whether what is being made small fails without a store
        self._bench: Bench | None = None
        self._landed: list[list[RawMessage]] = []  # the batches that the present store holds

    def offer(self, payload: RawMessage) -> None:
        """Take one payload; its time of arrival is given here."""
        message = self._numbered(payload)
        self._in_flight.note([message])
        address = addressed(message)
        label = address.label if address else "no such address"
        try:
            probed = probe(message, self._decode)
        except ViolationError as violation:
            self.report.count(label, "violated", None)
            self._record(violation, [[message]], is_alone=True)
            return
        slowest = self.report.slowest
        if probed.seconds > slowest.seconds:
            slowest.seconds, slowest.label, slowest.n_bytes = probed.seconds, label, len(message.payload)
        reasons = [row["reason"] for row in probed.outcome.rejects]
        self.report.count(label, probed.outcome.verdict, reasons[0] if reasons else None)
        self.report.n_compared += probed.is_compared
        self._gathered.append(message)
        self._alone[message.received_us] = probed.outcome
        if len(self._gathered) >= BATCH:
            self.flush()

    def flush(self) -> None:
        """Land what is gathered."""
        if not self._gathered:
            return
        batch, alone = self._gathered, self._alone
        self._gathered, self._alone = [], {}
        quiet = [self._numbered(message) for message in neighbours(self.report.n_batches)]
        for message in quiet:
            batch.insert(self._random.randint(0, len(batch)), message)
        self._in_flight.note(batch)
        try:
            bench = self._open_bench()
            alone |= {message.received_us: self._unharmed(message) for message in quiet}
            bench.land(batch, alone)
            self._landed.append(batch)
        except ViolationError as violation:
            self._record(violation, [*self._landed, batch], is_alone=False)
            self._close_bench()
        self.report.n_batches += 1

    def close(self) -> None:
        """Land the rest and let go of everything."""
        self.flush()
        self._close_bench()
        self._in_flight.clear()
        self.report.peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024

    def _numbered(self, message: RawMessage) -> RawMessage:
        return changed(message, received_us=T0_US + next(self._numbers))

    def _unharmed(self, message: RawMessage) -> Outcome:
        """Give what becomes of a good message alone, which is that all of it lands."""
        outcome = probe(message, self._decode).outcome
        (row,) = outcome.ledger or ({"n_rows": 0, "n_out_of_range": 0, "remark": None},)
        if outcome.verdict != "landed" or not row["n_rows"] or row["n_out_of_range"] or row["remark"]:
            raise ViolationError("a good neighbour is not landed whole", f"{outcome.rejects} {outcome.ledger}"[:300])
        return outcome

    def _open_bench(self) -> Bench:
        if len(self._landed) >= _BATCHES_A_STORE:
            self._close_bench()
        if self._bench is None:
            self._bench = Bench(self._new_path(), self._decode)
        return self._bench

    def _close_bench(self) -> None:
        if self._bench is not None:
            self._bench.close()
            self._bench = None
            self._remove("store-")
        self._landed = []

    def _new_path(self) -> Path:
        self._n_stores += 1
        return self._folder / f"store-{self._n_stores}.duckdb"

    def _remove(self, name: str) -> None:
        for file in self._folder.glob(f"{name}*"):
            file.unlink()

    def _record(self, violation: ViolationError, batches: Batches, *, is_alone: bool) -> None:
        """Count a violation; the first of its kind is made small and written down."""
        is_known = violation.kind in self.report.violations
        self.report.violations[violation.kind] = self.report.violations.get(violation.kind, 0) + 1
        if not is_known:
            self._is_alone = is_alone
            small = self._small(violation.kind, batches)
            path = write_case(self._findings, case_of(violation.kind, small, detail=violation.detail))
            self.report.findings.append(str(path))

    def _small(self, kind: str, batches: Batches) -> Batches:
        if sum(map(len, batches)) > 1:
            if self._fails(kind, batches[-1:]):
                batches = batches[-1:]
            elif not self._fails(kind, batches):
                return batches
            for k in range(len(batches)):
                batches = self._with_shorter(kind, batches, k)
            batches = [batch for batch in batches if batch]
        messages = [(i, j) for i, batch in enumerate(batches) for j in range(len(batch))]
        for i, j in messages[:_FEW]:
            batches = self._with_shorter_payload(kind, batches, i, j)
        return batches

    def _with_shorter(self, kind: str, batches: Batches, k: int) -> Batches:
        def fails(batch: Sequence[RawMessage]) -> bool:
            return self._fails(kind, [*batches[:k], batch, *batches[k + 1 :]])

        return [*batches[:k], shrink(list(batches[k]), fails, budget_s=self._shrink_s), *batches[k + 1 :]]

    def _with_shorter_payload(self, kind: str, batches: Batches, i: int, j: int) -> Batches:
        message = batches[i][j]

        def with_payload(payload: bytes) -> Batches:
            other = [*batches[i][:j], changed(message, payload=payload), *batches[i][j + 1 :]]
            return [*batches[:i], other, *batches[i + 1 :]]

        return with_payload(
            shrink(message.payload, lambda part: self._fails(kind, with_payload(part)), budget_s=self._shrink_s)
        )

    def _fails(self, kind: str, batches: Batches) -> bool:
        """Tell whether batches fail in the same way: a single message alone, more of them in a new store."""
        self._in_flight.note([message for batch in batches for message in batch])
        path = self._new_path()
        try:
            if self._is_alone:
                probe(batches[0][0], self._decode)
            else:
                land_case(path, batches, self._decode)
        except ViolationError as violation:
            return violation.kind == kind
        finally:
            self._remove(path.name)
        return False
