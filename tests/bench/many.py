"""Many enclosures in one controller on one core: how late their ticks begin, what it costs, whether memory grows.

Run as a module it is the nodes: every probe speaks each 10 s, every node each 5 s, and answers the last command.
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
from controller.store.durations import BOUNDS_S
from controller.wire import session
from controller.wire.senml import encode_senml
from tests.bench.broker import at_once, running
from tests.bench.table import Row
from tests.wire.kit import ROOT, ControllerProcess, until, write_site

SIZES = (250, 500, 1000, 2000)
WARM_UP_S, MEASURED_S = 30.0, 60.0
MOST_LATE_S = 0.1
PROBES = (("soil-10", "soil", 15.0), ("soil-25", "soil", 14.0), ("air-low", "air", 8.0), ("air-high", "air", 9.0))
OUTER = (("outside", "outside", 2.0), ("cable", "heater-surface", 18.0))
PERIOD_S, STATE_S = 10.0, 5.0


def rows(folder: Path) -> Iterator[Row]:
    """Measure one size after the other, the largest last; end with the first that cannot keep up at all."""
    for size in SIZES:
        place = folder / str(size)
        place.mkdir()
        with running(place) as broker:
            row, keeps_up = _measured(place, broker.port, size)
        yield row
        if not keeps_up:
            return


def _measured(folder: Path, port: int, size: int) -> tuple[Row, bool]:
    file = write_site(folder, port, names=tuple(f"e{number:04d}" for number in range(size)), probes=_probes())
    file.write_text(file.read_text().replace("rest_s = 2", "rest_s = 20"))
    settings = load(file)
    settings.store.folder.mkdir()
    controller = ControllerProcess(file, folder / "controller.log")
    nodes = subprocess.Popen([sys.executable, "-m", "tests.bench.many", str(file)], cwd=ROOT)
    controller.start()
    assert controller.process is not None
    process = psutil.Process(controller.process.pid)
    # One core for the controller, the other for the broker and the nodes.
    process.cpu_affinity([(psutil.cpu_count() or 1) - 1])
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
    seconds = (after["at_ms"] - before["at_ms"]) / 1000
    what = f"{size} enclosures of {len(PROBES) + len(OUTER)} probes: a tick begins late by, p99"
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
    """All nodes of a site, on one connection."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._names = [each.name for each in settings.enclosure]
        self._root = settings.broker.root
        self._last: dict[str, tuple[int, int]] = {}
        self._client = session.make_client(settings, "nodes")
        self._client.max_inflight_messages_set(5000)
        self._client.on_message = self._commanded
        self._client.on_connect = self._connected
        at_once(self._client)

    def run(self) -> None:
        """Speak until killed: a slice of all probes and nodes every tenth of a second."""
        session.connect(self._client, self._settings.broker, kept=False)
        kinds = (*PROBES, *OUTER)
        probes = [(name, probe, value) for name in self._names for probe, _, value in kinds]
        begun_s, slot, slots = time.monotonic(), 0, round(PERIOD_S * 10)
        while True:
            now_ms = time.time_ns() // 1_000_000
            for name, probe, value in probes[slot % slots :: slots]:
                said = value + (slot // slots % 3) / 16
                payload = encode_senml(name, probe, "Cel", [(now_ms, said)])
                self._client.publish(f"{self._root}/{name}/probe/{probe}", payload, qos=1)
            for name in self._names[slot % round(STATE_S * 10) :: round(STATE_S * 10)]:
                self._client.publish(f"{self._root}/{name}/heater/state", self._state(name, slot), qos=1)
            slot += 1
            time.sleep(max(0.0, begun_s + slot / 10 - time.monotonic()))

    def _state(self, name: str, slot: int) -> str:
        epoch, seq = self._last.get(name, (0, 0))
        # Each report differs from the last, as the uptime of a node does.
        said = {"on": False, "armed": False, "epoch": epoch, "seq": seq, "lease_left_s": 0, "amps": None, "drops": 0}
        return json.dumps({**said, "uptime_s": 1000 + slot / 10})

    def _connected(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(f"{self._root}/+/heater/command", qos=0)

    def _commanded(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        told = json.loads(message.payload)
        self._last[message.topic.split("/")[-3]] = (told["epoch"], told["seq"])


if __name__ == "__main__":
    Nodes(load(Path(sys.argv[1]))).run()
