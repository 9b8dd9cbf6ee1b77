"""Times of the store as the API writes them."""

from datetime import datetime
from typing import Annotated

from pydantic import PlainSerializer, WithJsonSchema


def rfc3339(t: datetime) -> str:
    """Write a time of the store (UTC without a zone) to the millisecond."""
    return f"{t.isoformat(timespec='milliseconds')}Z"  # of which a year before 1000 has four figures too


Utc = Annotated[
    datetime,
    PlainSerializer(rfc3339, when_used="json"),
    WithJsonSchema({"type": "string", "format": "date-time", "examples": ["2031-02-03T11:20:00.000Z"]}),
]
