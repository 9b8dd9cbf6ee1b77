"""Where the broker is, and as whom to speak to it."""

import os
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self
from urllib.parse import unquote, urlsplit

from airwatch.errors import BrokerError

_PORTS = {"mqtt": 1883, "mqtts": 8883}
PASSWORD_VARIABLE = "AIRWATCH_MQTT_PASSWORD"  # noqa: S105 the variable's name


@dataclass(frozen=True, slots=True)
class BrokerUrl:
    """A broker's address; ``password`` is not shown when the object is printed.

    ``ca`` holds the authority that the broker's certificate must come from (the system's where none is named), ``cert``
    and ``key`` our own certificate.
    """

    host: str
    port: int
    is_tls: bool
    username: str | None = None
    password: str | None = None
    ca: Path | None = None
    cert: Path | None = None
    key: Path | None = None

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

    def with_certificates(self, ca: Path | None, cert: Path | None, key: Path | None) -> Self:
        """Give the same broker, spoken to with certificates.

        Raises
        ------
        BrokerError
            A file is not there, one of certificate and key is missing, or the broker is not spoken to over TLS.
        """
        if not self.is_tls and (ca or cert or key):
            raise BrokerError(
                f"certificates are for mqtts://, and --broker is {self}; write mqtts:// or leave them out"
            )
        if (cert is None) != (key is None):
            raise BrokerError("--cert and --key go together; name both")
        for option, path in (("--ca", ca), ("--cert", cert), ("--key", key)):
            if path is not None and not path.is_file():
                raise BrokerError(f"{option} {path}: no such file")
        return replace(self, ca=ca, cert=cert, key=key)

    def __str__(self) -> str:
        return f"{'mqtts' if self.is_tls else 'mqtt'}://{self.host}:{self.port}"

    def __repr__(self) -> str:
        return f"BrokerUrl({self})"
