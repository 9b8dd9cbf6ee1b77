"""Who asks: by a session's cookie, by a token, or from this computer while there is no account."""

import time
from collections.abc import Callable
from types import TracebackType
from typing import TYPE_CHECKING, Self

from fastapi import Request

from airwatch.access.caller import Caller, anybody_here
from airwatch.access.permissions import shipped_permissions
from airwatch.access.settings import shipped_settings
from airwatch.store.access import sessions, tokens
from airwatch.store.access.accounts import has_accounts
from airwatch.store.access.audit import Source, note
from airwatch.store.access.file import AccessFile
from dashboards.access.cookies import Cookies
from dashboards.errors import NotOpenError, SignInError

if TYPE_CHECKING:  # it needs a library that only some installations have
    from dashboards.access.provider import Provider

_FORWARDED = ("forwarded", "x-forwarded-for", "x-forwarded-host", "x-forwarded-proto", "via", "x-real-ip")


class Access:
    """Accounts as the pages use them.

    Parameters
    ----------
    file : AccessFile
        Accounts, sessions and tokens.
    is_open_here : bool
        Whether pages are open, without signing in, as long as there is no account. Only for a server that nobody but
        this computer reaches.
    clock : callable
        Gives seconds since 1970.
    provider : Provider, optional
        Where people may sign in besides.
    """

    def __init__(
        self,
        file: AccessFile,
        *,
        is_open_here: bool,
        clock: Callable[[], float] = time.time,
        provider: "Provider | None" = None,
    ) -> None:
        self.file = file
        self.provider = provider
        self.clock = clock
        self.cookies = Cookies(file.signing_key(), clock)
        self._is_open_here = is_open_here

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, value: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.file.close()

    def is_open(self) -> bool:
        """Tell whether anybody on this computer may ask."""
        return self._is_open_here and not has_accounts(self.file)

    def caller(self, request: Request) -> Caller | None:
        """Give who asks, None if nobody says so.

        Raises
        ------
        SignInError
            A token came that opens nothing.
        NotOpenError
            The pages are open to this computer only, and the request came through something else.
        """
        if (authorization := request.headers.get("authorization")) is not None:
            scheme, _, whole = authorization.partition(" ")
            if scheme.lower() == "bearer":
                return self._bearer(request, whole.strip())
        if (found := self._session(request)) is not None:
            return found
        if not self.is_open():
            return None
        if any(name in request.headers for name in _FORWARDED):
            raise NotOpenError(
                "Without an account these pages are open to this computer only, and this request came through a proxy."
                " Make an account: airwatch account add NAME --role admin --db PATH."
            )
        return anybody_here()

    def source(self, request: Request, caller: Caller) -> Source:
        """Give who and where for the audit trail."""
        return Source(caller.name or "(open)", caller.via, address_of(request))

    def session_cookie(self, request: Request) -> str | None:
        """Give the session's id that the browser sends, whether or not it is good."""
        longest_s = shipped_settings().session.longest_s
        return self.cookies.read(request, "session", longest_s=longest_s)

    def _session(self, request: Request) -> Caller | None:
        if (id_ := self.session_cookie(request)) is None:
            return None
        now, rule = self.clock(), shipped_settings().session
        if (found := sessions.find_session(self.file, id_, now, idle_s=rule.idle_s)) is None:
            return None
        if now - found.seen_s >= rule.noted_every_s:
            with self.file.writing() as write:
                sessions.note_seen(write, found.id, now)
        return Caller(
            name=found.account,
            roles=shipped_permissions().with_included(found.role),
            fleets=found.fleets,
            via="session",
            session=found.id,
            form_key=found.form_key,
            pressure=found.pressure,
            zone=found.zone,
        )

    def _bearer(self, request: Request, whole: str) -> Caller:
        now, address = self.clock(), address_of(request)
        if (found := tokens.find_bearer(self.file, whole, now)) is None:
            raise SignInError("This token is unknown, over or revoked; make another one on the page of your account.")
        token = found.token
        if token.used_s is None or now - token.used_s >= shipped_settings().token.noted_every_s:
            self._note_use(token, now, address)
        return Caller(
            name=token.account,
            roles=shipped_permissions().with_included(found.role),
            fleets=found.account_fleets.common(token.fleets),
            via="token",
            scope=token.scope,
            token=token.id,
            until=token.ends_s,
        )

    def _note_use(self, token: tokens.Token, now: float, address: str) -> None:
        """Write down a token's use, and in the trail its first one and one from another address."""
        with self.file.writing() as write:
            tokens.note_used(write, token.id, now, address)
            if token.used_from != address:
                detail = "first use" if token.used_from is None else f"before from {token.used_from}"
                note(write, now, Source(token.account, "token", address), "token.used", token.id, detail=detail)


def access_of(request: Request) -> Access:
    """Give the accounts of the application that answers a request."""
    access: Access = request.app.state.access
    return access


def address_of(request: Request) -> str:
    """Give where a request comes from; behind a trusted proxy, what that says."""
    return request.client.host if request.client is not None else "unknown"
