"""Cookies of signing in: signed, out of reach of scripts, and over TLS bound to this host."""

from collections.abc import Callable
from hashlib import sha256
from typing import Literal

from fastapi import Request, Response
from itsdangerous import BadSignature, TimestampSigner

Name = Literal["session", "device", "form", "provider"]


class Cookies:
    """Sets and reads cookies that nobody else can make."""

    def __init__(self, key: bytes, clock: Callable[[], float]) -> None:
        self._key, self._clock = key, clock

    def read(self, request: Request, name: Name, *, longest_s: float) -> str | None:
        """Give what a cookie holds, None if there is none, it is not ours, or too old."""
        raw = request.cookies.get(_full(request, name))
        if raw is None:
            return None
        signer = self._signer(name)
        try:
            value, at = signer.unsign(raw, return_timestamp=True)
        except BadSignature:
            return None
        return value.decode() if self._clock() - at.timestamp() <= longest_s else None

    def put(
        self,
        request: Request,
        response: Response,
        name: Name,
        value: str,
        *,
        longest_s: float,
        same_site: Literal["lax", "strict"] = "lax",
    ) -> None:
        """Set a cookie."""
        response.set_cookie(
            _full(request, name),
            self._signer(name).sign(value).decode(),
            max_age=int(longest_s),
            path="/",
            secure=is_secure(request),
            httponly=True,
            samesite=same_site,
        )

    def drop(self, request: Request, response: Response, name: Name) -> None:
        """Take a cookie away."""
        response.delete_cookie(_full(request, name), path="/", secure=is_secure(request), httponly=True, samesite="lax")

    def _signer(self, name: Name) -> TimestampSigner:
        signer = _Signer(self._key, salt=f"airwatch.{name}", digest_method=sha256)
        signer.clock = self._clock
        return signer


class _Signer(TimestampSigner):
    """Signs with the time of the clock that it is given."""

    clock: Callable[[], float]

    def get_timestamp(self) -> int:
        return int(self.clock())


def is_secure(request: Request) -> bool:
    """Tell whether the browser asks over TLS, by itself or as a trusted proxy says."""
    return request.url.scheme == "https"


def _full(request: Request, name: Name) -> str:
    """Give the name of a cookie: with `__Host-` browsers take it from this host alone, over TLS alone."""
    return f"__Host-airwatch-{name}" if is_secure(request) else f"airwatch-{name}"
