"""Where the broker is, and as whom to speak to it."""

import os
from dataclasses import dataclass
from typing import Self
from urllib.parse import unquote, urlsplit

from airwatch.errors import BrokerError

_PORTS = {"mqtt": 1883, "mqtts": 8883}
PASSWORD_VARIABLE = "AIRWATCH_MQTT_PASSWORD"  # noqa: S105 the variable's name


@dataclass(frozen=True, slots=True)
class BrokerUrl:
    """A broker's address; ``password`` is not shown when the object is printed."""

    host: str
    port: int
    is_tls: bool
    username: str | None = None
    password: str | None = None

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read ``mqtt://host:port`` or ``mqtts://user@host:port``.

        A password is taken from the URL or from the environment, so that it need not stand in a process list.

        Raises
        ------
        BrokerError
            It is no such URL.
        """
        try:
            parts = urlsplit(text)
            port = parts.port
        except ValueError as err:
            raise BrokerError(f"--broker {text!r}: {err}; write mqtt://host:port or mqtts://user@host:port") from err
        if parts.scheme not in _PORTS or not parts.hostname:
            raise BrokerError(f"--broker {text!r}: write mqtt://host:port or mqtts://user@host:port")
        user = unquote(parts.username) if parts.username else None
        password = unquote(parts.password) if parts.password else os.environ.get(PASSWORD_VARIABLE)
        return cls(parts.hostname, port or _PORTS[parts.scheme], parts.scheme == "mqtts", user, password)

    def __str__(self) -> str:
        return f"{'mqtts' if self.is_tls else 'mqtt'}://{self.host}:{self.port}"

    def __repr__(self) -> str:
        return f"BrokerUrl({self})"
