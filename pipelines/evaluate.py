"""A labelled recording through the whole line, and its alerts beside the labels."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from airwatch.alerts.score import Score, match, score
from airwatch.errors import RecordingError
from airwatch.registry import read_units
from airwatch.store.database import Store
from airwatch.store.registry import replace_units
from airwatch.store.results import alerts, power_units, recorded_span
from pipelines.derive import derive_new
from pipelines.labels import read_labels
from pipelines.land import land_recordings


@dataclass(frozen=True, slots=True)
class Evaluation:
    """What came of a recording; ``matched`` has columns as `airwatch.alerts.score.MATCHED`."""

    matched: pl.DataFrame
    score: Score


def evaluate_recordings(
    paths: Sequence[Path], units: Path, labels: Path, *, on_step: Callable[[str], None] | None = None
) -> Evaluation:
    """Land recordings in a store of their own, derive, and score the alerts against the labels.

    Raises
    ------
    RecordingError
        A recording or the labels can't be read, or nothing could be landed.
    """
    say = on_step or (lambda _: None)
    truth = read_labels(labels)
    with TemporaryDirectory(prefix="airwatch-evaluate-") as name, Store.open(Path(name) / "evaluate.duckdb") as store:
        replace_units(store, read_units(units))
        say(f"landing {', '.join(path.name for path in paths)}")
        land_recordings(store, list(paths))
        say("deriving")
        derive_new(store, everything=True)
        return evaluate_store(store, truth)


def evaluate_store(store: Store, labels: pl.DataFrame) -> Evaluation:
    """Score the alerts of a store against labels, columns as `airwatch.alerts.score.LABELS`."""
    span = recorded_span(store)
    if span is None:
        raise RecordingError("the recording holds no samples; there is nothing to evaluate")
    first, last = span
    healthy = power_units(store).filter(~pl.col("unit").is_in(labels["unit"].drop_nulls().to_list()))
    matched = match(alerts(store), labels, last)
    return Evaluation(matched, score(matched, n_healthy_units=healthy.height, days=(last - first) / timedelta(days=1)))
