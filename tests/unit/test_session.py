"""The one door to paho: what every order carries."""

import tomllib
from pathlib import Path

import pytest
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.demo import scenario
from controller.errors import BrokerError
from controller.load_settings import check
from controller.settings import Broker
from controller.wire import session


@pytest.mark.parametrize(("lease_s", "expiry_s"), [(15.0, 15), (9.9, 9), (0.2, 1)])
def test_an_order_expires_with_its_lease_at_the_broker(lease_s: float, expiry_s: int) -> None:
    """Written once, and byte for byte what paho would write for it each time."""
    found = session.expiring(Broker(), lease_s)
    plain = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
    plain.MessageExpiryInterval = expiry_s
    assert found is not None
    assert found.pack() == plain.pack() == b"\x05\x02" + expiry_s.to_bytes(4, "big")  # type: ignore[no-untyped-call]
    assert session.expiring(Broker(), lease_s) is found
    assert session.expiring(Broker(protocol="3.1.1"), lease_s) is None


def test_a_password_file_that_is_no_text_is_named(tmp_path: Path) -> None:
    """A thread that tries the access lists must hear of it as of a file that is not there, and not end."""
    word = tmp_path / "word"
    word.write_bytes(b"caf\xe9")
    site = check(tomllib.loads(scenario.settings_text(1883, 8460)), Path("soilward.toml"))
    site = site.model_copy(update={"broker": site.broker.model_copy(update={"password_file": word})})
    with pytest.raises(BrokerError, match=r"word is no UTF-8 text; write the password alone into it"):
        session.credentials(site)


@pytest.mark.parametrize(
    ("text", "why"), [(None, "No such file or directory"), ("no certificate", "it holds no certificate")]
)
def test_an_authority_that_cannot_be_used_is_named(tmp_path: Path, text: str | None, why: str) -> None:
    """A traceback named neither the key nor the file."""
    authority = tmp_path / "ca.crt"
    if text is not None:
        authority.write_text(text)
    site = check(tomllib.loads(scenario.settings_text(1883, 8460)), Path("soilward.toml"))
    (tmp_path / "word").write_text("secret")
    changed = {"ca_file": authority, "password_file": tmp_path / "word"}
    site = site.model_copy(update={"broker": site.broker.model_copy(update=changed)})
    with pytest.raises(BrokerError, match=rf"broker.ca_file .*ca.crt cannot be used: {why}; name the PEM file"):
        session.make_client(site, "one")
