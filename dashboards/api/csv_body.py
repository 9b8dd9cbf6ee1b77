"""Bodies that are CSV."""

from typing import Annotated

from fastapi import Body, Header

from dashboards.errors import BadRequestError, BodyError

MOST_BYTES = 1_000_000


async def csv_only(content_type: Annotated[str, Header(description="text/csv")] = "") -> None:
    """Refuse all bodies that a form on a page from elsewhere could send without asking first."""
    if content_type.partition(";")[0].strip().lower() != "text/csv":
        raise BodyError("The body must be CSV: send it with Content-Type: text/csv.")


CsvBody = Annotated[bytes, Body(media_type="text/csv", description="UTF-8, with its header.")]


def csv_text(body: bytes) -> str:
    """Read the body as text.

    Raises
    ------
    BadRequestError
        It is too long, or no UTF-8.
    """
    if len(body) > MOST_BYTES:
        raise BadRequestError(f"The file has {len(body)} bytes, more than {MOST_BYTES}; send it in parts.")
    try:
        return body.decode("utf-8-sig")
    except UnicodeDecodeError as err:
        raise BadRequestError(f"The file is no UTF-8 at byte {err.start}; save it as UTF-8.") from err
