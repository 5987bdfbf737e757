"""Many enclosures in one controller on one core: how late their ticks begin, what it costs, whether memory grows.

At rest, not armed; and on a cold night, all armed and every other one heating. Run as a module it is the nodes: every
probe speaks each 10 s, every node each 5 s and as soon as it closes or opens, and answers the last command.
"""

import json
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import psutil

from controller.load_settings import load
from controller.settings import Settings
from controller.standing import Kept, Standing, save
from controller.store.durations import BOUNDS_S
from controller.wire import session
from controller.wire.senml import encode_senml
from tests.bench.broker import at_once, running
from tests.bench.table import Row
from tests.wire.kit import ROOT, ControllerProcess, until, write_site

SIZES = (250, 500, 1000, 2000)
COLD_SIZES = (1000, 2000)
WARM_UP_S, MEASURED_S = 30.0, 60.0
MOST_LATE_S = 0.1
PROBES = (("soil-10", "soil", 15.0), ("soil-25", "soil", 14.0), ("air-low", "air", 8.0), ("air-high", "air", 9.0))
OUTER = (("outside", "outside", 2.0), ("cable", "heater-surface", 18.0))
PERIOD_S, STATE_S = 10.0, 5.0
SET_POINT_C, COLDER_K = 14.0, 3.0
"""[Cel] Asked for on a cold night; [K] how much colder every other soil is than at rest, so that it wants full heat."""


def rows(folder: Path) -> Iterator[Row]:
    """Measure one size after the other, the largest last; end with the first that cannot keep up at all."""
    ours = psutil.Process()
    cores = ours.cpu_affinity()
    # The last core is the controller's; what is begun here, the broker and the nodes, has the others.
    ours.cpu_affinity(cores[:-1] or cores)
    try:
        for sizes, cold in ((SIZES, False), (COLD_SIZES, True)):
            for size in sizes:
                place = folder / f"{size}-{'cold' if cold else 'rest'}"
                place.mkdir()
                with running(place) as broker:
                    row, keeps_up = _measured(_site(place, broker.port, size, cold), cores[-1], cold)
                yield row
                if not keeps_up:
                    break
    finally:
        ours.cpu_affinity(cores)


def _site(folder: Path, port: int, size: int, cold: bool) -> Path:
    """Write a site; on a cold night everything is armed and asks for heat."""
    names = tuple(f"e{number:04d}" for number in range(size))
    asked = f'[[enclosure.schedule]]\nfrom = "01-01"\nset_point = {SET_POINT_C}\n' if cold else ""
    file = write_site(folder, port, names=names, probes=_probes() + asked)
    file.write_text(file.read_text().replace("rest_s = 2", "rest_s = 20"))
    store = load(file).store.folder
    store.mkdir()
    save(store / "standing.json", Kept(0, {name: Standing(armed=cold) for name in names}))
    return file


def _measured(file: Path, core: int, cold: bool) -> tuple[Row, bool]:
    settings = load(file)
    size = len(settings.enclosure)
    controller = ControllerProcess(file, file.parent / "controller.log")
    nodes = subprocess.Popen([sys.executable, "-m", "tests.bench.many", str(file), *["cold"] * cold], cwd=ROOT)
    controller.start()
    assert controller.process is not None
    process = psutil.Process(controller.process.pid)
    process.cpu_affinity([core])
    try:
        figures = settings.store.folder / "figures.json"
        until("the controller leaves figures", figures.exists, 120.0)
        time.sleep(WARM_UP_S)
        before, cpu_s, begun_s = _figures(figures), _cpu_s(process), time.monotonic()
        first_mb = process.memory_info().rss / 1e6
        time.sleep(MEASURED_S)
        after, share = _figures(figures), (_cpu_s(process) - cpu_s) / (time.monotonic() - begun_s)
        last_mb = process.memory_info().rss / 1e6
    finally:
        controller.stop()
        nodes.kill()
        nodes.wait()
    late = [now - then for now, then in zip(after["late"]["counts"], before["late"]["counts"], strict=True)]
    late_s, ticks = _p99_s(late), sum(late)
    heard = sum(map(sum, (each.values() for each in after["readings"].values())))
    heard -= sum(map(sum, (each.values() for each in before["readings"].values())))
    heating = sum(after["renewals"][name] > before["renewals"][name] for name in after["renewals"])
    seconds = (after["at_ms"] - before["at_ms"]) / 1000
    how = f", {heating} of them heating" if cold else ""
    what = f"{size} enclosures of {len(PROBES) + len(OUTER)} probes{how}: a tick begins late by, p99"
    beside = f"{share:.0%} of a core, {heard / seconds:.0f} readings/s, {ticks / seconds / size:.2f} ticks/s each"
    memory = f"{first_mb:.0f} -> {last_mb:.0f} MB"
    holds = late_s <= MOST_LATE_S and ticks / seconds / size > 0.9
    row = Row(what, f"<= {late_s * 1000:g} ms", f"{beside}, {memory}", "", f"<= {MOST_LATE_S * 1000:g} ms", holds)
    return row, late_s <= 1.0


def _probes() -> str:
    text = ""
    for number, (name, quantity, _) in enumerate((*PROBES, *OUTER)):
        where = {"soil": f"depth_m = 0.{number + 1}0", "air": f"height_m = 0.{number + 1}0"}.get(quantity, "")
        text += f'[[enclosure.probe]]\nname = "{name}"\nquantity = "{quantity}"\n{where}\nperiod_s = {PERIOD_S:g}\n'
    return text


def _figures(file: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    return found


def _cpu_s(process: psutil.Process) -> float:
    times = process.cpu_times()
    return float(times.user + times.system)


def _p99_s(counts: list[int]) -> float:
    """Return the bound of the bucket that the 99th of a hundred lies in."""
    so_far, total = 0, sum(counts)
    for bound_s, count in zip((*BOUNDS_S, float("inf")), counts, strict=True):
        so_far += count
        if so_far >= 0.99 * total:
            return float(bound_s)
    return float("inf")


class Nodes:
    """All nodes of a site, on one connection.

    Parameters
    ----------
    cold
        Whether the soil of every other enclosure is too cold.
    """

    def __init__(self, settings: Settings, cold: bool) -> None:
        self._names = [each.name for each in settings.enclosure]
        self._cold = frozenset(self._names[::2]) if cold else frozenset()
        self._broker, self._root = settings.broker, settings.broker.root
        self._told: dict[str, dict[str, Any]] = {}
        self._client = session.make_client(settings, "nodes")
        self._client.max_inflight_messages_set(5000)
        self._client.on_message = self._commanded
        self._client.on_connect = self._connected
        at_once(self._client)

    def run(self) -> None:
        """Speak until killed: a slice of all probes and nodes every tenth of a second."""
        session.connect(self._client, self._broker, kept=False)
        kinds = (*PROBES, *OUTER)
        probes = [(name, *each) for name in self._names for each in kinds]
        begun_s, slot, slots = time.monotonic(), 0, round(PERIOD_S * 10)
        while True:
            now_ms = time.time_ns() // 1_000_000
            for name, probe, quantity, value in probes[slot % slots :: slots]:
                colder_k = COLDER_K if quantity == "soil" and name in self._cold else 0.0
                said = value - colder_k + (slot // slots % 3) / 16
                payload = encode_senml(name, probe, "Cel", [(now_ms, said)])
                self._client.publish(f"{self._root}/{name}/probe/{probe}", payload, qos=1)
            for name in self._names[slot % round(STATE_S * 10) :: round(STATE_S * 10)]:
                self._report(name)
            slot += 1
            time.sleep(max(0.0, begun_s + slot / 10 - time.monotonic()))

    def _report(self, name: str) -> None:
        told = self._told.get(name, {"on": False, "armed": False, "epoch": 0, "seq": 0, "lease_s": 0})
        said = {field: told[field] for field in ("on", "armed", "epoch", "seq")}
        said |= {"lease_left_s": told["lease_s"] if told["on"] else 0, "amps": None, "drops": 0}
        # Each report differs from the last, as the uptime of a node does.
        said["uptime_s"] = 1000.0 + time.monotonic()
        self._client.publish(f"{self._root}/{name}/heater/state", json.dumps(said), qos=1)

    def _connected(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(f"{self._root}/+/heater/command", qos=0)

    def _commanded(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        told, name = json.loads(message.payload), message.topic.split("/")[-3]
        before, self._told[name] = self._told.get(name), told
        if before is not None and before["on"] != told["on"]:
            self._report(name)


if __name__ == "__main__":
    Nodes(load(Path(sys.argv[1])), cold="cold" in sys.argv[2:]).run()
