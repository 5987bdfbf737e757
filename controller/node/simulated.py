"""A simulated node: a plant for an enclosure, a real broker connection, and the program of a real node."""

import queue
import threading
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt

from controller.clock import Clock, Moment
from controller.enclosure_settings import Enclosure
from controller.node.board import Board, boot_wait_s
from controller.node.contacts import Circuit, Load
from controller.node.memory import MemoryStore
from controller.node.relay_core import RelayCore
from controller.plant import Plant
from controller.probe import SI_UNIT
from controller.routing import probe_topic
from controller.settings import Settings
from controller.store.connection import Lock
from controller.wire import session
from controller.wire.relays import read_key
from controller.wire.senml import encode_senml

STEP_S = 0.25
REPORT_EVERY_S = 5.0


class SimulatedNode:
    """One enclosure's node.

    Parameters
    ----------
    clock_rate
        Seconds the node's clock counts in one true second: 1.01 is a clock 1 % fast.
    override
        Probe name to a value it must report instead of the plant's, set by tests and demos at any time.
    memory
        File of what it must know after a restart; None forgets.
    wait_s
        [s] after a boot in which it obeys no "on"; 0 unless the return of mains is simulated.
    """

    def __init__(
        self, settings: Settings, enclosure: Enclosure, plant: Plant, clock: Clock, *, clock_rate: float = 1.0,
        memory: Path | None = None, wait_s: float = 0.0,
    ) -> None:  # fmt: skip
        self.settings, self.enclosure, self.plant, self.clock = settings, enclosure, plant, clock
        self.override: dict[str, float] = {}
        self.silent: set[str] = set()
        heater, now_s = enclosure.heater, clock.now().mono_s
        self.board = Board(
            Circuit(Load(heater.rated_w, heater.volts)), read_key(heater.key_file), MemoryStore(memory), now_s,
            clock_rate=clock_rate, wait_s=wait_s,
        )  # fmt: skip
        self._root = f"{settings.broker.root}/{enclosure.name}"
        self._commands: queue.Queue[tuple[bytes, bool]] = queue.Queue()
        self._stop = threading.Event()
        self._advanced_s = now_s
        self._spoke_s = dict.fromkeys((each.name for each in enclosure.probe), float("-inf"))
        self._reported_s = float("-inf")
        self._reported: object = None
        will = (f"{self._root}/heater/state", b"offline", False)
        self.client = session.make_client(settings, f"node-{enclosure.name}", will)
        self.client.on_connect = self._on_connect
        self.client.on_message = self._on_message
        self._thread = threading.Thread(target=self._run, name=f"node-{enclosure.name}", daemon=True)

    def start(self) -> None:
        """Connect and begin."""
        session.connect(self.client, self.settings.broker, kept=False)
        self._thread.start()

    def stop(self) -> None:
        """Open the contacts, say goodbye, and end."""
        self._stop.set()
        self._commands.put((b"", False))
        self._thread.join(5.0)
        self.board.shut_down(self.clock.now().mono_s)
        self.client.disconnect()
        self.client.loop_stop()

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if not reason.is_failure:
            client.subscribe(f"{self._root}/heater/command", qos=1)
            self._reported_s = float("-inf")

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self._commands.put((bytes(message.payload), message.retain))

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                payload, retained = self._commands.get(timeout=STEP_S)
            except queue.Empty:
                payload, retained = b"", False
            now = self.clock.now()
            self.board.turn(now.mono_s, [(payload, retained)] if payload else [])
            self._advance_plant(now)
            if self.board.runs and self.client.is_connected():
                self._report(now)
                self._speak(now)

    @property
    def core(self) -> RelayCore:
        """Its dead-man: what the lease grants, whether or not the rest of the program lets it through."""
        return self.board.guard.core

    @property
    def heated(self) -> bool:
        """Whether current flows through the heater."""
        return self.board.circuit.watts > 0.0

    def _advance_plant(self, now: Moment) -> None:
        elapsed_s = now.mono_s - self._advanced_s
        if elapsed_s > 0:
            self.plant.advance(elapsed_s, self.heated)
            self._advanced_s = now.mono_s

    def _report(self, now: Moment) -> None:
        guard = self.board.guard
        changing = (guard.told, guard.proof.stands, tuple(guard.faults))
        if changing == self._reported and now.mono_s - self._reported_s < REPORT_EVERY_S:
            return
        self._reported, self._reported_s = changing, now.mono_s
        self.client.publish(f"{self._root}/heater/state", self.board.report(now.mono_s), qos=1)

    def _speak(self, now: Moment) -> None:
        due = [p for p in self.enclosure.probe if now.mono_s - self._spoke_s[p.name] >= p.period_s]
        if not due:
            return
        values = {**self.plant.probes(), **self.override}
        for probe in due:
            self._spoke_s[probe.name] = now.mono_s
            if probe.name not in self.silent:
                self.publish_reading(probe.name, values[probe.name], now.utc_ms)

    def publish_reading(self, name: str, value: float, taken_ms: int) -> mqtt.MQTTMessageInfo:
        """Publish one reading of one probe."""
        probe = self.enclosure.named(name)
        if probe is None:
            raise KeyError(f"no probe {name!r} in enclosure {self.enclosure.name!r}")
        payload = encode_senml(self.enclosure.name, name, SI_UNIT[probe.quantity], [(taken_ms, value)])
        return self.client.publish(probe_topic(self.settings.broker.root, self.enclosure.name, probe), payload, qos=1)


def run_nodes(settings: Settings, plants: Mapping[str, Plant], stop: threading.Event, waits: bool = False) -> None:
    """Run a simulated node for every enclosure until `stop`.

    Parameters
    ----------
    waits
        Whether they hold heat back after their start as nodes do when mains return.

    Raises
    ------
    StoreError
        If others of this site run already: the broker would cut off each whenever the other connects.
    """
    clock, folder = Clock(), settings.store.folder
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    held = Lock(folder / "nodes")
    nodes = [
        SimulatedNode(
            settings, each, plants[each.name], clock,
            memory=folder / f"node-{each.name}.json", wait_s=boot_wait_s(each.name) if waits else 0.0,
        )
        for each in settings.enclosure
    ]  # fmt: skip
    for node in nodes:
        node.start()
    stop.wait()
    for node in nodes:
        node.stop()
    held.release()
