"""From an over-limit reading published to the off command at another client, beside the bare broker round trip."""

import json
import multiprocessing
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from pathlib import Path

from controller.settings import Settings
from controller.store import requests
from controller.store.connection import open_writer
from controller.store.migrations import REQUESTS
from controller.wire import session
from controller.wire.relay import encode_report
from controller.wire.senml import encode_senml
from tests.bench.broker import Ear, at_once, running
from tests.bench.flow import controlled
from tests.bench.table import Row, percentile
from tests.wire.kit import until

ENCLOSURES = 60
CABLES = tuple(f"cable-{number}" for number in range(3))
"""A second over-limit sample of one probe latches, so each is made hot once; heat is back after 30 s of rest."""
COLD = {"soil-10": 15.0, "air-low": 8.0, **dict.fromkeys(CABLES, 16.0)}
SPEAK_EVERY_S = 4.0
TOO_HOT_C = 75.0
BOUND, LOADED_BOUND = 5.0, 3.0
LOAD_PER_S = 1200
PROBES = "".join(
    f'[[enclosure.probe]]\nname = "{name}"\nquantity = "{quantity}"\n{place}\nperiod_s = 10\n'
    for name, quantity, place in (
        ("soil-10", "soil", "depth_m = 0.10"),
        ("air-low", "air", "height_m = 0.10"),
        *((name, "heater-surface", "depth_m = 0.14") for name in CABLES),
    )
)
NAMES = tuple(f"bed-{number}" for number in range(ENCLOSURES))


class Feeder(threading.Thread):
    """Speaks for every node in turn: cold probes, and a contact that is as it was ordered."""

    def __init__(self, settings: Settings, ear: Ear) -> None:
        super().__init__(daemon=True)
        self._client = Ear(settings, "bench/nothing", "feeder")
        self._ear, self._stop_asked, self._begun_s = ear, threading.Event(), time.monotonic()

    def run(self) -> None:
        """Speak until stopped."""
        turn = 0
        while not self._stop_asked.wait(SPEAK_EVERY_S / ENCLOSURES):
            self._speak(NAMES[turn % ENCLOSURES])
            turn += 1

    def _speak(self, name: str) -> None:
        on = is_on(self._ear, name)
        # A node that does not report the command it took last is one that does not obey.
        heard = self._ear.heard.get(command(name))
        told = {"epoch": 1, "seq": 0} if heard is None else json.loads(heard[1])
        # Of its own clock: counted by its turns it ran slow on a busy machine, and every node's clock latched.
        uptime_s = time.monotonic() - self._begun_s
        state = encode_report(on, on, told["epoch"], told["seq"], 5.0 * on, 2.0 * on, 0, uptime_s)
        self._client.client.publish(f"soilward/{name}/heater/state", state, qos=1)
        for probe, value in COLD.items():
            say(self._client, name, probe, value)

    def stop(self) -> None:
        """End and leave."""
        self._stop_asked.set()
        self.join()
        self._client.close()


def say(ear: Ear, name: str, probe: str, value: float) -> None:
    """Publish a reading taken now."""
    payload = encode_senml(name, probe, "Cel", [(time.time_ns() // 1_000_000, value)])
    ear.client.publish(f"soilward/{name}/probe/{probe}", payload, qos=1)


def command(name: str) -> str:
    """Return the command topic of an enclosure."""
    return f"soilward/{name}/heater/command"


def is_on(ear: Ear, name: str) -> bool:
    """Whether the last command heard says on."""
    heard = ear.heard.get(command(name))
    return heard is not None and bool(json.loads(heard[1])["on"])


def arm_all(settings: Settings) -> None:
    """Arm every enclosure and ask for soil far warmer than it is, as the API does."""
    with closing(open_writer(settings.store.folder / "requests.db", REQUESTS)) as connection:
        for name in NAMES:
            for kind, arguments in (("arm", {}), ("set-point", {"set_point_c": 25.0})):
                now_ms = time.time_ns() // 1_000_000
                requests.file(connection, now_ms, name, kind, arguments, "keeper", "a bench")  # type: ignore[arg-type]


def off_after(ear: Ear, name: str, cable: str) -> float:
    """Publish one over-limit reading and return [s] until the off command; heat returns with the next good one."""
    start_s = time.monotonic()
    say(ear, name, cable, TOO_HOT_C)
    _wait(ear, lambda: not is_on(ear, name))
    took_s = ear.heard[command(name)][0] - start_s
    say(ear, name, cable, COLD[cable])
    return took_s


def round_trip(ear: Ear) -> float:
    """Return [s] from publishing to hearing the same bytes, nobody between but the broker."""
    ear.heard.pop("soilward/bench/ping", None)
    start_s = time.monotonic()
    ear.client.publish("soilward/bench/ping", b"0" * 100, qos=1)
    _wait(ear, lambda: "soilward/bench/ping" in ear.heard)
    return ear.heard["soilward/bench/ping"][0] - start_s


def _wait(ear: Ear, holds: Callable[[], bool]) -> None:
    end_s = time.monotonic() + 5.0
    while not holds():
        ear.arrived.clear()
        if not holds():
            ear.arrived.wait(0.1)
        if time.monotonic() > end_s:
            raise RuntimeError("no answer within 5 s")


def samples(settings: Settings) -> tuple[list[float], list[float]]:
    """Return our reaction times and the bare round trips [s], taken in turn under the same load."""
    ear = Ear(settings, "soilward/#", "ear")
    feeder = Feeder(settings, ear)
    feeder.start()
    arm_all(settings)
    ours, bare = [], []
    try:
        # Sixty beds armed within a second are sixty savings in a row: not what is measured here.
        until("every bed is heated", lambda: all(is_on(ear, name) for name in NAMES), 60.0)
        for cable in CABLES:
            for name in NAMES:
                until(f"{name} is heated", lambda each=name: is_on(ear, each), 60.0)  # type: ignore[misc]
                time.sleep(0.02)
                bare.append(round_trip(ear))
                ours.append(off_after(ear, name, cable))
    finally:
        feeder.stop()
        ear.close()
    return ours, bare


def load(settings: Settings) -> None:
    """Publish `LOAD_PER_S` readings a second until killed: every node catches up with what it could not send before."""
    client = session.make_client(settings, "load")
    client.max_inflight_messages_set(5000)
    at_once(client)
    session.connect(client, settings.broker, kept=False)
    begun_s, count, taken_ms = time.monotonic(), 0, time.time_ns() // 1_000_000 - 7 * 86_400_000
    while True:
        for _ in range(int((time.monotonic() - begun_s) * LOAD_PER_S) - count):
            name, probe = NAMES[count % ENCLOSURES], CABLES[count // ENCLOSURES % 3]
            payload = encode_senml(name, probe, "Cel", [(taken_ms + count // (3 * ENCLOSURES) * 10_000, 16.0)])
            client.publish(f"soilward/{name}/probe/{probe}", payload, qos=1)
            count += 1
        time.sleep(0.01)


def rows(folder: Path) -> Iterator[Row]:
    """Measure medians and 99th percentiles, with nothing else to do."""
    with running(folder / "broker") as broker, controlled(folder / "site", broker.port, NAMES, PROBES) as settings:
        yield from _told("over-limit reading to off", *samples(settings), BOUND)


def loaded_rows(folder: Path) -> Iterator[Row]:
    """Measure the same while far more readings come than a site sends."""
    with running(folder / "broker") as broker, controlled(folder / "site", broker.port, NAMES, PROBES) as settings:
        loading = multiprocessing.get_context("spawn").Process(target=load, args=(settings,), daemon=True)
        loading.start()
        try:
            yield from _told(f"under {LOAD_PER_S} readings/s, the same", *samples(settings), LOADED_BOUND)
        finally:
            loading.kill()


def _told(what: str, ours: list[float], bare: list[float], most: float) -> Iterator[Row]:
    for share, name in ((0.50, "p50"), (0.99, "p99")):
        mine, broker_s = percentile(ours, share), percentile(bare, share)
        ratio = mine / broker_s
        bound = (f"<= {most:g} times", ratio <= most) if name == "p99" else ("", None)
        figures = f"{mine * 1000:.2f} ms", f"bare round trip {broker_s * 1000:.2f} ms", f"{ratio:.1f}"
        yield Row(f"{what}, {name} of {len(ours)}", *figures, *bound)
