"""What every wire test stands on: a real Mosquitto, a controller in its own process, simulated nodes, a listener."""

import getpass
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing, suppress
from dataclasses import dataclass, field
from functools import cached_property
from itertools import cycle
from pathlib import Path
from typing import Any, Self

import paho.mqtt.client as mqtt

from controller.clock import Clock
from controller.load_settings import load
from controller.node.simulated import SimulatedNode
from controller.settings import Settings
from controller.store import requests
from controller.store.blocks import Row
from controller.store.connection import open_writer
from controller.store.migrations import REQUESTS
from controller.wire import session
from controller.wire.senml import encode_senml
from tests.kept import rows_in
from tests.wire.link import Link, Watch

ROOT = Path(__file__).parents[2]
POLL_S = 0.02
KEY = "5f" * 32

_SITE = """[site]
name = "Tarn Hollow"
time_zone = "Europe/Zurich"
latitude = 46.2
longitude = 8.4
[broker]
kind = "{kind}"
port = {port}
protocol = "{protocol}"
{broker}
[store]
rest_s = 2
folder = "data"
"""

_ENCLOSURE = """
[[enclosure]]
name = "{name}"
[enclosure.heater]
kind = "soil-cable"
rated_w = 460
depth_m = 0.14
key_file = "{name}.key"
lease_s = {lease_s}
{heater}
[enclosure.control]
gain_per_k = 20
ramp_k_per_h = 20
window_s = 120
[enclosure.limits]
soil_trip = {soil_trip}
"""

PROBES = """
[[enclosure.probe]]
name = "soil-10"
quantity = "soil"
depth_m = 0.10
period_s = 1
[[enclosure.probe]]
name = "air-low"
quantity = "air"
height_m = 0.10
period_s = 1
[[enclosure.probe]]
name = "cable"
quantity = "heater-surface"
depth_m = 0.14
period_s = 1
[[enclosure.probe]]
name = "outside"
quantity = "outside"
period_s = 1
"""


ACCOUNTS = """username = "soilward"
password_file = "soilward.password"
read_username = "reader"
read_password_file = "reader.password"
"""
"""Lines of `[broker]`: the controller's account, and one that may only read."""


STARTS_S = 60.0
"""[s] patience with a controller that starts, and a node that must be heard first, on a machine full of others."""


def until(what: str, holds: Callable[[], Any], within_s: float, meanwhile: Callable[[], Any] | None = None) -> float:
    """Wait until `holds()`, calling `meanwhile` at each look; return how long it took [s].

    Raises
    ------
    AssertionError
        If it did not come about within `within_s` [s].
    """
    start_s = time.monotonic()
    while not holds():
        if time.monotonic() - start_s > within_s:
            raise AssertionError(f"{what}: not within {within_s:g} s")
        if meanwhile is not None:
            meanwhile()
        time.sleep(POLL_S)
    return time.monotonic() - start_s


def throughout(what: str, holds: Callable[[], Any], for_s: float, meanwhile: Callable[[], Any] | None = None) -> None:
    """Fail unless `holds()` at every look for `for_s` [s]."""
    end_s = time.monotonic() + for_s
    while time.monotonic() < end_s:
        assert holds(), what
        if meanwhile is not None:
            meanwhile()
        time.sleep(POLL_S)


def _ports() -> Iterator[int]:
    """Yield ports of loopback below those that the system gives to connections: of a block no other test process has.

    A port found free is in use only when whoever it is for has started. Until then nobody else may find it.
    """
    for first in range(20_000, 32_000, 100):
        # Who listens on the first port of a block has the block, as long as it lives.
        with suppress(OSError), socket.create_server(("127.0.0.1", first)):
            yield from cycle(range(first + 1, first + 100))
    raise RuntimeError("no block of ports from 20000 on is free; end other runs of the tests")


_PORTS = _ports()
_PORTS_LOCK = threading.Lock()


def a_free_port() -> int:
    """Return a loopback port nobody listens on. Any thread may ask."""
    while True:
        with _PORTS_LOCK:
            port = next(_PORTS)
        with suppress(OSError), socket.create_server(("127.0.0.1", port)):
            return port


class Mosquitto:
    """A broker of one's own, with persistence in `folder`.

    Parameters
    ----------
    rights
        By account (its password is its name), what `acl_file` grants it; None lets everybody in to do everything.
    plugin
        Configuration of Mosquitto's dynamic security.
    more
        More lines of configuration.
    """

    def __init__(
        self,
        folder: Path,
        rights: dict[str, str] | None = None,
        plugin: dict[str, Any] | None = None,
        more: str = "",
    ) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self.port = a_free_port()
        self._log = folder / "mosquitto.log"
        self._configuration = folder / "mosquitto.conf"
        self._configuration.write_text(
            f"listener {self.port} 127.0.0.1\n{_doors(folder, rights)}user {getpass.getuser()}\n"
            f"persistence true\npersistence_location {folder}/\nautosave_interval 1\nautosave_on_changes true\n"
            f"max_queued_messages 20000\nset_tcp_nodelay true\n{more}"
        )
        if plugin is not None:
            (folder / "security.json").write_text(json.dumps(plugin))
            (library,) = Path("/usr/lib").rglob("mosquitto_dynamic_security.so")
            with self._configuration.open("a") as file:
                file.write(f"plugin {library}\nplugin_opt_config_file {folder}/security.json\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it and wait until it listens."""
        program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin")
        assert program is not None, "mosquitto is not installed; tests/run installs it"
        with self._log.open("ab") as log:
            self._process = subprocess.Popen([program, "-c", str(self._configuration)], stdout=log, stderr=log)
        until("mosquitto listens", self._listens, 5.0)

    def _listens(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self._log.read_text()
        try:
            socket.create_connection(("127.0.0.1", self.port), 0.2).close()
        except OSError:
            return False
        return True

    def stop(self, number: int = signal.SIGTERM) -> None:
        """End it; SIGKILL is the fault, SIGTERM the orderly stop."""
        if self._process is not None:
            self._process.send_signal(number)
            self._process.wait(10.0)
            self._process = None


def _doors(folder: Path, rights: dict[str, str] | None) -> str:
    if rights is None:
        return "allow_anonymous true\n"
    passwords, lists = folder / "passwords", folder / "lists"
    passwords.touch(0o600)
    for account in rights:
        subprocess.run(["mosquitto_passwd", "-b", str(passwords), account, account], check=True, timeout=20)
    lists.write_text("".join(f"user {account}\n{granted}\n" for account, granted in rights.items()))
    return f"allow_anonymous false\npassword_file {passwords}\nacl_file {lists}\n"


@dataclass(slots=True)
class ConstantPlant:
    """A plant on which heating has no effect: each probe reads what the test says."""

    values: dict[str, float] = field(
        default_factory=lambda: {"soil-10": 15.0, "air-low": 8.0, "cable": 16.0, "outside": 2.0}
    )
    energy_j: float = 0.0

    def advance(self, seconds: float, heater_on: bool) -> None:
        """Let time pass."""

    def probes(self) -> dict[str, float]:
        """Return the values, as they were set."""
        return dict(self.values)


@dataclass(frozen=True)
class Heard:
    """A message as the listener heard it, at `at_s` [s] monotonic."""

    at_s: float
    topic: str
    payload: bytes
    retained: bool

    @cached_property
    def said(self) -> dict[str, Any]:
        """The payload, decoded once however often a test looks."""
        decoded: dict[str, Any] = json.loads(self.payload)
        return decoded


class Spy:
    """A client that hears everything and can publish anything."""

    def __init__(self, settings: Settings, name: str = "spy") -> None:
        self.heard: list[Heard] = []
        self._subscribed = threading.Event()
        self._spoke_s: dict[str, float] = {}
        self.client = session.make_client(settings, name)
        self.client.max_inflight_messages_set(1000)
        self.client.on_connect = lambda client, *_: client.subscribe("#", qos=1)
        self.client.on_subscribe = lambda *_: self._subscribed.set()
        self.client.on_message = self._on_message
        session.connect(self.client, settings.broker, kept=False)
        assert self._subscribed.wait(10.0), "the listener was not let in"

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.heard.append(Heard(time.monotonic(), message.topic, bytes(message.payload), message.retain))

    def publish(self, topic: str, payload: bytes | str, retain: bool = False) -> None:
        """Publish and wait until the broker has it."""
        self.client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(5.0)

    def say(self, probe: str, value: float, source: str = "larch", enclosure: str = "larch") -> None:
        """Publish a reading taken now, without waiting."""
        payload = encode_senml(source, probe, "Cel", [(time.time_ns() // 1_000_000, value)])
        self.client.publish(f"soilward/{enclosure}/probe/{probe}", payload, qos=1)

    def say_each_second(self, values: dict[str, float], source: str = "larch") -> None:
        """Publish those of `values` that were last said a second ago or more."""
        now_s = time.monotonic()
        for probe, value in values.items():
            if now_s - self._spoke_s.get(source + probe, 0.0) >= 1.0:
                self._spoke_s[source + probe] = now_s
                self.say(probe, value, source)

    def statuses(self, name: str = "larch", after_s: float = 0.0) -> list[dict[str, Any]]:
        """Return the statuses of an enclosure published after `after_s` [s] monotonic, oldest first."""
        topic = f"soilward/{name}/status"
        return [h.said for h in self.heard if h.topic == topic and h.at_s > after_s and not h.retained]

    def status(self, name: str = "larch") -> dict[str, Any]:
        """Return the latest status, {} if there is none yet."""
        topic = f"soilward/{name}/status"
        return next((h.said for h in reversed(self.heard) if h.topic == topic and not h.retained), {})

    def commands(self, name: str = "larch", after_s: float = 0.0) -> list[dict[str, Any]]:
        """Return the heater commands heard after `after_s` [s] monotonic, oldest first."""
        topic = f"soilward/{name}/heater/command"
        return [h.said for h in self.heard if h.topic == topic and h.at_s > after_s]

    def holds(self, permissive: str, name: str = "larch") -> bool | None:
        """Whether a permissive holds in the latest status; None if it is not in it."""
        found = [p["holds"] for p in self.status(name).get("permissives", ()) if p["name"] == permissive]
        return found[0] if found else None

    def lost(self, permissive: str, name: str = "larch") -> str:
        """Return what is wrong with a permissive in the latest status; "" if it holds or is not in it."""
        found = self.status(name).get("permissives", ())
        return "".join(p["detail"] for p in found if p["name"] == permissive and not p["holds"])

    def alerts(self, name: str = "larch") -> set[str]:
        """Return the names of the alerts in the latest status."""
        return {each["name"] for each in self.status(name).get("alerts", ())}

    def close(self) -> None:
        """Leave."""
        self.client.disconnect()
        self.client.loop_stop()


class ControllerProcess:
    """The controller as its users run it, or inside another `module` with its arguments."""

    def __init__(self, settings_file: Path, log: Path) -> None:
        self._settings_file, self._log = settings_file, log
        self.module: list[str] = []
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; it is running when its status is heard."""
        command = [sys.executable, "-m", "controller.cli", "controller", "--settings", str(self._settings_file)]
        if self.module:
            command = [sys.executable, "-m", *self.module, str(self._settings_file)]
        with self._log.open("ab") as log:
            self.process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=log)

    @property
    def is_alive(self) -> bool:
        """Whether it runs (or is paused)."""
        return self.process is not None and self.process.poll() is None

    def send(self, number: int) -> None:
        """Send a signal: SIGSTOP, SIGCONT, SIGTERM, SIGKILL."""
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """Kill it where it stands and wait until it is gone."""
        self.send(signal.SIGKILL)
        assert self.process is not None
        self.process.wait(5.0)

    def stop(self) -> None:
        """End it in order."""
        if self.process is None or self.process.poll() is not None:
            return
        self.process.send_signal(signal.SIGCONT)
        self.process.terminate()
        try:
            self.process.wait(15.0)
        except subprocess.TimeoutExpired:
            self.process.kill()
            self.process.wait()
            raise


def write_site(
    folder: Path,
    port: int,
    *,
    names: tuple[str, ...] = ("larch",),
    probes: str = PROBES,
    lease_s: float = 6.0,
    protocol: str = "5",
    kind: str = "external",
    soil_trip: float = 40.0,
    broker: str = "",
    heater: str = "",
) -> Path:
    """Write settings and keys for a small site; return the settings file.

    Parameters
    ----------
    broker, heater
        More lines of TOML for these tables.
    """
    text = _SITE.format(kind=kind, port=port, protocol=protocol, broker=broker)
    for name in names:
        (folder / f"{name}.key").write_text((KEY if name == names[0] else f"the key of {name}") + "\n")
        text += _ENCLOSURE.format(name=name, lease_s=lease_s, soil_trip=soil_trip, heater=heater) + probes
    file = folder / "soilward.toml"
    file.write_text(text)
    return file


def through(settings: Settings, port: int) -> Settings:
    """Return the same settings, reaching the broker by another port (a Link's)."""
    return settings.model_copy(update={"broker": settings.broker.model_copy(update={"port": port})})


class Bench:
    """One enclosure, running: `with Bench(tmp_path) as bench`. Controller and node each reach the broker by a `Link`.

    Parameters
    ----------
    watch, node_watch
        See every packet between controller, or node, and broker.
    rights
        As for `Mosquitto`.
    site
        As for `write_site`.
    """

    def __init__(
        self,
        folder: Path,
        watch: Watch | None = None,
        node_watch: Watch | None = None,
        rights: dict[str, str] | None = None,
        **site: Any,
    ) -> None:
        self.folder = folder
        self.broker = Mosquitto(folder / "broker", rights)
        self.broker.start()
        self.controller_link = Link(self.broker.port, watch)
        self.node_link = Link(self.broker.port, node_watch)
        file = write_site(folder, self.controller_link.port, **site)
        self.settings = load(file)
        self.data = self.settings.store.folder
        self.data.mkdir()
        self.spy = Spy(through(self.settings, self.broker.port))
        self.plant = ConstantPlant()
        self.node = self.new_node()
        self.controller = ControllerProcess(file, folder / "controller.log")

    def new_node(self) -> SimulatedNode:
        """Return a node of the first enclosure, not started."""
        settings = through(self.settings, self.node_link.port)
        node = SimulatedNode(settings, settings.enclosure[0], self.plant, Clock())
        node.client.max_inflight_messages_set(1000)
        return node

    def __enter__(self) -> Self:
        self.node.start()
        self.controller.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        try:
            if kind is not None:
                print(self.evidence())
            self.controller.stop()
        finally:
            self.node.stop()
            self.spy.close()
            self.controller_link.close()
            self.node_link.close()
            self.broker.stop()

    def evidence(self) -> str:
        """Return what the controller last said of itself, for who reads of a test that failed."""
        heard = self.spy.statuses()[-1:] or [{"status": "none was heard"}]
        lines: list[str] = []
        entries: list[tuple[Any, ...]] = []
        with suppress(OSError, sqlite3.Error):
            lines = (self.folder / "controller.log").read_text().splitlines()[-30:]
            entries = self.rows("SELECT kind, why FROM journal ORDER BY sequence DESC LIMIT 15", file="journal.db")
        return "\n".join([json.dumps(heard[0]), *lines, *(f"{kind}: {why}" for kind, why in reversed(entries))])

    def ask(self, kind: requests.Kind, name: str = "larch", **arguments: Any) -> None:
        """File a request as the API does."""
        with closing(open_writer(self.data / "requests.db", REQUESTS)) as connection:
            requests.file(connection, time.time_ns() // 1_000_000, name, kind, arguments, "keeper", "a test")

    def arm(self) -> None:
        """Arm, and ask for soil far warmer than it is."""
        self.ask("arm")
        self.ask("set-point", set_point_c=25.0)

    def heat(self) -> None:
        """Arm and wait until the contact is closed and the controller knows."""
        self.arm()
        until("the heater is on", lambda: self.node.heated, 60.0)
        until("the controller knows", lambda: self.spy.status().get("heat", {}).get("contact"), 15.0)

    def open_within(self, within_s: float, meanwhile: Callable[[], Any] | None = None) -> float:
        """Wait until the contact is open; return how long it took [s]."""
        return until("the contact is open", lambda: not self.closed, within_s, meanwhile)

    def open_for_good(self, within_s: float, quiet_s: float) -> float:
        """Wait until the contact has been open for `quiet_s` [s] on end; return how long it took to be so [s].

        An order on its way may close it once more: what counts is when it was closed last.

        Raises
        ------
        AssertionError
            If it is closed later than `within_s` [s].
        """
        start_s = last_s = time.monotonic()
        while (now_s := time.monotonic()) - last_s < quiet_s:
            last_s = now_s if self.closed else last_s
            assert last_s - start_s <= within_s, f"the contact is closed: still after {within_s:g} s"
            time.sleep(POLL_S)
        return last_s - start_s

    def permitted_within(self, within_s: float) -> float:
        """Wait until the gate permits heat again and the node has it; the least time off may still run."""
        return until("heat is permitted again", lambda: self.node.core.armed, within_s)

    @property
    def closed(self) -> bool:
        """Whether the dead-man grants heat, or the path through both contacts is closed."""
        return self.node.core.on or self.node.board.circuit.passes > 0.0

    def closed_for(self, watched_s: float) -> float:
        """Watch for so long [s]; return when the contact was seen closed last [s], 0 if never."""
        start_s, last_s = time.monotonic(), 0.0
        while time.monotonic() - start_s < watched_s:
            last_s = time.monotonic() - start_s if self.closed else last_s
            time.sleep(POLL_S)
        return last_s

    def kept(self, probe: str | None = None) -> list[Row]:
        """Return every reading on record, or those of one probe."""
        return rows_in(self.data, probe)

    def rows(self, query: str, *arguments: object, file: str = "readings.db") -> list[tuple[Any, ...]]:
        """Read a database of the site."""
        with closing(sqlite3.connect(f"file:{self.data / file}?mode=ro", uri=True)) as connection:
            return connection.execute(query, arguments).fetchall()
