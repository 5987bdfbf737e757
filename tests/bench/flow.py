"""Messages a second: publish, Mosquitto, controller process, commit and acknowledgement; beside a bare subscriber."""

import multiprocessing
import sqlite3
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from multiprocessing.queues import Queue
from pathlib import Path

from controller.load_settings import load
from controller.settings import Settings
from controller.wire import session
from controller.wire.senml import encode_senml
from tests.bench.broker import Ear, at_once, running
from tests.bench.table import Row
from tests.wire.kit import PROBES as COMMON
from tests.wire.kit import ControllerProcess, until, write_site

PROBES = ("soil-10", "air-low", "cable", "outside")
BACKLOG = 8000
GOOD_ENCLOSURES = 50
GOOD_EACH = 28
GOOD_SPACING_MS = 260
LONGEST_S = 60.0
PACK, PACKS = 10, 4000
NEARLY = 0.95
SHARE = 0.5
"""Of a bare subscriber's rate: the least that is asked for."""
Messages = list[tuple[str, bytes]]


@contextmanager
def controlled(folder: Path, port: int, names: tuple[str, ...], probes: str = COMMON) -> Iterator[Settings]:
    """Run a controller process for a small site; it has spoken once when this hands over."""
    folder.mkdir()
    file = write_site(folder, port, names=names, probes=probes)
    settings = load(file)
    settings.store.folder.mkdir()
    ear = Ear(settings, f"soilward/{names[-1]}/status", f"ready-{folder.name}")
    process = ControllerProcess(file, folder / "controller.log")
    process.start()
    try:
        until("the controller speaks", lambda: ear.count, 20.0)
        ear.close()
        yield settings
    finally:
        process.stop()


def backlog() -> Messages:
    """Return readings of one enclosure, a second apart, taken long ago: what a node sends after an outage."""
    first_ms = time.time_ns() // 1_000_000 - BACKLOG * 1000
    return [_message("larch", PROBES[i % 4], first_ms + i // 4 * 1000, 15.0) for i in range(BACKLOG)]


def packs() -> Messages:
    """Return as old readings in packs of ten: enough of them that the last, which wait for company, are few."""
    first_ms = time.time_ns() // 1_000_000 - PACKS * PACK * 1000
    return [
        (f"soilward/larch/probe/{PROBES[i % 4]}", encode_senml("larch", PROBES[i % 4], "Cel", _ten(first_ms, i // 4)))
        for i in range(PACKS)
    ]


def _ten(first_ms: int, pack: int) -> list[tuple[int, float]]:
    return [(first_ms + (PACK * pack + each) * 1000, 15.0) for each in range(PACK)]


def good() -> Messages:
    """Return readings of many enclosures taken within the last seconds, so that control believes each."""
    first_ms = time.time_ns() // 1_000_000 - GOOD_EACH * GOOD_SPACING_MS
    return [
        _message(name, probe, first_ms + i * GOOD_SPACING_MS, 15.0)
        for i in range(GOOD_EACH)
        for name in _many()
        for probe in PROBES
    ]


def _many() -> tuple[str, ...]:
    return tuple(f"bed-{number}" for number in range(GOOD_ENCLOSURES))


def _message(name: str, probe: str, taken_ms: int, value: float) -> tuple[str, bytes]:
    return f"soilward/{name}/probe/{probe}", encode_senml(name, probe, "Cel", [(taken_ms, value)])


def publish_all(settings: Settings, messages: Messages, told: "Queue[float]") -> None:
    """Publish as fast as paho and the broker take it, in a process of its own; tell when it began [s] monotonic."""
    client = session.make_client(settings, "publisher")
    client.max_inflight_messages_set(1000)
    at_once(client)
    session.connect(client, settings.broker, kept=False)
    until("the publisher is connected", client.is_connected, 10.0)
    told.put(time.monotonic())
    last = [client.publish(topic, payload, qos=1) for topic, payload in messages][-1]
    last.wait_for_publish(LONGEST_S)
    client.disconnect()
    client.loop_stop()


def count_all(settings: Settings, count: int, told: "Queue[float]") -> None:
    """Subscribe with paho as it comes (QoS 1, acknowledged by itself); tell 0 when ready, then when all had come."""
    ear = Ear(settings, "soilward/+/probe/+", "bare")
    told.put(0.0)
    until("the bare subscriber has them all", lambda: ear.count >= count, LONGEST_S)
    told.put(max(at_s for at_s, _ in ear.heard.values()))
    ear.close()


_KEPT = "SELECT (SELECT total(count) FROM tail) + (SELECT total(count) FROM block)"


def controller_rate(settings: Settings, messages: Messages, readings: int) -> float:
    """Return readings a second [1/s], from the first publish until 95 % are on disk: the last ones wait for company."""
    context = multiprocessing.get_context("spawn")
    told: Queue[float] = context.Queue()
    publisher = context.Process(target=publish_all, args=(settings, messages, told))
    publisher.start()
    start_s = told.get(timeout=20.0)
    with closing(sqlite3.connect(f"file:{settings.store.folder / 'readings.db'}?mode=ro", uri=True)) as connection:

        def rows() -> int:
            return int(connection.execute(_KEPT).fetchone()[0])

        until("nearly every reading is on disk", lambda: rows() >= NEARLY * readings, LONGEST_S)
        rate = rows() / (time.monotonic() - start_s)
        until("every reading is on disk", lambda: rows() >= readings, LONGEST_S)
    publisher.join()
    return rate


def bare_rate(settings: Settings, messages: Messages) -> float:
    """Return messages a second [1/s] at a bare paho subscriber in a process of its own."""
    context = multiprocessing.get_context("spawn")
    heard: Queue[float] = context.Queue()
    told: Queue[float] = context.Queue()
    subscriber = context.Process(target=count_all, args=(settings, len(messages), heard))
    subscriber.start()
    heard.get(timeout=20.0)
    publisher = context.Process(target=publish_all, args=(settings, messages, told))
    publisher.start()
    elapsed_s = heard.get(timeout=LONGEST_S) - told.get(timeout=20.0)
    publisher.join()
    subscriber.join()
    return len(messages) / elapsed_s


def rows(folder: Path) -> Iterator[Row]:
    """Measure a backlog of one enclosure, singly and in packs, and live readings of many."""
    for number, (what, names, make, most) in enumerate(
        (
            (f"backlog of one enclosure, {BACKLOG} readings", ("larch",), backlog, 1),
            (f"  {PACKS * PACK} readings in packs of {PACK}", ("larch",), packs, PACK),
            (f"live readings of {GOOD_ENCLOSURES} enclosures", _many(), good, 1),
        )
    ):
        with running(folder / f"broker-{number}") as broker:
            messages = make()
            with controlled(folder / f"site-{number}", broker.port, names) as settings:
                ours = controller_rate(settings, make(), len(messages) * most)
            bare = bare_rate(settings, make())
        share = ours / most / bare
        bound = (f">= {SHARE:g} of it", share >= SHARE) if most == 1 else ("", None)
        yield Row(what, f"{ours:.0f} /s to disk and ack", f"bare paho {bare:.0f} messages/s", f"{share:.2f}", *bound)
