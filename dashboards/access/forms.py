"""That a change was meant: it comes from a page of ours, and carries the key of the session that it belongs to."""

import hmac
from urllib.parse import urlsplit

from fastapi import Request
from starlette.datastructures import UploadFile

from airwatch.access.caller import Caller
from dashboards.errors import ForbiddenError

HEADER = "X-Airwatch-Form"
FIELD = "form_key"
_FORMS = ("application/x-www-form-urlencoded", "multipart/form-data")


async def check_form(request: Request, caller: Caller) -> None:
    """Check a request that changes something and rides on what the browser sends by itself.

    A token is sent by a program that means it, so nothing more is asked of one.

    Raises
    ------
    ForbiddenError
        It comes from a page of somebody else, or without the session's key.
    """
    if caller.via == "token":
        return
    check_origin(request)
    if caller.via == "session" and not is_same(await _key(request), caller.form_key):
        raise ForbiddenError("The form is not of this session; load the page anew and try again.")


def check_origin(request: Request) -> None:
    """Check what browsers say of where a request comes from; programs that say nothing carry no cookies by themselves.

    Raises
    ------
    ForbiddenError
        It comes from elsewhere.
    """
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    is_ours = site in (None, "same-origin", "none")
    if origin is not None:
        is_ours = is_ours and urlsplit(origin).netloc.lower() == request.headers.get("host", "").lower()
    if not is_ours:
        raise ForbiddenError("This was sent by a page of another site; nothing was changed.")


def is_same(given: str | None, expected: str) -> bool:
    """Compare in a time that does not tell how much is right; nothing is never the same."""
    return bool(given) and bool(expected) and hmac.compare_digest(str(given).encode(), expected.encode())


async def _key(request: Request) -> str | None:
    if (header := request.headers.get(HEADER)) is not None:
        return header
    if request.headers.get("content-type", "").partition(";")[0].strip().lower() not in _FORMS:
        return None
    value = (await request.form()).get(FIELD)
    return None if isinstance(value, UploadFile) else value
