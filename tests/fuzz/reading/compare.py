"""One way to the second readings of all streams and encodings."""

import cbor2

from airwatch.contract.message import RawMessage
from tests.fuzz.addressed import CBOR, JSON, SENML_CBOR, SENML_JSON, Address
from tests.fuzz.outcome import Outcome
from tests.fuzz.reading.blocks import load_cbor, load_json, read_payload
from tests.fuzz.reading.candump import check_candump
from tests.fuzz.reading.landing import check_expected
from tests.fuzz.reading.senml import read_pack
from tests.fuzz.violation import ViolationError

_LOAD = {JSON: load_json, SENML_JSON: load_json, CBOR: load_cbor, SENML_CBOR: load_cbor}


def compare(message: RawMessage, address: Address, outcome: Outcome) -> bool:
    """Compare an outcome with a second reading of the payload; False where there is none.

    Raises
    ------
    ViolationError
        They differ, or what was accepted can't be read a second time.
    """
    if address.stream == "can":
        return check_candump(message.payload, outcome)
    if not outcome.ledger:
        return False
    try:
        body = _LOAD[address.encoding](message.payload)
    except RecursionError:  # a field that the contract does not have, deeper than the second reader goes
        return False
    except (cbor2.CBORError, ValueError, ArithmeticError) as err:
        raise ViolationError("accepted, but a second reader refuses it", " ".join(str(err).split())[:300]) from err
    if address.encoding in {SENML_JSON, SENML_CBOR}:
        expected = read_pack(body, address.unit, message.received_us)
    else:
        expected = read_payload(body, address.stream)
    check_expected(expected, outcome)
    return True
