"""The embedded broker: rumqttd from the iotcore wheel, on loopback, with one user and a generated password."""

import os
import secrets
import socket
from pathlib import Path

from iotcore import Broker as Rumqttd

from controller.errors import BrokerError
from controller.settings import Settings
from controller.wire.session import embedded_password_file

_CONFIGURATION = """id = 0
[router]
id = 0
max_connections = 1000
max_outgoing_packet_count = 200
max_segment_size = 10485760
max_segment_count = 10
[{version}.1]
name = "loopback"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[{version}.1.connections]
connection_timeout_ms = 10000
max_payload_size = 32768
max_inflight_count = 100
dynamic_filters = true
[{version}.1.connections.auth]
{user} = "{password}"
"""


def write_private(path: Path, text: str) -> None:
    """Write a file only its owner can read (mode 0600), whatever stood there."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8") as file:
        file.write(text)


def port_is_free(port: int, host: str = "127.0.0.1") -> bool:
    """Whether a listener could take this port now."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def free_port(wanted: int, host: str = "127.0.0.1") -> int:
    """Return `wanted`, or the next free port after it.

    Raises
    ------
    BrokerError
        If the next hundred are taken too.
    """
    for port in range(wanted, min(wanted + 100, 65536)):
        if port_is_free(port, host):
            return port
    raise BrokerError(f"ports {wanted} to {wanted + 99} are all taken; name a free one")


def start(settings: Settings) -> Rumqttd:
    """Start the broker in a process of its own that ends with this one.

    Raises
    ------
    BrokerError
        If its port is taken or it does not come up.
    """
    file = settings.broker.password_file or embedded_password_file(settings)
    if not file.exists():
        write_private(file, secrets.token_urlsafe(24) + "\n")
    password = file.read_text(encoding="utf-8").strip()
    user, port = settings.broker.username or "soilward", settings.broker.port
    if not port_is_free(port):
        raise BrokerError(f"port {port} is taken, perhaps by another broker; set [broker] port to a free one")
    configuration = settings.store.folder / "broker.toml"
    # A listener of rumqttd speaks one version; all our own clients speak the one that settings name.
    version = "v5" if settings.broker.protocol == "5" else "v4"
    write_private(configuration, _CONFIGURATION.format(version=version, port=port, user=user, password=password))
    broker = Rumqttd(config_path=str(configuration))
    begin(broker)
    return broker


def begin(broker: Rumqttd) -> None:
    """Let a broker that is made, or was stopped, begin.

    Raises
    ------
    BrokerError
        If its port is taken or it does not come up.
    """
    try:
        broker.start()
    except (OSError, RuntimeError) as error:
        raise BrokerError(f"the embedded broker did not start on port {broker.port}: {error}") from error
