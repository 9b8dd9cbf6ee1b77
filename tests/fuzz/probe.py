"""One message alone: decoded, timed, and held to everything that can be said of it."""

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from airwatch.contract.batch import DecodedBatch, decode_batch
from airwatch.contract.message import RawMessage
from tests.fuzz.addressed import JSON, addressed
from tests.fuzz.outcome import Outcome, outcomes
from tests.fuzz.plain_path import check_plain_path
from tests.fuzz.properties import check_outcome
from tests.fuzz.reading.compare import compare
from tests.fuzz.violation import ViolationError, of_exception

SLOW_S = 2.0
_TRIES = 3

Decode = Callable[[Iterable[RawMessage]], DecodedBatch]


@dataclass(frozen=True, slots=True)
class Probed:
    """What became of a message alone, how long its decoding took, and whether a second reading was compared."""

    outcome: Outcome
    seconds: float
    is_compared: bool


def probe(message: RawMessage, decode: Decode = decode_batch) -> Probed:
    """Decode one message and check it.

    Raises
    ------
    ViolationError
        A property does not hold.
    """
    decoded, seconds = _timed(message, decode)
    if seconds > SLOW_S:  # unless it was the machine that was busy
        seconds = min(_timed(message, decode)[1] for _ in range(_TRIES))
        if seconds > SLOW_S:
            raise ViolationError("a slow payload", f"{seconds:.1f} s for {len(message.payload)} bytes")
    outcome = outcomes(decoded, [message])[message.received_us]
    check_outcome(message, outcome)
    address = addressed(message)
    if address is None:
        if outcome.ledger:
            raise ViolationError("accepted from an address that is none", f"{message.topic} {message.content_type}")
        return Probed(outcome, seconds, is_compared=True)
    try:
        if (address.stream, address.encoding) == ("pressure", JSON):
            check_plain_path(message, outcome)
        is_compared = compare(message, address, outcome)
    except ViolationError:
        raise
    except Exception as err:
        raise of_exception("a second reading", err) from err
    return Probed(outcome, seconds, is_compared)


def decoded_or_violation(messages: Iterable[RawMessage], decode: Decode) -> DecodedBatch:
    """Decode; whatever is raised, a panic in a native library too, is a violation."""
    try:
        return decode(messages)
    except (KeyboardInterrupt, SystemExit):
        raise
    except BaseException as err:
        raise of_exception("decode_batch", err) from err


def _timed(message: RawMessage, decode: Decode) -> tuple[DecodedBatch, float]:
    began = time.perf_counter()
    decoded = decoded_or_violation([message], decode)
    return decoded, time.perf_counter() - began
