"""The CSV of outcomes of an inspection: one header, one outcome a line."""

import csv
from hashlib import blake2b
from io import StringIO

from airwatch.errors import CampaignError, HandError
from airwatch.hand.csv_file import parse_time

HEADER = ["unit", "item", "result", "seen_at", "note"]
"""The columns, in this order; ``result`` is passed or failed, ``note`` may be left empty."""

_RESULTS = {"passed": True, "failed": False}


def parse_outcomes(text: str, *, name: str) -> list[dict[str, object]]:
    """Read the outcomes of a file.

    Parameters
    ----------
    text : str
        With the header of `HEADER`; ``seen_at`` is RFC 3339 with its offset or Z.
    name : str
        What errors call the file.

    Returns
    -------
    list of dict
        ``id, unit, item, passed, seen_at, note``; the id is made from what the line says, so that a file that is sent
        again lands each line once.

    Raises
    ------
    CampaignError
        Its header is another, or a field can't be understood. The text names line and field; nothing is taken.
    """
    reader = csv.DictReader(StringIO(text, newline=""), strict=True)
    rows: list[dict[str, object]] = []
    try:
        if reader.fieldnames is None or list(reader.fieldnames) != HEADER:
            got = ",".join(reader.fieldnames or [])
            raise CampaignError(f"{name} line 1: the header must be {','.join(HEADER)}; got {got}")
        for row in reader:
            where = f"{name} line {reader.line_num}"
            if None in row or None in row.values():
                raise CampaignError(f"{where}: {len(HEADER)} fields are needed, as in the header")
            rows.append(_outcome({key: value.strip() for key, value in row.items()}, where))
    except csv.Error as err:
        raise CampaignError(f"{name}: can't be read as outcomes: {err}; check the file") from err
    return rows


def _outcome(row: dict[str, str], where: str) -> dict[str, object]:
    for key in ("unit", "item"):
        if not row[key]:
            raise CampaignError(f"{where}, {key}: is empty; fill it in")
    if row["result"] not in _RESULTS:
        raise CampaignError(f"{where}, result: {row['result']!r} is neither passed nor failed; write one of them")
    try:
        seen_at = parse_time(row["seen_at"], f"{where}, seen_at")
    except HandError as err:
        raise CampaignError(str(err)) from err
    id_ = blake2b("\x1f".join(row[key] for key in HEADER).encode(), digest_size=12).hexdigest()
    passed, note = _RESULTS[row["result"]], row["note"] or None
    return {"id": id_, "unit": row["unit"], "item": row["item"], "passed": passed, "seen_at": seen_at, "note": note}
