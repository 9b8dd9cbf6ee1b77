"""Sends what `airwatch.notify.plan` says is due, texts through apprise and alerts over MQTT, and says how it went."""

import logging
import re
import threading
import time
import warnings
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any, Literal, Self
from urllib.parse import parse_qsl, unquote, urlsplit
from uuid import uuid4

import paho.mqtt.client as paho
import polars as pl
from apprise import Apprise, AppriseAsset, AppriseResult, NotifyFormat, NotifyType, OverflowMode
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from airwatch.errors import AirwatchError, BrokerError
from airwatch.landing.broker_url import BrokerUrl
from airwatch.landing.client import connect, make_client
from airwatch.notify.config import NotifyConfig, resolve_urls
from airwatch.notify.errors import NotifyError
from airwatch.notify.frames import OUTBOX, outbox_frame
from airwatch.notify.plan import Message, Publication, plan

log = logging.getLogger(__name__)

Record = Callable[[pl.DataFrame], None]
MqttVersion = Literal["5", "3.1.1"]

CLOSED_EXPIRY_S = 30 * 24 * 3600
"""How long a broker that speaks MQTT 5 retains an alert that is closed; whoever was away for a month asks the API."""

_MQTT_WAIT_S = 30.0
_LONGEST_REASON = 300
_SHORTEST_SECRET = 4  # what is shorter would blank out half of the reason
_TELLS_WHY = re.compile(r"\w+ Exception: |Response Details:")
_TYPES = {"low": NotifyType.INFO, "medium": NotifyType.WARNING, "high": NotifyType.FAILURE}


class Notifier:
    """Sends to the targets of one configuration; make it with `open`, call `send_due` as often as wished.

    One at a time: two that work on the same outbox would both send what is due.
    """

    def __init__(
        self, config: NotifyConfig, channels: Mapping[str, "_Channel"], broker: BrokerUrl | None, version: MqttVersion
    ) -> None:
        self._config = config
        self._channels = channels
        self._broker = broker
        self._version = version

    @classmethod
    def open(
        cls,
        config: NotifyConfig,
        environ: Mapping[str, str],
        broker: BrokerUrl | None = None,
        *,
        version: MqttVersion = "5",
    ) -> Self:
        """Make ready to send; nothing is connected to yet.

        Parameters
        ----------
        config : NotifyConfig
            Who is told of what.
        environ : mapping
            Holds the URLs that are not in the file.
        broker : BrokerUrl, optional
            Where alerts are published; needed where the file has ``[mqtt]``.
        version : {"5", "3.1.1"}
            The MQTT version. With 3.1.1 a broker can't say that it refuses a message.

        Raises
        ------
        NotifyError
            A URL is missing or is none that apprise takes, or there is no broker.
        """
        channels = {
            name: _Channel.open(f"{config.path}: channel {name!r}", url)
            for name, url in resolve_urls(config, environ).items()
        }
        if config.mqtt is not None and broker is None:
            raise NotifyError(f"{config.path}: mqtt: no broker is named; give --broker, or take [mqtt] out")
        return cls(config, channels, broker, version)

    def send_due(
        self, events: pl.DataFrame, outbox: pl.DataFrame, now: datetime, record: Record | None = None
    ) -> pl.DataFrame:
        """Send what is due and say what became of it.

        Parameters
        ----------
        events, outbox : DataFrame
            As `airwatch.notify.plan.plan` takes them.
        now : datetime
            Aware. Every row gets it as its time, so that a round of messages is one in the outbox too.
        record : callable, optional
            Gets the rows of each message as soon as it is sent or has failed. If it keeps them at once, a crash can
            make at most one message come twice; nothing is lost by it.

        Returns
        -------
        DataFrame
            Columns as `OUTBOX`: all rows that ``record`` got, to be added to the outbox.
        """
        due = plan(events, self._config, outbox, now)
        attempts = _attempts(outbox)
        written = [pl.DataFrame(schema=OUTBOX)]

        def keep(rows: pl.DataFrame) -> None:
            written.append(rows)
            if record is not None:
                record(rows)

        def note(target: str, reasons: Mapping[str, str | None]) -> None:
            rows = outbox_frame(
                {
                    "event_id": event_id,
                    "target": target,
                    "state": "sent" if reason is None else "failed",
                    "at": now,
                    "reason": reason,
                    "attempts": attempts.get((event_id, target), 0) + 1,
                }
                for event_id, reason in reasons.items()
            )
            keep(rows)

        if due.publications:  # first: apprise makes pauses of seconds between messages to one target
            reasons = self._publish(due.publications)
            if failed := [reason for reason in reasons if reason is not None]:
                log.warning("%d alerts not published, tried again later: %s", len(failed), failed[0])
            ids = (publication.event_id for publication in due.publications)
            note(due.publications[0].target, dict(zip(ids, reasons, strict=True)))
        for message in due.messages:
            reason = self._channels[message.target].send(message)
            if reason is not None:
                log.warning("%s: %d events not sent, tried again later: %s", message.target, *_told(message, reason))
            note(message.target, dict.fromkeys(message.event_ids, reason))
        if not (held := due.held_rows()).is_empty():
            keep(held)
        return pl.concat(written)

    def _publish(self, publications: Sequence[Publication]) -> list[str | None]:
        """Give for each what kept it from being published, None where nothing did."""
        assert self._broker is not None  # noqa: S101 open() saw to it
        try:
            with _Publisher(self._broker, self._version) as publisher:
                return publisher.publish(publications)
        except AirwatchError as err:
            return [_short(str(err))] * len(publications)


class _Channel:
    """One apprise URL."""

    def __init__(self, apprise: Apprise, secrets: Sequence[str]) -> None:
        self._apprise = apprise
        self._secrets = secrets

    @classmethod
    def open(cls, where: str, url: str) -> Self:
        scheme = url.partition("://")[0] if "://" in url else "?"
        if re.search(r"[\s,;][a-z0-9]+://", url, re.IGNORECASE):
            raise NotifyError(f"{where}: holds several URLs; give each a channel of its own, so that each is retried")
        with (
            warnings.catch_warnings()
        ):  # the first URL makes apprise load every kind there is, one of which asks for it
            warnings.filterwarnings("ignore", "'imghdr' is deprecated", DeprecationWarning)
            plugin = Apprise.instantiate(url, asset=_asset())
        if plugin is None:
            says = f"its URL ({scheme}://...) is none that apprise takes; `apprise --details` lists what it does"
            raise NotifyError(f"{where}: {says}")
        if "overflow=" not in url:
            plugin.overflow_mode = OverflowMode.SPLIT  # rather than a text that the service cuts off or refuses
        apprise = Apprise(asset=_asset())
        apprise.add(plugin)
        return cls(apprise, _secrets_of(url))

    def send(self, message: Message) -> str | None:
        """Give what kept it from being sent, None if nothing did."""
        # Never "success" for what is over: it is often shown green, and nothing here says that a vehicle is sound.
        kind = NotifyType.INFO if message.is_over else _TYPES.get(message.severity, NotifyType.INFO)
        with _listening():
            result = self._apprise.notify(
                body=message.body,
                title=message.title,
                notify_type=kind,
                body_format=NotifyFormat.TEXT,
                log_level=logging.DEBUG,
            )
        return None if result else self._reason(result)

    def _reason(self, result: AppriseResult) -> str:
        parts = [entry.message for entry in result.logs() if entry.level != "DEBUG" or _TELLS_WHY.match(entry.message)]
        says = "; ".join(dict.fromkeys(parts)) or result.status.name.lower()
        for secret in self._secrets:
            says = says.replace(secret, "***")
        return _short(says)


class _Publisher:
    """A connection to the broker for one round."""

    def __init__(self, broker: BrokerUrl, version: MqttVersion) -> None:
        self._broker = broker
        self._has_answer = threading.Event()
        self._refusal: str | None = None
        self._refused: dict[int, str] = {}
        client_id = f"airwatch-notify-{uuid4().hex[:8]}"
        self._client = make_client(
            paho.Client, broker, client_id, version=version, is_persistent=False, manual_ack=False
        )
        self._client.on_connect = self._on_connect
        self._client.on_publish = self._on_publish

    def __enter__(self) -> Self:
        connect(self._client, self._broker, is_persistent=False)
        self._client.loop_start()
        if not self._has_answer.wait(_MQTT_WAIT_S) or self._refusal is not None:
            self._end()
            says = self._refusal or f"no answer within {_MQTT_WAIT_S:g} s"
            raise BrokerError(f"{self._broker} does not let us in: {says}; check user, password and certificates")
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def publish(self, publications: Sequence[Publication]) -> list[str | None]:
        """Publish in order; give for each what went wrong, None where it was acknowledged."""
        deadline = time.monotonic() + _MQTT_WAIT_S
        sent = [self._publish(publication) for publication in publications]
        return [self._outcome(info, deadline) for info in sent]

    def _publish(self, publication: Publication) -> paho.MQTTMessageInfo:
        properties = None
        if self._client.protocol == paho.MQTTv5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.ContentType = "application/json"
            if publication.is_closed:
                properties.MessageExpiryInterval = CLOSED_EXPIRY_S
        return self._client.publish(
            publication.topic, publication.payload, qos=1, retain=publication.is_retained, properties=properties
        )

    def _outcome(self, info: paho.MQTTMessageInfo, deadline: float) -> str | None:
        try:
            info.wait_for_publish(max(0.0, deadline - time.monotonic()))
        except (ValueError, RuntimeError) as err:
            return _short(f"{self._broker}: not published: {err}")
        if (refused := self._refused.get(info.mid)) is not None:
            says = f"refuses it: {refused}; let the user write there (deploy/mosquitto/staff.acl)"
            return _short(f"{self._broker} {says}")
        return None if info.is_published() else f"{self._broker} did not acknowledge it within {_MQTT_WAIT_S:g} s"

    def _on_connect(self, _client: paho.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self._refusal = str(reason) if reason.is_failure else None
        self._has_answer.set()

    def _on_publish(self, _client: paho.Client, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refused[mid] = str(reason)

    def _end(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def _listening() -> Iterator[None]:
    """Let apprise say at DEBUG why it failed, but to its result only: at that level it shows whole messages too."""
    logger = logging.getLogger("apprise")
    level, propagate = logger.level, logger.propagate
    logger.setLevel(logging.DEBUG)
    logger.propagate = False
    try:
        yield
    finally:
        logger.setLevel(level)
        logger.propagate = propagate


def _asset() -> AppriseAsset:
    """Give settings under which apprise names itself as us, fetches no pictures, and keeps nothing on the disk."""
    return AppriseAsset(
        app_id="airwatch",
        app_desc="airwatch",
        app_url="",
        image_url_mask="",
        image_url_logo="",
        image_path_mask=False,
        async_mode=False,
        pgp_autogen=False,
        pem_autogen=False,
        storage_mode="memory",
        timezone=UTC,
        language="en",
        secure_logging=True,
        allow_templates=False,
    )


def _attempts(outbox: pl.DataFrame) -> dict[tuple[str, str], int]:
    rows = outbox.filter(pl.col("state") == "failed").group_by("event_id", "target").agg(pl.col("attempts").max())
    return {(event_id, target): attempts for event_id, target, attempts in rows.iter_rows()}


def _told(message: Message, reason: str) -> tuple[int, str]:
    return len(message.event_ids), reason


def _secrets_of(url: str) -> list[str]:
    """Give the parts of a URL that are not to be shown: all but scheme and host, the longest first."""
    parts = urlsplit(url)
    user, _, password = parts.netloc.rpartition("@")[0].partition(":")
    values = [value for _, value in parse_qsl(parts.query)]
    texts = {url, user, password, *parts.path.split("/"), *values}
    return sorted(
        {form for text in texts for form in (text, unquote(text)) if len(form) >= _SHORTEST_SECRET},
        key=len,
        reverse=True,
    )


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= _LONGEST_REASON else f"{line[: _LONGEST_REASON - 1]}\N{HORIZONTAL ELLIPSIS}"
