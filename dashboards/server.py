"""Serving the pages."""

from airwatch.landing.subscriber import Health
from airwatch.store.database import Store


def serve_pages(store: Store, *, host: str, port: int, health: Health | None) -> None:
    """Serve until stopped."""
    raise NotImplementedError
