"""Who may do what at the shipped broker: each refusal is seen, or proved by a message that came after it."""

import signal
import ssl
import subprocess
from pathlib import Path

import pytest

from tests.broker import wait_until
from tests.deploy.fleet_broker import (
    HOST,
    NOT_AUTHORIZED,
    VERSIONS,
    FleetBroker,
    Installed,
    Peer,
    done,
    script,
    tls_answer,
)

pytestmark = pytest.mark.broker

STREAMS = ["pressure", "governor", "faults", "can"]
UNITS = ["north/K-204", "north/K-205"]  # by certificate, by password
FOREIGN = [
    "air/v1/north/K-20/pressure",  # a unit whose name begins like its own
    "air/v1/north/K-2045/pressure",
    "air/v1/south/K-204/pressure",
    "air/v1/north/K-204/engine",
    "air/v1/north/K-204",
    "air/v1/north/pressure",
    "air/v1/north/K-204/pressure/more",
    "air/v1-alerts/north/K-204",
    "air/v2/north/K-204/pressure",
    "$SYS/broker/uptime",
    "$SYS/broker/connection/K-204/state",
    "$CONTROL/dynamic-security/v1",
]


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_publishes_to_its_own_four_topics(running: FleetBroker, unit: str, version: str) -> None:
    with running.staff("landing") as landing, running.unit(unit, version=version) as gateway:
        assert landing.subscribe("air/v1/#") == 1
        topics = [f"air/v1/{unit}/{stream}" for stream in STREAMS]
        assert [gateway.publish(topic, b"{}") for topic in topics] == [0] * 4
        wait_until(lambda: len(landing.got) == 4, "the messages do not arrive")
        assert [one.topic for one in landing.got] == topics


@pytest.mark.parametrize("version", VERSIONS)
def test_what_a_unit_publishes_elsewhere_does_not_arrive(running: FleetBroker, version: str) -> None:
    """MQTT 5 says so; MQTT 3.1.1 acknowledges and throws it away."""
    refused = NOT_AUTHORIZED if version == "5" else 0
    running.stop()
    acl = running.installed.folder / "staff.acl"
    acl.write_text(acl.read_text() + "user operator\ntopic read #\ntopic read $SYS/#\ntopic read $CONTROL/#\n")
    running.start()  # with an operator who sees everything, so that nothing arrives because nobody could hear it
    with running.staff("operator") as witness, running.unit("north/K-204", version=version) as gateway:
        for everything in ("#", "$SYS/broker/connection/#", "$CONTROL/#"):
            witness.subscribe(everything)
        assert [gateway.publish(topic, b"forged") for topic in FOREIGN] == [refused] * len(FOREIGN)
        gateway.publish("air/v1/north/K-204/pressure", b"marker")
        wait_until(lambda: b"marker" in witness.payloads(), "the marker does not arrive")
        assert b"forged" not in witness.payloads()
        assert gateway.n_disconnects == 0


def test_a_unit_cannot_publish_for_another_by_its_will(running: FleetBroker) -> None:
    with running.staff("landing") as landing:
        landing.subscribe("air/v1/#")
        for topic in ("air/v1/north/K-20/pressure", "air/v1/north/K-204/faults"):
            gateway = Peer()
            gateway.client.will_set(topic, b"will", qos=1)
            gateway.client.tls_set(str(running.installed.ca), *map(str, running.installed.certificate("north/K-204")))
            gateway.connect(running.certificate_port).close_with_will()
        wait_until(lambda: landing.got, "its own will does not arrive either")
        assert [one.topic for one in landing.got] == ["air/v1/north/K-204/faults"]


@pytest.mark.parametrize("version", VERSIONS)
@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_hears_nothing(running: FleetBroker, unit: str, version: str) -> None:
    """Mosquitto 2.0.11 grants every subscription and then delivers nothing."""
    with (
        running.staff("landing") as landing,
        running.unit("south/B.7") as other,
        running.unit(unit, version=version) as gateway,
    ):
        landing.subscribe("air/v1/#")
        other.publish("air/v1/south/B.7/pressure", b"kept", retain=True)
        for topic_filter in ("#", "air/v1/#", "air/v1/south/B.7/+", f"air/v1/{unit}/pressure", "$SYS/#"):
            assert gateway.subscribe(topic_filter) == 1
        other.publish("air/v1/south/B.7/pressure", b"marker")
        gateway.publish(f"air/v1/{unit}/pressure", b"own")
        wait_until(lambda: len(landing.got) == 3, "the messages do not arrive at the subscriber")
        gateway.fence()
        assert gateway.got == []


def test_a_name_with_a_wildcard_opens_nothing(running: FleetBroker) -> None:
    """The scripts refuse such a name; should one come in another way, Mosquitto does."""
    made = done(script("add_unit.sh", "staff", running.installed.folder / "units.passwd", "wild"))
    names = running.installed.folder / "units.passwd"
    names.write_text(names.read_text().replace("wild:", "north/+:"))
    running.process.send_signal(signal.SIGHUP)
    running.installed.passwords["north/+"] = made
    with running.staff("landing") as landing, running.unit("south/B.7") as honest:
        landing.subscribe("air/v1/#")
        with running.unit("north/+") as forger:
            assert forger.publish("air/v1/north/K-204/pressure", b"forged") == NOT_AUTHORIZED
        honest.publish("air/v1/south/B.7/pressure", b"marker")
        wait_until(lambda: landing.got, "the marker does not arrive")
        assert landing.payloads() == [b"marker"]


def test_the_subscriber_publishes_nothing_and_sees_no_broker_topics(running: FleetBroker) -> None:
    with running.staff("operator") as operator, running.staff("landing") as landing:
        operator.subscribe("air/v1-alerts/#")
        for topic_filter in ("air/v1/#", "$SYS/#", "air/v1-alerts/#"):
            landing.subscribe(topic_filter)
        for topic in ("air/v1/north/K-204/pressure", "air/v1/landing/pressure", "air/v1-alerts/north/K-204"):
            assert landing.publish(topic, b"forged") == NOT_AUTHORIZED
        landing.fence()
        operator.fence()
        assert landing.got == operator.got == []


def test_the_operator_follows_alerts_and_broker_and_no_vehicle(running: FleetBroker) -> None:
    running.stop()
    acl = running.installed.folder / "staff.acl"
    commented = "#topic write air/v1-alerts/#"
    assert commented in acl.read_text()
    acl.write_text(acl.read_text().replace(commented, commented[1:]))  # as deploy/README.md says
    running.start()
    with (
        running.staff("operator") as operator,
        running.staff("landing") as landing,
        running.unit("north/K-204") as gateway,
    ):
        for topic_filter in ("air/v1/#", "air/v1-alerts/#", "$SYS/broker/version"):
            operator.subscribe(topic_filter)
        gateway.publish("air/v1/north/K-204/pressure", b"private")
        assert landing.publish("air/v1-alerts/north/K-204", b"alert") == 0
        assert operator.publish("air/v1-alerts/north/K-204", b"forged") == NOT_AUTHORIZED
        wait_until(lambda: len(operator.got) == 2, "the operator does not hear the broker and the alert")
        operator.fence()
        assert [one.topic for one in operator.got] == ["$SYS/broker/version", "air/v1-alerts/north/K-204"]


@pytest.mark.parametrize("version", VERSIONS)
def test_wrong_or_missing_passwords_are_refused(running: FleetBroker, version: str) -> None:
    passwords = running.installed.passwords
    cases = [
        (running.port, "landing", "wrong"),
        (running.port, None, None),
        (running.port, "north/K-205", passwords["north/K-205"]),  # a unit at the loopback listener
        (running.password_port, "landing", passwords["landing"]),  # staff from outside
        (running.password_port, "north/K-205", passwords["south/B.7"]),
        (running.password_port, "north/K-204", ""),  # a unit that has a certificate only
        (running.password_port, None, None),
    ]
    for port, user, password in cases:
        peer = Peer("probe", version=version)
        if port != running.port:
            peer.client.tls_set(str(running.installed.ca))
        if user is not None:
            peer.client.username_pw_set(user, password)
        with peer.connect(port):
            assert peer.answer is not None
            assert peer.answer.getName() == "Not authorized", (user, port)


def test_only_a_unit_s_certificate_of_this_authority_is_let_in(running: FleetBroker, tmp_path: Path) -> None:
    ours, port = running.installed, running.certificate_port
    elsewhere = Installed.make(tmp_path / "elsewhere", with_certificate=["north/K-204"], with_password=[])
    assert tls_answer(port, ours.ca, ours.certificate("north/K-204")) == b"\x20\x02\x00\x00"  # CONNACK, accepted
    assert tls_answer(port, ours.ca) == b""
    assert tls_answer(port, ours.ca, elsewhere.certificate("north/K-204")) == b""
    assert tls_answer(port, ours.ca, (ours.folder / "server.crt", ours.folder / "server.key")) == b""
    with pytest.raises(ssl.SSLCertVerificationError, match=r"self-signed certificate|unable to get local issuer"):
        tls_answer(port, elsewhere.ca, ours.certificate("north/K-204"))
    with pytest.raises(ssl.SSLCertVerificationError, match=r"certificate is not valid for 'elsewhere\.example'"):
        tls_answer(port, ours.ca, ours.certificate("north/K-204"), name="elsewhere.example")


def test_a_certificate_that_bears_a_name_of_staff_is_nobody(running: FleetBroker) -> None:
    """The script refuses such a name; a certificate made by hand finds no right at the vehicles' listener."""
    ours = running.installed
    certificate, key = ours.certificate("landing")
    for command in (
        f"ecparam -name prime256v1 -genkey -noout -out {key}",
        f"req -new -key {key} -subj /CN=landing -out {certificate}.csr",
        f"x509 -req -in {certificate}.csr -CA {ours.ca} -CAkey {ours.folder}/ca.key -set_serial 1 -out {certificate}",
    ):
        subprocess.run(["openssl", *command.split()], check=True, capture_output=True)
    with (
        running.staff("landing", "airwatch") as landing,
        running.unit("landing") as impostor,
        running.unit("north/K-204") as gateway,
    ):
        landing.subscribe("air/v1/#")
        impostor.subscribe("air/v1/#")
        gateway.publish("air/v1/north/K-204/pressure", b"private")
        wait_until(lambda: landing.got, "the message does not arrive at the subscriber")
        impostor.fence()
        assert impostor.got == []
        assert impostor.publish("air/v1/north/K-204/pressure") == NOT_AUTHORIZED


def test_a_unit_that_calls_itself_the_subscriber_does_not_get_its_session(running: FleetBroker) -> None:
    with running.staff("landing", "airwatch", is_persistent=True) as landing:
        landing.subscribe("air/v1/#")
        with running.unit("north/K-204", "airwatch", is_persistent=True) as thief:
            thief.publish("air/v1/north/K-204/pressure", b"1")
            wait_until(lambda: landing.got, "the message does not arrive")
            assert landing.n_disconnects == 0
    for unit in UNITS:
        with running.unit(unit, "airwatch", is_persistent=True) as thief:  # while the subscriber is away
            thief.publish(f"air/v1/{unit}/pressure", b"2")
            thief.fence()
            assert thief.got == []
            assert not thief.is_resumed or unit == "north/K-204"  # its own session from above
    with running.staff("landing", "airwatch", is_persistent=True) as landing:
        assert landing.is_resumed
        wait_until(lambda: landing.payloads() == [b"2", b"2"], "what was queued is not there")


def test_a_reload_lets_units_in_and_shuts_one_out_and_loses_nothing(running: FleetBroker) -> None:
    """Reloading is what add_unit.sh and a stolen gateway need, with the subscriber connected or away."""
    installed = running.installed
    with running.staff("landing", "airwatch", is_persistent=True) as landing:
        landing.subscribe("air/v1/#")
    with running.unit("north/K-204") as stolen, running.unit("north/K-205") as honest:
        stolen.publish("air/v1/north/K-204/pressure", b"before")
        installed.add_password("south/C-1")
        acl = installed.folder / "units.acl"
        commented = "#user north/K-204\n#topic deny #\n"
        assert commented in acl.read_text()
        acl.write_text(
            acl.read_text().replace(commented, commented.replace("#user", "user").replace("#topic", "topic"))
        )
        running.process.send_signal(signal.SIGHUP)
        wait_until(
            lambda: stolen.publish("air/v1/north/K-204/pressure", b"after") == NOT_AUTHORIZED, "the reload does nothing"
        )
        honest.publish("air/v1/north/K-205/pressure", b"honest")
        with running.unit("south/C-1") as new:
            new.publish("air/v1/south/C-1/pressure", b"new")
    with running.staff("landing", "airwatch", is_persistent=True) as landing:
        wait_until(lambda: b"new" in landing.payloads(), "the new unit's message does not arrive")
        got = landing.payloads()
        assert (got[0], got[-2:]) == (b"before", [b"honest", b"new"])  # between them what came before the reload


def test_a_removed_password_ends_the_connection_on_reload(running: FleetBroker) -> None:
    with running.unit("north/K-205") as gone, running.unit("south/B.7") as other:
        other.publish("air/v1/south/B.7/pressure")
        remove = ["mosquitto_passwd", "-D", str(running.installed.folder / "units.passwd"), "north/K-205"]
        subprocess.run(remove, check=True, capture_output=True)
        running.process.send_signal(signal.SIGHUP)
        wait_until(lambda: gone.n_disconnects, "its connection stays open")
        other.publish("air/v1/south/B.7/pressure")
        assert other.n_disconnects == 0
    with running.unit("north/K-205") as back:
        assert back.answer is not None
        assert back.answer.getName() == "Not authorized"


def test_a_renewed_certificate_of_the_broker_is_taken_on_reload(running: FleetBroker) -> None:
    folder = running.installed.folder
    before = serial(running)
    for name in ("server.crt", "server.key"):
        (folder / name).rename(folder / f"old.{name}")
    done(script("make_certs.sh", "server", folder, "localhost", HOST))
    with running.unit("north/K-204") as gateway:
        running.process.send_signal(signal.SIGHUP)
        wait_until(lambda: serial(running) != before, "the broker still shows the old certificate")
        gateway.publish("air/v1/north/K-204/pressure")
        assert gateway.n_disconnects == 0


def serial(broker: FleetBroker) -> str:
    """Give the number of the certificate that the broker shows."""
    shown = ssl.get_server_certificate((HOST, broker.password_port))
    return subprocess.run(
        ["openssl", "x509", "-noout", "-serial"], input=shown, capture_output=True, text=True, check=True
    ).stdout
