"""A broker as it is shipped, with two units that have certificates and two that have passwords."""

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.conftest import missing
from tests.deploy.fleet_broker import FleetBroker, Installed

_PATH = f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin"  # Debian puts mosquitto where only root looks


def needed(program: str, package: str) -> str:
    """Give where a program is; skip, or fail under ``CI=true``, if it is nowhere."""
    found = shutil.which(program, path=_PATH)
    if found is None:
        missing(f"{program} is not installed: apt-get install {package}")
    assert found is not None
    return found


@pytest.fixture(scope="session")
def _installed(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    needed("openssl", "openssl")
    needed("mosquitto_passwd", "mosquitto")
    return Installed.make(
        tmp_path_factory.mktemp("airwatch-etc"),
        with_certificate=["north/K-204", "north/K-20"],
        with_password=["north/K-205", "south/B.7"],
    )


@pytest.fixture
def broker(tmp_path: Path, _installed: Installed) -> Iterator[FleetBroker]:
    """Give the shipped broker, not started."""
    program = needed("mosquitto", "mosquitto")
    folder = tmp_path / "broker"
    folder.mkdir()
    made = FleetBroker(program, folder, _installed.copy(tmp_path / "etc"))
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def running(broker: FleetBroker) -> FleetBroker:
    """Give the shipped broker, started as shipped."""
    broker.start()
    return broker
