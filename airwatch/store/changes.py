"""What others in this process are told once something is committed, so that nobody has to look again and again."""

from dataclasses import dataclass
from typing import Literal

import polars as pl

SPANS = pl.Schema({"unit_key": pl.Int64(), "t_first": pl.Datetime("us"), "t_last": pl.Datetime("us")})


@dataclass(frozen=True, slots=True)
class Change:
    """One commit: of samples, or of results (readings, alerts, the registry, the record of what came in).

    ``spans`` has columns as `SPANS` and tells whose samples changed, from when to when; None: anybody's, at any time.
    """

    what: Literal["samples", "results"]
    spans: pl.DataFrame | None = None
