"""One day of real weather over a real broker, in lockstep on a manual clock, beside the same day without a wire."""

import queue
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest

from controller import enclosure
from controller.clock import ManualClock, Moment
from controller.node.relay_core import RelayCore
from controller.plan import Plan, plan_for
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.simulate import FLICKER, FLICKER_EVERY_S, coarse, simulate
from controller.probe import SI_UNIT
from controller.routing import Routing, probe_topic
from controller.settings import Settings
from controller.standing import Standing
from controller.state import Inputs
from controller.wire import session
from controller.wire.inbox import Inbox, Message
from controller.wire.relay import decode_report, encode_report
from controller.wire.relays import Relays
from controller.wire.senml import encode_senml
from tests import newark
from tests.bench.broker import MemoryMosquitto, at_once
from tests.wire.kit import until

TICK_S = 10.0
TICKS = 8640
WARM_UP_S = 10 * 86_400
PATIENCE_S = 5.0


@dataclass(slots=True)
class Day:
    """What was decided and felt, tick by tick."""

    heater_on: list[bool] = field(default_factory=list)
    duty: list[float] = field(default_factory=list)
    soil_c: list[float] = field(default_factory=list)


class Node:
    """The far end: a plant, its relay, and a client of its own."""

    def __init__(self, settings: Settings, plant: EnclosurePlant, start: Moment) -> None:
        self.settings, self.plant = settings, plant
        self.enclosure = settings.enclosure[0]
        self.core = RelayCore(None)
        self.commands: queue.Queue[tuple[bytes, bool]] = queue.Queue()
        self._root = f"{settings.broker.root}/{self.enclosure.name}"
        self._start_s = start.mono_s
        self._ready: queue.Queue[bool] = queue.Queue()
        self.client = session.make_client(settings, "node-larch")
        at_once(self.client)
        self.client.on_connect = lambda client, *_: client.subscribe(f"{self._root}/heater/command", qos=1)
        self.client.on_subscribe = lambda *_: self._ready.put(True)
        self.client.on_message = self._on_message
        session.connect(self.client, settings.broker, kept=False)
        assert self._ready.get(timeout=PATIENCE_S)

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.commands.put((bytes(message.payload), message.retain))

    def speak(self, now: Moment) -> int:
        """Let a tick pass, publish every probe and the contact; returns how many messages went out."""
        self.plant.advance(TICK_S, self.core.advance(now.mono_s))
        # Perfect thermometers tremble here as they do in `simulate`.
        tremble = FLICKER if now.mono_s % FLICKER_EVERY_S < TICK_S else 0.0
        values = {name: value + tremble for name, value in self.plant.probes().items()}
        for probe in self.enclosure.probe:
            unit, value = SI_UNIT[probe.quantity], values[probe.name]
            payload = encode_senml(self.enclosure.name, probe.name, unit, [(now.utc_ms, value)])
            self.client.publish(probe_topic(self.settings.broker.root, self.enclosure.name, probe), payload, qos=1)
        amps = self.enclosure.heater.rated_w / self.enclosure.heater.volts if self.core.on else 0.0
        core, uptime_s = self.core, now.mono_s - self._start_s
        report = encode_report(
            core.on, core.armed, max(core.epoch, 0), core.seq, core.lease_left_s(now.mono_s), amps, core.drops, uptime_s
        )
        self.client.publish(f"{self._root}/heater/state", report, qos=1)
        return len(values) + 1

    def obey(self, now: Moment) -> None:
        """Take the one command that was sent."""
        payload, retained = self.commands.get(timeout=PATIENCE_S)
        assert self.core.receive(payload, retained, now.mono_s) == ""

    def close(self) -> None:
        """Leave the broker."""
        self.client.disconnect()
        self.client.loop_stop()


class Shell:
    """The near end: the real inbox, routing and relays round the pure tick."""

    def __init__(self, settings: Settings, plan: Plan, clock: ManualClock) -> None:
        self.plan, self.clock = plan, clock
        self.routing = Routing(settings)
        self.inbox = Inbox(settings, "soilward-day", self.routing.probe_topics, self.routing.state_topics, clock)
        self.relays = Relays(settings, self.inbox.client, 1, "day", clock.now())
        self.state = enclosure.start(plan, Standing(armed=True))
        at_once(self.inbox.client)
        self.inbox.open()
        until("the controller is connected", lambda: self.inbox.link_now.connected, PATIENCE_S)

    def hear(self, count: int) -> list[Message]:
        """Wait for `count` messages and acknowledge them."""
        messages = [self.inbox.messages.get(timeout=PATIENCE_S) for _ in range(count)]
        for message in messages:
            self.inbox.acknowledge(message)
        return messages

    def decide(self, messages: list[Message]) -> enclosure.Decision:
        """Decode, step, and send what is due."""
        now, name = self.clock.now(), self.plan.name
        spoken = [message for message in messages if message.topic not in self.routing.states]
        readings = tuple(reading for message in spoken for reading in self.routing.readings(message))
        told = [decode_report(m.payload, m.arrived) for m in messages if m.topic in self.routing.states]
        reports = tuple(report for report in told if report is not None)
        self.state, decision = enclosure.step(self.plan, self.state, Inputs(readings, reports), now)
        if decision.send:
            self.relays.send(name, decision.order, now)
        return decision

    def close(self) -> None:
        """Leave the broker."""
        self.inbox.close()


def one_day(shell: Shell, node: Node, clock: ManualClock) -> Day:
    """Run the day in lockstep: each tick ends when the node has what was sent."""
    day = Day()
    for _ in range(TICKS):
        clock.sleep(TICK_S)
        decision = shell.decide(shell.hear(node.speak(clock.now())))
        if decision.send:
            node.obey(clock.now())
        assert (node.core.on, node.core.armed) == (decision.order.on, decision.order.armed)
        day.heater_on.append(decision.order.on)
        day.duty.append(shell.state.duty)
        day.soil_c.append(shell.state.soil_c if shell.state.soil_c is not None else float("nan"))
    return day


def warm_plants(settings: Settings) -> tuple[EnclosurePlant, EnclosurePlant]:
    """Return the tunnel as it stands after ten days of two thirds of the heat, about its set point, twice."""
    start_ms = newark.START_MS - WARM_UP_S * 1000
    plant, again = newark.tunnel_plant(settings, start_ms), newark.tunnel_plant(settings, start_ms)
    for minute in range(WARM_UP_S // 60):
        plant.advance(60.0, minute % 3 > 0)
    again.restore(plant.state())
    return plant, again


def test_a_day_over_the_broker_gives_the_orders_of_the_pure_tick(tmp_path: Path) -> None:
    """Probe to SenML to Mosquitto to tick to command to relay, 8640 times: order, duty and soil are those of
    `simulate`, sample by sample, and the relay never disagrees with the order.
    """
    broker = MemoryMosquitto(tmp_path / "broker")
    broker.start()
    try:
        settings = newark.site(broker.port)
        plant, again = warm_plants(settings)
        pure = simulate(settings, "larch", plant, newark.START_MS, TICKS * TICK_S, TICK_S)
        start = Moment(0.0, newark.START_MS)
        clock = ManualClock(start)
        plan = coarse(plan_for(settings, settings.enclosure[0], TICK_S), TICK_S)
        shell, node = Shell(settings, plan, clock), Node(settings, again, start)
        try:
            day = one_day(shell, node, clock)
        finally:
            node.close()
            shell.close()
    finally:
        broker.stop()
    assert sum(was != on for was, on in zip(pure.heater_on, pure.heater_on[1:], strict=False)) > 50
    assert day.heater_on == pure.heater_on
    assert day.duty == pytest.approx(pure.duty, abs=1e-8)
    assert day.soil_c == pytest.approx(pure.soil_c, abs=1e-8)
