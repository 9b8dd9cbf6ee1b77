"""Who changes something, and the row that it leaves in the audit trail."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request

from airwatch.access.caller import Caller
from airwatch.store.access.audit import Source, note
from dashboards.access.access import Access, access_of, address_of
from dashboards.access.needs import CallerInput, require
from dashboards.errors import BadRequestError


@dataclass(frozen=True, slots=True)
class Actor:
    """Whoever asks for a change."""

    caller: Caller
    address: str
    access: Access

    def require(self, action: str) -> None:
        """Check that they may.

        Raises
        ------
        ForbiddenError
            They may not.
        """
        require(self.caller, action)

    def written_as(self, who: str | None) -> str:
        """Give the name to write down: the account, or what somebody typed where anybody may ask.

        Raises
        ------
        BadRequestError
            It is missing, or another than that of who signed in.
        """
        account = self.caller.name
        if account and who is not None and who != account:
            raise BadRequestError(f"who: you are signed in as {account}, and that is written down; leave it out.")
        if not account and who is None:
            raise BadRequestError("who: field required.")
        return account or who or ""

    def note(self, action: str, what: str, detail: str = "", *, who: str | None = None) -> None:
        """Add a row to the trail; ``who`` is what somebody typed where anybody may ask."""
        name = self.caller.name or f"(open) {who or ''}".strip()
        with self.access.file.writing() as write:
            now = self.access.clock()
            note(write, now, Source(name, self.caller.via, self.address), action, what, detail=detail)


def _actor(request: Request, caller: CallerInput) -> Actor:
    return Actor(caller, address_of(request), access_of(request))


ActorInput = Annotated[Actor, Depends(_actor)]
