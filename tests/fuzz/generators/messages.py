"""Messages of each stream and encoding: some as they should be, most with edits, damage or both, some misaddressed."""

from typing import Any

from hypothesis import strategies as st

from airwatch.contract.message import RawMessage
from tests.fuzz.addressed import ENCODINGS, JSON, SENML_CBOR, SENML_JSON, TEXT
from tests.fuzz.generators import odd
from tests.fuzz.generators.damage import damaged
from tests.fuzz.generators.documents import faults_messages, governor_messages, pressure_blocks
from tests.fuzz.generators.edits import edited
from tests.fuzz.generators.logs import logs
from tests.fuzz.generators.packs import packs, with_numbers
from tests.fuzz.generators.wire import as_fields, write_cbor, write_json
from tests.messages import T0_US, UNIT

_FLEETS, _UNITS = ("north", "south"), (UNIT, UNIT, "T.9", "x" * 64)
_DOCUMENTS = {"pressure": pressure_blocks, "governor": governor_messages, "faults": faults_messages}
_TOPICS = (
    "", "air/v1", "air/v1/", "air/v2/north/K-204/pressure", "air/v1/north/K-204", "air/v1/north/K-204/pressure/",
    "air/v1//K-204/pressure", "air/v1/north/K-204/PRESSURE", "air/v1/north/K-204/pressure\n", "air/v1/nörth/K-204/can",
    "air/v1/north/K 204/can", "air/v1/north/" + "x" * 65 + "/can", "/air/v1/north/K-204/can", "air/v1/north/K-204/\x00",
    "air/v1/north/../pressure", "air/v1/north/a\nb/pressure", "air/v1/+/K-204/pressure", "$SYS/broker/uptime",
)  # fmt: skip
_TYPES = (
    None, "", " ", ";", "application/json; charset=utf-8", " Application/CBOR ", "application/json2", "text/plain",
    "application/cbor", "application/senml+json", "application/senml+cbor", "application/senml-exi", "a\nb", "x" * 5000,
    "\x00", "TEXT/PLAIN;x", "application/\u212ason",
)  # fmt: skip
_MUTATIONS = [(False, False), (False, False), (True, False), (True, False), (True, False), (False, True), (True, True)]
"""Whether the document is edited, and whether its bytes are damaged."""


@st.composite
def messages_of(draw: st.DrawFn, stream: str, encoding: str) -> RawMessage:
    """Draw a message of one stream and encoding; its time of arrival is `T0_US`."""
    unit = draw(st.sampled_from(_UNITS))
    is_edited, is_damaged = draw(st.sampled_from(_MUTATIONS))
    payload = draw(_payloads(stream, encoding, unit, is_edited=is_edited))
    if is_damaged:
        payload = draw(damaged(payload))
    named = draw(st.sampled_from([encoding] * 5 + [f"{encoding}; charset=utf-8"]))
    content_type = None if encoding == ENCODINGS[stream][0] and draw(st.booleans()) else named
    return RawMessage(f"air/v1/{draw(st.sampled_from(_FLEETS))}/{unit}/{stream}", payload, T0_US, content_type)


@st.composite
def misaddressed(draw: st.DrawFn) -> RawMessage:
    """Draw a message of any kind with a topic or content type that is another's or none."""
    stream = draw(st.sampled_from([*ENCODINGS]))
    message = draw(messages_of(stream, draw(st.sampled_from(ENCODINGS[stream]))))
    other = f"air/v1/north/{UNIT}/{draw(st.sampled_from([*ENCODINGS]))}"
    topic = draw(st.sampled_from([message.topic, other]) | st.sampled_from(_TOPICS) | odd.texts)
    content_type = draw(st.just(message.content_type) | st.sampled_from(_TYPES) | odd.texts)
    payload = draw(st.just(message.payload) | st.binary(max_size=60))
    return RawMessage(topic, payload, T0_US, content_type)


@st.composite
def _payloads(draw: st.DrawFn, stream: str, encoding: str, unit: str, *, is_edited: bool) -> bytes:
    if encoding == TEXT:
        return draw(logs(is_odd=is_edited))
    document: Any
    if encoding in {SENML_JSON, SENML_CBOR}:
        document = draw(packs(unit))
        if encoding == SENML_CBOR and draw(st.integers(0, 3)):
            document = with_numbers(document)
    else:
        document = draw(_DOCUMENTS[stream](unit))
    document = as_fields(document)
    if is_edited:
        document = draw(edited(document))
    if encoding in {JSON, SENML_JSON}:
        return write_json(document, is_ascii=draw(st.booleans()))
    is_plain = draw(st.booleans())
    width = 0 if is_plain else draw(st.sampled_from([0, 1, 2, 4, 8]))
    return write_cbor(document, is_indefinite=not is_plain and draw(st.booleans()), width=width)


KINDS: dict[str, st.SearchStrategy[RawMessage]] = {
    **{
        f"{stream} {encoding}": messages_of(stream, encoding)
        for stream, encodings in ENCODINGS.items()
        for encoding in encodings
    },
    "misaddressed": misaddressed(),
}
"""A strategy for each stream and encoding, and one for messages whose address does not fit."""
