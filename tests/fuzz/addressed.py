"""Whose a message is and how it is written, read a second time from topic and content type."""

import re
from dataclasses import dataclass

from airwatch.contract.message import RawMessage

JSON, CBOR, TEXT = "application/json", "application/cbor", "text/plain"
SENML_JSON, SENML_CBOR = "application/senml+json", "application/senml+cbor"
ENCODINGS = {
    "pressure": (JSON, CBOR, SENML_JSON, SENML_CBOR),
    "governor": (JSON, CBOR),
    "faults": (JSON, CBOR),
    "can": (TEXT,),
}
"""What each stream may come in; the first also stands for no content type."""

_TOPIC = re.compile(r"air/v1/([A-Za-z0-9._-]{1,64})/([A-Za-z0-9._-]{1,64})/(pressure|governor|faults|can)")
_SHORT = {JSON: "JSON", CBOR: "CBOR", SENML_JSON: "SenML JSON", SENML_CBOR: "SenML CBOR", TEXT: "candump"}


@dataclass(frozen=True, slots=True)
class Address:
    """A topic and content type that the contract has."""

    fleet: str
    unit: str
    stream: str
    encoding: str

    @property
    def label(self) -> str:
        """Name stream and encoding."""
        return f"{self.stream} {_SHORT[self.encoding]}"


def addressed(message: RawMessage) -> Address | None:
    """Give the address of a message; None if the contract does not have it, so that the message must be refused."""
    found = _TOPIC.fullmatch(message.topic)
    if found is None:
        return None
    fleet, unit, stream = found.groups()
    encoding = (message.content_type or ENCODINGS[stream][0]).split(";")[0].strip().lower()
    return Address(fleet, unit, stream, encoding) if encoding in ENCODINGS[stream] else None
