"""ABS lamps: the moments when a lamp request changed."""

from collections.abc import Sequence

import numpy as np
import polars as pl

from airwatch.can.frames import Schema
from airwatch.can.signals import LAMPS
from airwatch.can.values import Stream
from airwatch.contract.columns import TIME

LAMP_COLUMNS: Schema = {"t": TIME, "lamp": pl.String, "is_on": pl.Boolean}


def lamp_events(streams: Sequence[Stream]) -> pl.DataFrame:
    """Give the first state of each lamp and every change after it.

    Parameters
    ----------
    streams : sequence of Stream, best first
        Of each lamp the first stream counts and the others are left aside, so that two senders that disagree can't
        make a lamp flicker.

    Returns
    -------
    DataFrame, sorted by ``t``
        ``t``, ``lamp`` (``tractor_abs`` or ``trailer_abs``), ``is_on``.
    """
    best = {lamp: [stream for stream in streams if stream.signal.feeds == lamp][:1] for lamp in LAMPS}
    events = [pl.DataFrame(schema=LAMP_COLUMNS)]
    for lamp, found in best.items():
        for stream in found:
            changed = np.flatnonzero(np.diff(stream.value, prepend=np.nan) != 0)
            events.append(
                pl.DataFrame(
                    {
                        "t": pl.Series(stream.t_us[changed], dtype=pl.Int64).cast(TIME),
                        "lamp": pl.repeat(lamp, len(changed), dtype=pl.String, eager=True),
                        "is_on": stream.value[changed] == 1,
                    }
                )
            )
    return pl.concat(events).sort("t", "lamp")
