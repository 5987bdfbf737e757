"""Hazard rows B04 to B09: brokers that stall, drop, let in too many, or tell everything twice."""

import sqlite3
import threading
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.subscribeoptions import SubscribeOptions

from controller.wire import session
from tests.faults.cases import LOOK_S, seen
from tests.wire.kit import ACCOUNTS, Bench, ControllerProcess, through, throughout, until, write_site
from tests.wire.link import CONNECT, PUBLISH, SUBSCRIBE, TAKEN_OVER, Loses, topic_of

CLASS_C_S = 15.0
"""[s] restated from the hazard table."""
LEASE_S = 6.0
"""[s] the lease of these sites."""
NODE_SILENT_S = 10.0
CANARY_S = 20.0
"""[s] three messages to itself, one each 5 s, and the time of the last."""
STALL_S = 120.0
"""[s] as the row says; with every check it is shorter, since nothing is left to happen after the canary's alert."""
STALLED = "SELECT count(*) FROM journal WHERE kind = 'alert' AND why = ?"
STALLS = "the broker takes messages and delivers none"


def _deliveries(up: bool, first: int, _body: bytes) -> bool:
    return not up and first >> 4 == PUBLISH


def _sure_messages(up: bool, first: int, _body: bytes) -> bool:
    return up and first >> 4 == PUBLISH and bool(first & 0x06)


@pytest.mark.parametrize("stall_s", [CANARY_S + 2 * LEASE_S, pytest.param(STALL_S, marks=pytest.mark.whole)])
def test_b04_a_broker_that_delivers_nothing_ends_heat_by_the_lease(tmp_path: Path, stall_s: float) -> None:
    """It answers pings and acknowledges and brings nothing to anyone: open within the lease, and so it stays.

    The controller lives on and says why; what is delivered again ends it, by itself.
    """
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.controller_link.loses = bench.node_link.loses = _deliveries
        stalls_s = time.monotonic()
        seen("B04", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        # Each of the three may be a look late, and an entry waits up to two seconds for others to be kept with.
        told = CANARY_S + 5 * LOOK_S
        until("it is journalled", lambda: bench.rows(STALLED, STALLS, file="journal.db") == [(1,)], told)
        throughout("stays open", lambda: not bench.closed, stall_s - (time.monotonic() - stalls_s))
        assert bench.controller.is_alive
        bench.controller_link.loses = bench.node_link.loses = None
        bench.permitted_within(30.0)


def test_b04_a_broker_that_brings_the_controller_nothing_is_found_out_by_the_canary(tmp_path: Path) -> None:
    """Only the controller hears nothing, for 30 s: no order is "on", the status and the journal say why.

    What is delivered again ends it by itself.
    """
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.controller_link.loses = _deliveries
        stalls_s = time.monotonic()
        seen("B04", bench.open_within(CLASS_C_S + NODE_SILENT_S), NODE_SILENT_S + 2 * LOOK_S)
        until("it is told", lambda: bench.spy.lost("broker connected") == STALLS, CANARY_S)
        assert "broker:link" in bench.spy.alerts()
        until("it is journalled", lambda: bench.rows(STALLED, STALLS, file="journal.db") == [(1,)], 5.0)
        throughout("stays open", lambda: not bench.closed, 30.0 - (time.monotonic() - stalls_s))
        assert not any(command["on"] for command in bench.spy.commands(after_s=stalls_s + CANARY_S))
        bench.controller_link.loses = None
        until("it is over", lambda: bench.spy.holds("broker connected"), 30.0)
        bench.permitted_within(30.0)


def test_b05_a_node_lost_without_a_will_is_missed_by_its_silence(tmp_path: Path) -> None:
    """Its link is dead and the broker does not know: no Will, yet no heat is ordered and an alert stands in 35 s."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.node_link.lost_up = bench.node_link.lost_down = True
        began_s = time.monotonic()
        seen("B05", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        until("the controller misses it", lambda: bench.spy.holds("node heard") is False, 15.0)
        assert not bench.spy.status()["heat"]["ordered"]
        will = "SELECT count(*) FROM journal WHERE kind = 'node-offline'"
        assert bench.rows(will, file="journal.db") == [(0,)]
        until("it is told", lambda: "node-quiet" in bench.spy.alerts(), 35.0 + 2 * LOOK_S)
        assert time.monotonic() - began_s <= 35.0 + 5.0 + 2 * LOOK_S


def _late(up: bool, first: int, body: bytes) -> bool:
    """Lose nothing; what the broker kept of the canary comes after the controller's look of each second."""
    if not up and first & 1 and topic_of(first, body).endswith("/canary"):
        time.sleep(1.3)
    return False


@pytest.mark.parametrize("link", [None, _late], ids=["quick", "slow"])
def test_b06_a_second_controller_of_the_same_name_is_not_fought_for_ever(tmp_path: Path, link: Loses | None) -> None:
    """They take the session from one another; after three times in a minute one connects no more, and journals why.

    Whoever yields leaves nothing behind that makes the other yield too, however late it learns of its rival.
    """
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.controller_link.loses = link
        elsewhere = tmp_path / "elsewhere"
        elsewhere.mkdir()
        rival = ControllerProcess(write_site(elsewhere, bench.broker.port), elsewhere / "controller.log")
        rival.start()
        folders = (bench.data, elsewhere / "data")
        try:
            until("one has yielded", lambda: sum(_has_yielded(each) for each in folders) == 1, 60.0)
            loser = next(each for each in folders if _has_yielded(each))
            throughout("the other comes back alone", lambda: sum(map(_has_yielded, folders)) == 1, 6.0)
            before = _connections(bench)
            throughout("the fight is over", lambda: _connections(bench) == before, 10.0)
            assert bench.controller.is_alive
            assert rival.is_alive
            assert "soilward-controller" in _why(loser)
        finally:
            rival.stop()


def _why(folder: Path) -> str:
    query = "SELECT why FROM journal WHERE kind = 'alert' AND why LIKE 'another client%'"
    with closing(sqlite3.connect(f"file:{folder / 'journal.db'}?mode=ro", uri=True)) as journal:
        return "".join(why for (why,) in journal.execute(query))


def _has_yielded(folder: Path) -> bool:
    try:
        return bool(_why(folder))
    except sqlite3.OperationalError:
        return False  # it is only starting: no journal yet


def _connections(bench: Bench) -> int:
    """Return how often a controller has come to the broker."""
    presence = (heard for heard in bench.spy.heard if heard.topic.endswith("presence/soilward-controller"))
    return sum(heard.payload == b"online" and not heard.retained for heard in presence)


def test_b06_a_broker_that_says_taken_over_three_times_is_believed(tmp_path: Path) -> None:
    """Reason 0x8E of MQTT 5, which some brokers send and Mosquitto 2.0.11 does not: said by the link in its stead."""
    subscribed: list[bytes] = []

    def watch(up: bool, first: int, body: bytes) -> None:
        # Not what the controller says of itself: unacknowledged as the link ends, it is said twice the next time.
        # Nor is the broker's welcome enough: a word of ours must not overtake it on its way there.
        if up and first >> 4 == SUBSCRIBE:
            subscribed.append(body)

    with Bench(tmp_path, watch) as bench:
        until("it runs", lambda: bench.spy.holds("broker connected"), 60.0)
        for times in range(1, 4):
            assert not _has_yielded(bench.data)
            until("it is in", lambda times=times: len(subscribed) >= times, 10.0)  # type: ignore[misc]
            bench.controller_link.say(TAKEN_OVER)
        until("it yields", lambda: _has_yielded(bench.data), 10.0)
        before = _connections(bench)
        throughout("it stays away", lambda: _connections(bench) == before, 8.0)
        assert bench.controller.is_alive


def test_b06_a_single_takeover_is_got_over(tmp_path: Path) -> None:
    """A client that borrowed the name once costs a minute of heat, not the night."""
    with Bench(tmp_path) as bench:
        bench.heat()
        settings = through(bench.settings, bench.broker.port)
        borrower = session.make_client(settings, "soilward-controller")
        session.connect(borrower, settings.broker, kept=False)
        until("it is in", borrower.is_connected, 10.0)
        borrower.disconnect()
        borrower.loop_stop()
        seen("B06", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        bench.permitted_within(60.0)


def test_b07_a_broker_that_drops_what_it_should_keep_is_found_out(tmp_path: Path) -> None:
    """QoS 1 messages vanish unacknowledged: open by the lease, and the canary, sent that way too, says why."""
    with Bench(tmp_path) as bench:
        bench.heat()
        bench.controller_link.loses = _sure_messages
        seen("B07", bench.open_within(CLASS_C_S + LOOK_S), LEASE_S + LOOK_S)
        until("it is told", lambda: bench.spy.lost("broker connected") == STALLS, CANARY_S + 2 * LOOK_S)
        bench.controller_link.loses = None
        bench.permitted_within(45.0)


OWNER = "topic readwrite #"
LISTS = "access lists let readers write commands"


def _with_accounts(folder: Path, reader: str, more: dict[str, str] | None = None, **site: Any) -> Bench:
    for account in ("soilward", "reader"):
        (folder / f"{account}.password").write_text(account)
    return Bench(folder, rights={"soilward": OWNER, "reader": reader, **(more or {})}, broker=ACCOUNTS, **site)


@pytest.mark.parametrize("reader", ["topic readwrite #", "topic write soilward/+/heater/command"])
def test_b08_lists_that_let_a_reader_write_commands_permit_no_heat(tmp_path: Path, reader: str) -> None:
    """The controller tries it at start; what gets through is an alert, and no order is ever "on"."""
    with _with_accounts(tmp_path, reader) as bench:
        bench.arm()
        until("it runs", bench.spy.status, 60.0)
        until("it is told", lambda: bench.spy.lost("broker connected") == LISTS, 15.0)
        until("an alert stands", lambda: "broker:lists" in bench.spy.alerts(), 5.0)
        throughout("no heat", lambda: not bench.node.core.on, 8.0)
        assert not any(command["on"] for command in bench.spy.commands())


def _hangs_up_on(kind: int, words: bytes) -> Loses:
    """Return what ends a connection over which a packet of a kind comes with these words in it."""

    def loses(up: bool, first: int, body: bytes) -> bool:
        if up and first >> 4 == kind and words in body:
            raise ConnectionError
        return False

    return loses


def test_b08_a_try_that_is_not_answered_permits_no_heat_and_is_made_again(tmp_path: Path) -> None:
    """What the reader writes is lost once: until another try has shown how the lists are, there is no heat."""
    lost: list[bytes] = []

    def lose(up: bool, first: int, body: bytes) -> bool:
        if up and not lost and first >> 4 == PUBLISH and b"reader-test-" in body:
            lost.append(body)
            return True
        return False

    bench = _with_accounts(tmp_path, "topic readwrite #")
    bench.controller_link.loses = lose
    with bench:
        bench.arm()
        until("it is tried", lambda: lost, 60.0)
        until("it is told", lambda: bench.spy.lost("broker connected") == LISTS, 60.0)
        assert not any(command["on"] for command in bench.spy.commands())


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_b08_lists_that_keep_readers_reading_permit_heat(tmp_path: Path, protocol: str) -> None:
    """With MQTT 5 the broker says that it refuses; with 3.1.1 only what is not delivered tells."""
    with _with_accounts(tmp_path, "topic read #", protocol=protocol) as bench:
        bench.heat()
        assert not bench.node.core.refused["unsigned"]


HANDBOOK = """topic read soilward/+/probe/+
topic read soilward/+/heater/state
topic read soilward/presence/+
topic write soilward/larch/heater/command
topic write soilward/larch/status
topic write soilward/presence/soilward-controller
topic readwrite soilward/presence/soilward-controller/canary"""
"""What `hardware-notes/broker.md` once gave the controller alone: it must not read its own commands."""


def test_b08_lists_that_keep_the_controller_from_hearing_its_orders_are_told_and_cost_no_heat(tmp_path: Path) -> None:
    """With 3.1.1 nobody can tell then whether a reader got through: an alert, not a cold night for ever."""
    (tmp_path / "keeper.password").write_text("keeper")
    bench = _with_accounts(tmp_path, "topic read #", more={"keeper": HANDBOOK}, protocol="3.1.1")
    site = tmp_path / "soilward.toml"
    site.write_text(site.read_text().replace('"soilward"\n', '"keeper"\n').replace('"soilward.pass', '"keeper.pass'))
    with bench:
        bench.heat()
        until("an alert stands", lambda: "broker:lists" in bench.spy.alerts(), 15.0)


def test_b08_a_broker_that_throws_out_who_writes_what_he_must_not_is_told_and_costs_no_heat(tmp_path: Path) -> None:
    """MQTT 3.1.1, section 3.3.5: a broker refuses by acknowledging and dropping, or by closing the connection."""
    bench = _with_accounts(tmp_path, "topic read #", protocol="3.1.1")
    bench.controller_link.loses = _hangs_up_on(PUBLISH, b"reader-test-")
    with bench:
        bench.heat()
        until("an alert stands", lambda: "broker:lists" in bench.spy.alerts(), 15.0)


def test_b08_a_reader_that_is_not_let_in_is_told_and_costs_no_heat(tmp_path: Path) -> None:
    """Who cannot connect cannot write; that the test could not be made is an alert."""
    with _with_accounts(tmp_path, "topic read #") as bench:
        (tmp_path / "reader.password").write_text("wrong")
        bench.controller.kill()
        bench.controller.start()
        bench.heat()
        until("an alert stands", lambda: "broker:lists" in bench.spy.alerts(), 15.0)


def test_b08_a_reader_that_is_turned_away_without_a_word_is_told_and_costs_no_heat(tmp_path: Path) -> None:
    """MQTT 5.0, section 3.1.4: who is not let in may be told why, or have the connection closed on him."""
    bench = _with_accounts(tmp_path, "topic read #")
    bench.controller_link.loses = _hangs_up_on(CONNECT, b"soilward-reader-")
    with bench:
        bench.heat()
        until("an alert stands", lambda: "broker:lists" in bench.spy.alerts(), 15.0)


class Echo:
    """A bridge in a loop: tells every message again at once, and once more some seconds later."""

    LATER_S = 4.0

    def __init__(self, bench: Bench) -> None:
        settings = through(bench.settings, bench.broker.port)
        self.told = 0
        self._ended = threading.Event()
        self.client = session.make_client(settings, "bridge")
        self.client.max_inflight_messages_set(1000)
        self.client.on_connect = lambda client, *_: client.subscribe("#", options=SubscribeOptions(1, noLocal=True))
        self.client.on_message = self._on_message
        session.connect(self.client, settings.broker, kept=False)
        until("the bridge is up", self.client.is_connected, 10.0)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._again(message.topic, bytes(message.payload))
        threading.Timer(self.LATER_S, self._again, (message.topic, message.payload)).start()

    def _again(self, topic: str, payload: bytes) -> None:
        if not self._ended.is_set():
            self.told += 1
            self.client.publish(topic, payload, qos=1)

    def close(self) -> None:
        """Leave."""
        self._ended.set()
        self.client.disconnect()
        self.client.loop_stop()


def test_b09_a_bridge_that_tells_everything_again_stretches_no_lease_and_revives_no_node(tmp_path: Path) -> None:
    """Copies are refused and told; with the controller dead, or the node, heat ends as without them."""
    with Bench(tmp_path, lease_s=CLASS_C_S) as bench:
        bench.heat()
        bridge = Echo(bench)
        try:
            throughout("heat goes on", lambda: bench.node.heated, 12.0)
            assert bench.node.core.refused["replayed"] >= 2
            until("it is told", lambda: bench.spy.status()["refused"].get("repeated", 0) >= 2, 5.0)
            bench.controller.kill()
            seen("B09", bench.open_within(CLASS_C_S + LOOK_S), CLASS_C_S + LOOK_S)
            bench.controller.start()
            until("heat returns by itself", lambda: bench.node.heated, 45.0)
            bench.node_link.lost_up = True
            bench.node.silent |= set(bench.plant.values)
            until("the node is missed", lambda: bench.spy.holds("node heard") is False, NODE_SILENT_S + 2 * LOOK_S)
            seen("B09", bench.open_within(CLASS_C_S + LOOK_S), CLASS_C_S + LOOK_S)
        finally:
            bridge.close()
