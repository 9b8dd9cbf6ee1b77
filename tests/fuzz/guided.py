"""The worker of the coverage-guided source: `atheris` changes good messages and keeps what reaches new lines.

Run as a process of its own by `tests.fuzz.supervise`. What is watched is the Python of decoding; the JSON, CBOR and
frame libraries below it are not built for that.
"""

import os
import random
import sys
from pathlib import Path

import atheris  # type: ignore[import-untyped]

with atheris.instrument_imports(include=["airwatch.contract", "airwatch.can"], exclude=["airwatch.store"]):
    from tests.fuzz.campaign import Campaign

from airwatch.contract.columns import COLUMN_NAMES
from tests.fuzz.envelope import encoding_of, loose_seeds, pack, unpack
from tests.fuzz.generators.restructure import restructured
from tests.fuzz.in_flight import InFlight
from tests.fuzz.seeds import seeds
from tests.fuzz.worker import IN_FLIGHT, Order, order_of_command_line, write_report

_LONGEST = 1200  # bytes
_REPORT_EVERY = 1000
_SHARE_OF_STRUCTURE, _SHARE_FROM_SEEDS = 0.85, 0.4
_SEEDS = [*map(pack, seeds()), *loose_seeds()]
_WORDS = (
    *COLUMN_NAMES,
    *(
        "v",
        "unit",
        "seq",
        "t0",
        "dt_ms",
        "t_ms",
        "trailer",
        "events",
        "kind",
        "cut_in",
        "cut_out",
        "codes",
        "spn",
        "fmi",
    ),
    *(
        "count",
        "lamps",
        "lamp",
        "key",
        "on",
        "tractor_abs",
        "trailer_abs",
        "true",
        "false",
        "null",
        "1e999",
        "-1",
        "2000",
    ),
    *(
        "2031-02-03T11:20:00Z",
        "9999-12-31T00:00:00Z",
        "bn",
        "bt",
        "bu",
        "bv",
        "bs",
        "bver",
        "vs",
        "vb",
        "vd",
        "urn:dev:",
    ),
    *(
        "kPa",
        "hPa",
        "1/min",
        "##",
        "#R",
        "can0",
        "FFFFFFFF",
        "(1927884000.250000)",
        "18FEFA0B#",
        "18FEAE30#",
        "18ECFF0B#",
    ),
    *("18EBFF0B#", "18FECA0B#"),
)


def prepare(folder: Path) -> list[str]:
    """Write seeds and dictionary into a worker's folder; give the arguments that name them."""
    corpus = folder / "corpus"
    corpus.mkdir()
    for number, data in enumerate(_SEEDS):
        (corpus / f"seed-{number:02}").write_bytes(data)
    dictionary = folder / "words"
    dictionary.write_text("".join(f'"{word}"\n' for word in _WORDS))
    return [f"-dict={dictionary}", f"-artifact_prefix={folder}/", str(corpus)]


def changed(data: bytes, max_size: int, seed: int) -> bytes:
    """Change an input within its own structure or, where it has none and now and then, any bytes of it."""
    rng = random.Random(seed)
    if rng.random() < _SHARE_FROM_SEEDS:  # what is kept for reaching new lines is mostly what is refused
        data = rng.choice(_SEEDS)
    if rng.random() < _SHARE_OF_STRUCTURE and (encoding := encoding_of(data)) is not None:
        whole = restructured(data[1:], encoding, rng)
        if whole is not None and len(whole) < max_size:
            return data[:1] + whole
    mutated: bytes = atheris.Mutate(data, max_size)
    return mutated


def run(order: Order) -> None:
    """Offer the payloads of an order. The process ends in here: the fuzzer never comes back."""
    folder = Path(order.folder)
    campaign = Campaign(folder, Path(order.findings), InFlight(folder / IN_FLIGHT), seed=order.seed, first=order.first)

    def offer(data: bytes) -> None:
        campaign.offer(unpack(data))
        if campaign.report.n_payloads % _REPORT_EVERY == 0:
            write_report(order, campaign.report)
        if campaign.report.n_payloads >= order.n_payloads:
            campaign.close()
            write_report(order, campaign.report)
            sys.stderr.flush()
            os._exit(0)

    limits = [
        f"-seed={order.seed % 2**31 or 1}",
        f"-max_len={_LONGEST}",
        "-timeout=600",
        "-mutate_depth=2",
        "-rss_limit_mb=4096",
    ]
    atheris.Setup([sys.argv[0], *limits, *prepare(folder)], offer, custom_mutator=changed)
    atheris.Fuzz()


if __name__ == "__main__":
    run(order_of_command_line())
