"""What people type, as the API takes it: names, reasons, notes and ids."""

from typing import Annotated

from pydantic import Field

_ONE_LINE = r"^[^\x00-\x1f\x7f]*$"
_LINES = r"^[^\x00-\x08\x0b\x0c\x0e-\x1f\x7f]*$"

Short = Annotated[str, Field(max_length=100, pattern=_ONE_LINE)]
Long = Annotated[str, Field(max_length=2000, pattern=_LINES)]
ClientId = Annotated[
    str,
    Field(
        pattern=r"^[A-Za-z0-9._-]{1,64}$",
        description="Made by whoever enters it, so that what is sent twice lands once.",
        examples=["5f0c2a9e77b14d0c8a31"],
    ),
]
Who = Annotated[Short, Field(description="Who does it.", examples=["R. Okafor, ridge shop"])]
Why = Annotated[Long, Field(description="Why.", examples=["read in cm, not in inches"])]
