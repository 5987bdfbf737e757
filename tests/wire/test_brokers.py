"""Other brokers and other versions: MQTT 3.1.1 by setting, and the embedded broker with its password."""

import socket
import threading
from contextlib import closing
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from controller.clock import Clock
from controller.errors import BrokerError
from controller.load_settings import load
from controller.node.simulated import SimulatedNode
from controller.proving import command
from controller.store import requests
from controller.store.connection import open_writer
from controller.store.migrations import REQUESTS
from controller.wire import embedded, session
from tests.wire.kit import STARTS_S, Bench, ConstantPlant, ControllerProcess, Spy, a_free_port, until, write_site


def test_the_whole_chain_works_with_mqtt_3_1_1_by_setting(tmp_path: Path) -> None:
    """Readings, command and contact over 3.1.1; readings that waited for a dead controller come again."""
    with Bench(tmp_path, protocol="3.1.1") as bench:
        assert bench.spy.client.protocol == mqtt.MQTTv311
        bench.node.silent.add("outside")
        bench.heat()
        bench.controller.kill()
        bench.spy.say("outside", 1.125)
        assert bench.open_within(16.0) <= 7.0
        bench.controller.start()
        said = "what was said meanwhile is stored"
        until(said, lambda: [row[3] for row in bench.kept("outside")].count(1.125) == 1, STARTS_S)


def _answer_to(port: int, user: str, password: str, protocol: str) -> bool:
    """Return whether the broker lets this user in."""
    answered, let_in = threading.Event(), []

    def on_connect(_client: mqtt.Client, _data: object, _flags: object, reason: ReasonCode, *_: object) -> None:
        let_in.append(not reason.is_failure)
        answered.set()

    version = mqtt.MQTTv5 if protocol == "5" else mqtt.MQTTv311
    client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=version)
    client.username_pw_set(user, password)
    client.on_connect = on_connect
    client.on_disconnect = lambda *_: answered.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    try:
        assert answered.wait(10.0), "the broker did not answer"
    finally:
        client.disconnect()
        client.loop_stop()
    return any(let_in)


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_the_embedded_broker_lets_in_the_right_password_only_and_carries_the_whole_chain(
    tmp_path: Path, protocol: str
) -> None:
    """Heat on over the embedded broker; a wrong password and a wrong user are refused."""
    file = write_site(tmp_path, a_free_port(), kind="embedded", protocol=protocol)
    settings = load(file)
    settings.store.folder.mkdir()
    broker = embedded.start(settings)
    try:
        user, password = session.credentials(settings) or ("", "")
        assert _answer_to(settings.broker.port, user, password, protocol)
        assert not _answer_to(settings.broker.port, user, password + "x", protocol)
        assert not _answer_to(settings.broker.port, "someone", password, protocol)
        node = SimulatedNode(settings, settings.enclosure[0], ConstantPlant(), Clock())
        spy, controller = Spy(settings), ControllerProcess(file, tmp_path / "controller.log")
        node.start()
        controller.start()
        try:
            with closing(open_writer(settings.store.folder / "requests.db", REQUESTS)) as asked:
                now_ms = Clock().now().utc_ms
                requests.file(asked, now_ms, "larch", "arm", {}, "keeper", "a test")
                requests.file(asked, now_ms, "larch", "set-point", {"set_point_c": 25.0}, "keeper", "a test")
            until("the heater is on", lambda: node.heated, STARTS_S)
            until("the contact is told", lambda: spy.status()["heat"]["contact"], 5.0)
        finally:
            controller.stop()
            node.stop()
            spy.close()
    finally:
        broker.stop()


def test_the_embedded_broker_listens_on_loopback_and_keeps_its_password_private(tmp_path: Path) -> None:
    """The password file is readable by its owner alone, and a taken port is refused with the remedy."""
    settings = load(write_site(tmp_path, a_free_port(), kind="embedded"))
    settings.store.folder.mkdir()
    broker = embedded.start(settings)
    try:
        file = session.embedded_password_file(settings)
        assert file.stat().st_mode & 0o077 == 0
        assert len(file.read_text().strip()) >= 24
        assert 'listen = "127.0.0.1:' in (settings.store.folder / "broker.toml").read_text()
        assert not embedded.port_is_free(settings.broker.port)
    finally:
        broker.stop()


def test_an_embedded_broker_that_cannot_begin_again_is_said(tmp_path: Path) -> None:
    """Something took its port while a proof test had cut it: the test ends in words, journalled as any that ends."""
    settings = load(write_site(tmp_path, a_free_port(), kind="embedded"))
    settings.store.folder.mkdir()
    with command._broker(settings) as cut:
        assert cut is not None
        cut.begin()
        with socket.create_server(("127.0.0.1", settings.broker.port)), pytest.raises(BrokerError, match="on port"):
            cut.end()
        cut.end()
        assert not embedded.port_is_free(settings.broker.port)
