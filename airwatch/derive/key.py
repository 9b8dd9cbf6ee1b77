"""Whether the key is on: from the key's own events."""

import polars as pl

from airwatch.derive.frames import UNIT


def add_key(samples: pl.DataFrame, lamps: pl.DataFrame) -> pl.DataFrame:
    """Add ``is_key_on`` (null where no event came before) and ``key_since`` to some samples.

    Parameters
    ----------
    samples : DataFrame
        ``fleet, unit, t``, sorted by them; few, for each is looked up.
    lamps : DataFrame
        Lamp events; those of lamp ``key`` count.
    """
    events = lamps.filter(pl.col("lamp") == "key").select(*UNIT, "t", is_key_on="is_on", key_since="t").sort("t")
    return (
        samples.with_row_index("_row")
        .sort("t")
        .join_asof(events, on="t", by=UNIT, check_sortedness=False)
        .sort("_row")
        .drop("_row")
    )
