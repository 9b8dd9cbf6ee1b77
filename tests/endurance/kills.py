"""One long replay through a real broker, both ends killed again and again; run it with ``make endure``.

A recording of at least a million samples, 60 a message, JSON and CBOR, is published with QoS 1 through a real
Mosquitto to `airwatch subscribe`, the real command with its persistent session. Both are ended by SIGKILL at random
moments while messages flow. At the end what `airwatch export samples` gives must have the content hash of the
recording, read by plain loops that share nothing with the program: every sample once, none lost, none altered.

*When.* The recording is published in as many shares as there are kills, and one more. Each kill has a share of its own:
half of it is let go at once, as the work of a subscriber that starts; then comes the wait for the kill's occasion
(messages have arrived; the store's files have changed; something has been acknowledged; or, for a subscriber that has
just been started, nothing at all). Then the other half is let go, and while it is paced out a random delay goes by. So
the kills fall into starting, decoding, writing, committing and acknowledging, and there is always work left.

*Who holds what.* A subscriber that is killed leaves with the broker what it has not acknowledged. A broker that is
killed loses, by its design, what it has acknowledged and not yet written to its file; it writes that now and then, and
when told to by a signal. So the publisher counts on nothing but a save that was asked for and seen to be done: the
messages acknowledged before it are in the file, all others are held, and are published again after the broker was
killed. Most of these arrive twice, and so does what the subscriber acknowledged after the save. That is QoS 1: at least
once, in order; landing has to see to the rest.

*What is looked at besides.* The subscriber speaks to the broker through a relay that counts deliveries and
acknowledgements. After each kill of the subscriber the messages in a copy of its store are counted: there may never be
more acknowledged than committed. More committed than acknowledged means that the kill fell between the two.

The seed decides on order, occasions and delays, and is printed. What they meet depends on the machine.
"""

import json
import random
import shutil
import sys
import tempfile
import time
from itertools import chain
from pathlib import Path

import cbor2
import click
import polars as pl

from airwatch.contract.message import RawMessage
from airwatch.store.database import Store
from airwatch.store.results import landing_counts
from tests.broker import find_mosquitto
from tests.conftest import Airwatch
from tests.endurance.line import Line
from tests.endurance.publisher import Published
from tests.messages import at, content_hash, drive, governor, message, samples_of

SAMPLES_A_MESSAGE = 60
N_UNITS, CBOR_EVERY = 16, 4
OCCASIONS = {"start": 1, "arrival": 3, "write": 3, "acknowledgement": 3}
"""What a kill waits for before its delay, and how often, relative to the others."""
LONGEST_DELAY_S, LONGEST_START_S = 0.3, 2.0
SHARE_S = 0.6  # how long a share takes to go out
SAVES = 0.5  # how many of the shares begin with a save


@click.command()
@click.option("--samples", default=1_000_000, show_default=True, help="At least so many.")
@click.option("--kills", default=50, show_default=True, help="Of the subscriber.")
@click.option("--broker-kills", default=10, show_default=True)
@click.option("--seed", type=int, help="A printed seed gives the same order, occasions and delays.")
def main(samples: int, kills: int, broker_kills: int, seed: int | None) -> None:
    """Replay a recording while subscriber and broker are killed, and compare what landed with it."""
    program = find_mosquitto()
    if program is None:
        sys.exit("kills: Debian's mosquitto is not installed: apt-get install mosquitto")
    seed = random.SystemRandom().randrange(1 << 32) if seed is None else seed
    recording = recorded(-(-samples // (SAMPLES_A_MESSAGE * N_UNITS)))
    expected = samples_of(recording)
    click.echo(f"seed {seed}: {expected.height} samples in {len(recording)} messages of {N_UNITS} units")
    height, hashed = expected.height, content_hash(expected)
    del expected
    folder = Path(tempfile.mkdtemp(prefix="endurance-"))
    line = Line(program, folder, to_publish(recording), per_s=len(recording) / (kills + broker_kills + 1) / SHARE_S)
    try:
        line.begin()
        kill_again_and_again(line, random.Random(seed), kills, broker_kills)  # noqa: S311 no secret
        line.finish()
        is_good = summed_up(line, height, hashed)
    except AssertionError as err:
        sys.exit(f"kills: {err}; the files of broker and store are left in {folder}")
    finally:
        line.close()
    if not is_good:
        sys.exit(f"kills: what landed is not what was recorded; the files of broker and store are left in {folder}")
    shutil.rmtree(folder)


def recorded(n_blocks: int) -> list[RawMessage]:
    """Give a recording of several units, in the order in which a broker would have got it."""
    units = [drive(f"K-{k:02}", n_blocks, n=SAMPLES_A_MESSAGE) for k in range(N_UNITS)]
    return list(chain.from_iterable(zip(*units, strict=True)))


def to_publish(recording: list[RawMessage]) -> list[Published]:
    """Give what is published: every fourth unit sends CBOR; the last message is a unit's that sends no samples."""
    last = message(governor({"t": at(0), "kind": "cut_in"}, unit="LAST"), "governor")
    sent = [(m.topic, m.payload, "application/json") for m in [*recording, last]]
    for k in range(0, len(recording), CBOR_EVERY):
        topic, payload, _ = sent[k]
        sent[k] = (topic, cbor2.dumps(json.loads(payload)), "application/cbor")
    return sent


def kill_again_and_again(line: Line, rng: random.Random, kills: int, broker_kills: int) -> None:
    """Kill subscriber and broker in random order, each in its own share of the messages."""
    victims = ["subscriber"] * kills + ["broker"] * broker_kills
    rng.shuffle(victims)
    n = len(line.messages)
    with click.progressbar(victims, label="kills", file=sys.stderr, hidden=not sys.stderr.isatty()) as shown:
        for k, victim in enumerate(shown):
            share = n // (len(victims) + 1)
            if rng.random() < SAVES:
                line.save()
            choices = OCCASIONS if victim == "subscriber" else {**OCCASIONS, "start": 0}
            (occasion,) = rng.choices(list(choices), list(choices.values()))
            longest_s = LONGEST_START_S if occasion == "start" else LONGEST_DELAY_S
            delay_s = rng.uniform(0, longest_s)
            seen = line.seen()
            line.let(k * share + share // 2)
            line.wait_for_occasion(occasion, seen)
            line.let((k + 1) * share)
            time.sleep(delay_s)
            if victim == "broker":
                line.kill_broker()
            else:
                line.kill_subscriber(occasion)


def summed_up(line: Line, height: int, hashed: str) -> bool:
    """Print what was done and what landed; tell whether it is the recording, and nothing was acknowledged early."""
    with Store.open(line.db) as store:
        counts = landing_counts(store)
    target = line.db.with_suffix(".parquet")
    Airwatch(line.db.parent).run("export", "samples", "--db", line.db, "--format", "parquet", "-o", target)
    landed = pl.read_parquet(target)
    landed_hash = content_hash(landed)
    tally, relay = line.tally, line.relay
    n_kills = tally.kills.total()
    by_occasion = ", ".join(f"{tally.kills[occasion]} after {occasion}" for occasion in OCCASIONS)
    click.echo(f"killed: the subscriber {n_kills} times ({by_occasion}), the broker {tally.broker_kills} times")
    click.echo(
        f"met: {tally.met_waiting} of {n_kills + tally.broker_kills} while delivered messages waited,"
        f" {tally.met_between} of {n_kills} between commit and acknowledgement;"
        f" acknowledged before the commit: {tally.acknowledged_early}"
    )
    click.echo(
        f"messages: {len(line.messages)}, published {tally.published}, delivered {relay.n_delivered}"
        f" ({relay.n_redelivered} marked as again), committed {counts['messages']}, set aside {counts['rejects']}"
    )
    click.echo(f"samples: {counts['repeated']} came again and were there, {counts['conflicting']} differed")
    is_equal = (landed.height, landed_hash) == (height, hashed)
    click.echo(f"landed {landed.height} samples, {landed_hash[:16]}; recorded {height}, {hashed[:16]}: ", nl=False)
    click.echo("equal" if is_equal else "NOT EQUAL")
    return is_equal and not (tally.acknowledged_early or counts["conflicting"] or counts["rejects"])


if __name__ == "__main__":
    main()
