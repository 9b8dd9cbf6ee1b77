"""JSON blocks are read in a quick way where they are plain; what lands must be what the plain way says."""

import re

from msgspec import UNSET

from airwatch.contract.columns import COLUMN_NAMES, COLUMNS
from airwatch.contract.message import RawMessage
from airwatch.contract.payloads import PressurePayload, decode_json
from airwatch.errors import PayloadError
from tests.fuzz.outcome import Outcome
from tests.fuzz.properties import fitting
from tests.fuzz.violation import ViolationError

# What is said of a block that both ways can read and whose columns or times don't go together.
_SHAPE = re.compile(r"payload: (columns differ|exactly one of|t_ms |t0 and |dt_ms )|time .* lies outside the years")
_KIND = "the quick way and the plain way differ"


def check_plain_path(message: RawMessage, outcome: Outcome) -> None:
    """Check a message of stream ``pressure`` in JSON against `decode_json`.

    Raises
    ------
    ViolationError
        One refuses what the other accepts, for another reason, or values differ.
    """
    unit = message.topic.split("/")[-2]
    try:
        body, unknown = decode_json(message.payload, PressurePayload, unit)
    except PayloadError as err:
        said = [row["reason"] for row in outcome.rejects]
        if said != [str(err)]:
            raise ViolationError(_KIND, f"plain way: {str(err)!r}; landing: {said or 'accepted'}"[:300]) from None
        return
    if not outcome.ledger:
        reason = outcome.rejects[0]["reason"]
        if not _SHAPE.match(reason):
            raise ViolationError(_KIND, f"the plain way accepts it; landing: {reason!r}"[:300])
        return
    ledger, samples = outcome.ledger[0], outcome.rows.get("samples", ())
    trailer = None if body.trailer is UNSET else body.trailer or ""
    if (ledger["seq"], ledger["trailer"]) != (body.seq, trailer) or bool(unknown) != (ledger["remark"] is not None):
        raise ViolationError(_KIND, f"{body.seq=}, {trailer=}, {unknown=}; the ledger has {ledger}"[:300])
    for k, (name, column) in enumerate(zip(COLUMN_NAMES, COLUMNS, strict=True), start=1):
        values = getattr(body, name)
        plain = [None] * len(samples) if values is UNSET or values is None else [fitting(v, column) for v in values]
        landed = [sample[k] for sample in samples]
        if plain != landed:
            raise ViolationError(_KIND, f"{name}: plain way {plain[:8]}, landed {landed[:8]}"[:300])
