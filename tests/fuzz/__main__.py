"""Mutated payloads through decoding and landing: `make fuzz`, which runs `python -m tests.fuzz`."""

import importlib.util
import sys
import time
from pathlib import Path

import click

from tests.fuzz.report import Report
from tests.fuzz.summary import lines_of, lines_of_all
from tests.fuzz.supervise import run_source

_FINDINGS = Path(__file__).parent / "findings"


@click.command()
@click.option("--payloads", default=100_000, show_default=True, type=click.IntRange(2), help="How many, all in all.")
@click.option("--seed", default=1, show_default=True, type=click.IntRange(0), help="Another seed, other payloads.")
@click.option(
    "--findings",
    default=_FINDINGS,
    type=click.Path(file_okay=False, path_type=Path),
    help="Folder for cases that fail.",
)
def main(payloads: int, seed: int, findings: Path) -> None:
    """Put mutated payloads through decoding and landing; exit 1 if a property does not hold.

    Half of them are drawn by Hypothesis, half are found by a coverage-guided fuzzer. Cases that fail are written as
    small as they could be made; `python -m tests.fuzz.replay FILE` runs one again.
    """
    sources = {"structured": "tests.fuzz.structured", "coverage-guided": "tests.fuzz.guided"}
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed (it has wheels for Linux on x86-64 only): all payloads are structured ones")
        del sources["coverage-guided"]
    together = Report()
    for source, module in sources.items():
        began = time.monotonic()
        outcome = run_source(module, -(-payloads // len(sources)), seed=seed, findings=findings)
        together.add(outcome.report)
        print(*lines_of(source, outcome), f"  took {time.monotonic() - began:.0f} s", sep="\n", flush=True)
    print(*lines_of_all(together), sep="\n")
    is_short = together.n_payloads < payloads
    if is_short:
        print(f"only {together.n_payloads} of {payloads} payloads were run; the workers kept dying")
    sys.exit(bool(together.violations) or is_short)


if __name__ == "__main__":
    main()
