"""`airwatch evaluate`."""

from pathlib import Path

import click
import polars as pl

from airwatch.alerts.score import Score, brier, by_fault, reliability
from airwatch.cli import options
from pipelines.evaluate import Evaluation, evaluate_recordings
from pipelines.evaluation.compressor_rows import compressor_report
from pipelines.evaluation.compressor_text import as_text
from pipelines.evaluation_page import write_page

_READABLE = click.Path(exists=True, dir_okay=False, path_type=Path)


@click.command()
@click.argument("recordings", nargs=-1, type=_READABLE)
@click.option("--units", type=_READABLE, help="The unit registry, CSV.")
@click.option("--labels", type=_READABLE, help="What was really wrong, CSV: one row a fault.")
@click.option("--plots", type=options.FILE, help="An HTML page with the figures as plots.")
@click.option("--every", "all_rows", is_flag=True, help="Print every alert, not only the wrong and the missed.")
@click.option(
    "--compressor-rows",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    help="A folder of real compressor rows (tests/data/metropt3): report load share and leakage beside published work.",
)
def evaluate(
    recordings: tuple[Path, ...],
    units: Path | None,
    labels: Path | None,
    plots: Path | None,
    compressor_rows: Path | None,
    *,
    all_rows: bool,
) -> None:
    """Run a labelled recording and say how well its alerts fit; or report on real compressor rows."""
    if compressor_rows is not None:
        click.echo(as_text(compressor_report(compressor_rows)))
    if not recordings:
        if compressor_rows is None:
            raise click.UsageError("name a recording with --units and --labels, or --compressor-rows")
        return
    if units is None or labels is None:
        raise click.UsageError("a recording needs --units and --labels")
    done = evaluate_recordings(recordings, units, labels, on_step=lambda text: click.echo(f"{text} ...", err=True))
    _print(done, all_rows=all_rows)
    if plots is not None:
        write_page(done, plots)
        click.echo(f"wrote {plots}")


def _print(done: Evaluation, *, all_rows: bool) -> None:
    s: Score = done.score
    click.echo(f"{s.n_labels} faults, {s.n_alerts} alerts, {s.n_right} right; {s.days:.1f} days")
    click.echo(f"precision {_share(s.precision)}, recall {_share(s.recall)}, F1 {_share(s.f1)}")
    click.echo(f"right circuit {_share(s.right_circuit)} of the right alerts whose fault has one")
    click.echo(f"lead on ramps, median {_days(s.lead_days_median)} before readings show the limit crossed in fact")
    click.echo(f"delay on steps, median {_days(s.step_delay_days_median)}")
    false = s.false_per_100_healthy_unit_days
    rate = "none" if false is None else f"{false:.2f}"
    click.echo(f"false alerts per 100 healthy unit-days: {rate} ({s.n_healthy_units} healthy units)")
    if (of_confidence := brier(done.matched)) is not None:
        click.echo(f"confidence beside outcome: Brier score {of_confidence:.3f}")
    shown = done.matched if all_rows else done.matched.filter(pl.col("outcome") != "right")
    columns = [
        "outcome",
        "unit",
        "trailer",
        "fault",
        "circuit",
        "began",
        "opened",
        "after_days",
        "lead_days",
        "summary",
    ]
    with pl.Config(
        tbl_rows=-1, tbl_cols=-1, tbl_width_chars=240, fmt_str_lengths=90, tbl_formatting="NOTHING",
        tbl_hide_dataframe_shape=True, tbl_hide_column_data_types=True, float_precision=1,
    ):  # fmt: skip
        click.echo(by_fault(done.matched))
        click.echo(reliability(done.matched))
        if shown.height:
            click.echo(shown.select(columns))


def _share(value: float | None) -> str:
    return "none" if value is None else f"{value:.3f}"


def _days(value: float | None) -> str:
    return "none" if value is None else f"{value:.1f} days"
