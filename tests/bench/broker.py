"""A Mosquitto that keeps nothing on disk, and clients that send at once: we are measured, not the broker's disk."""

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from controller.settings import Settings
from controller.wire import session
from tests.wire.kit import Mosquitto


class MemoryMosquitto(Mosquitto):
    """As the wire tests' broker, without persistence."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        configuration = folder / "mosquitto.conf"
        kept = [line for line in configuration.read_text().splitlines() if "persistence" not in line]
        configuration.write_text("\n".join(line for line in kept if "autosave" not in line) + "\n")


@contextmanager
def running(folder: Path) -> Iterator[MemoryMosquitto]:
    """Run a broker on a free loopback port for the length of a block."""
    broker = MemoryMosquitto(folder)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()


def at_once(client: mqtt.Client) -> None:
    """Have small packets sent at once instead of waiting for each other's receipts (Nagle)."""

    def opened(_client: mqtt.Client, _data: Any, sock: Any) -> None:
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    client.on_socket_open = opened


class Ear:
    """A client that notes when the latest message of each topic came.

    `heard` holds (arrival [s] monotonic, payload) by topic; `arrived` is set at every message.
    """

    def __init__(self, settings: Settings, topic: str, name: str) -> None:
        self.heard: dict[str, tuple[float, bytes]] = {}
        self.count = 0
        self.arrived = threading.Event()
        self._ready = threading.Event()
        self.client = session.make_client(settings, name)
        self.client.max_inflight_messages_set(1000)
        at_once(self.client)
        self.client.on_connect = lambda client, *_: client.subscribe(topic, qos=1)
        self.client.on_subscribe = lambda *_: self._ready.set()
        self.client.on_message = self._on_message
        session.connect(self.client, settings.broker, kept=False)
        if not self._ready.wait(10.0):
            raise RuntimeError(f"{name} was not let in by the broker")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.heard[message.topic] = (time.monotonic(), bytes(message.payload))
        self.count += 1
        self.arrived.set()

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()
