"""How fast each encoding is decoded, in one process; run it with ``make bench``.

The figures to keep are the ratios to JSON, the usual encoding, of the same samples in the same run.
"""

import sys
import time
from collections.abc import Callable, Sequence
from itertools import islice
from pathlib import Path

import click

sys.path.insert(0, str(Path(__file__).parents[2]))

from airwatch.can.candump import parse_candump
from airwatch.can.joined import join_frames
from airwatch.contract.batch import decode_batch
from airwatch.contract.message import RawMessage
from tests.benchmarks.recordings import (
    SAMPLES_A_MESSAGE,
    blocks,
    can_log,
    in_cbor,
    in_json,
    in_senml_cbor,
    in_senml_json,
)

GROUP = 1000
ENCODINGS = {"JSON": in_json, "CBOR": in_cbor, "SenML JSON": in_senml_json, "SenML CBOR": in_senml_cbor}


@click.command()
@click.option("--messages", "n", default=8000, show_default=True)
@click.option("--frames", "n_frames", default=1_000_000, show_default=True)
def main(n: int, n_frames: int) -> None:
    """Decode the same samples in each encoding, and a CAN log; print rates and ratios."""
    usual: float | None = None
    for name, write in ENCODINGS.items():
        sent = [write(block) for block in islice(blocks(n), n)]
        seconds = best_of_3(lambda sent=sent: decode_in_groups(sent))  # type: ignore[misc]
        rate = n * SAMPLES_A_MESSAGE / seconds
        usual = usual or rate
        size = sum(len(message.payload) for message in sent) / n / SAMPLES_A_MESSAGE
        click.echo(f"{name:>12}: {rate:12,.0f} samples/s, {rate / usual:.3f} of JSON, {size:5.1f} bytes a sample")
    log = b"".join(can_log(n_frames))
    seconds = best_of_3(lambda: join_frames(parse_candump(log).frames, None))
    rate = n_frames / seconds
    click.echo(f"{'J1939':>12}: {rate:12,.0f} frames/s from candump text, {len(log) / n_frames:.1f} bytes a frame")


def decode_in_groups(sent: Sequence[RawMessage]) -> None:
    """Decode messages as the subscriber does, a group at a time."""
    for at in range(0, len(sent), GROUP):
        decoded = decode_batch(sent[at : at + GROUP])
        if decoded.rejects.height or decoded.samples.height != len(sent[at : at + GROUP]) * SAMPLES_A_MESSAGE:
            sys.exit(f"decode_rate: not all was decoded: {decoded.rejects['reason'].to_list()[:1]}")


def best_of_3(work: Callable[[], object]) -> float:
    """Give the least time of three; other work on the machine only adds."""
    times = []
    for _ in range(3):
        begin = time.perf_counter()
        work()
        times.append(time.perf_counter() - begin)
    return min(times)


if __name__ == "__main__":
    main()
