"""How the API reaches the broker: read-only, with a client of its own."""

import secrets

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from controller.errors import SettingsError
from controller.settings import Broker


def reader(broker: Broker) -> mqtt.Client:
    """Return a client, not yet connected, that takes up the settings' protocol, user, password and TLS.

    Raises
    ------
    SettingsError
        If a file that settings name cannot be read.
    """
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=f"soilward-api-{secrets.token_hex(4)}",
        protocol=mqtt.MQTTv5 if broker.protocol == "5" else mqtt.MQTTv311,
    )
    try:
        if broker.username is not None:
            secret = broker.password_file.read_text(encoding="utf-8").strip() if broker.password_file else None
            client.username_pw_set(broker.username, secret)
        if broker.ca_file is not None:
            client.tls_set(str(broker.ca_file))
    except OSError as error:
        raise SettingsError([f"broker: {error.filename or broker.ca_file} cannot be read: {error.strerror}"]) from error
    client.reconnect_delay_set(1, 15)
    return client
