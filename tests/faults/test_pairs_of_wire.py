"""Rows that cross the wire, each with one benign fault more: a real broker, a real controller process, a node.

A few run with every check, each fault once; `pytest -m long tests/faults/test_pairs_of_wire.py` runs them all.
"""

import random
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

import pytest

from controller.clock import Clock
from controller.node.simulated import SimulatedNode
from controller.safety.lease import Order
from controller.wire.relay import encode_command
from tests.faults.test_broker_rows import Echo
from tests.faults.test_lossy_rows import Lossy
from tests.wire.kit import STARTS_S, Bench, ConstantPlant, through, throughout, until
from tests.wire.link import PUBLISH, Loses

LEASE_S, LOOK_S, SILENT_S, UNRECORDED_S = 6.0, 1.0, 10.0, 5.0
"""[s] the lease of these sites, time allowed for looking, a node's silence, the patience of `sick.py` with a disk."""
DISK_S = 3.0
"""[s] more where the disk is slow: ticks and commits that wait for it."""


@dataclass(slots=True)
class NoisyPlant(ConstantPlant):
    """A plant whose probes tremble by 0.3 K."""

    chance: random.Random = field(default_factory=lambda: random.Random(1))

    def probes(self) -> dict[str, float]:
        """Return the values, each a little off."""
        return {name: value + self.chance.gauss(0.0, 0.3) for name, value in self.values.items()}


class TroubledBench(Bench):
    """A bench with one benign fault: `loss`, `noise`, `slow-disk`, `node-fast` or `node-slow`."""

    def __init__(self, folder: Path, trouble: str, illness: str) -> None:
        self.trouble = trouble
        self.bridge: Echo | None = None
        super().__init__(folder)
        disk = "+slow-disk" if trouble == "slow-disk" else ""
        self.controller.module = ["tests.faults.sick", illness + disk]

    def new_node(self) -> SimulatedNode:
        """Return a node whose clock may be off, of a plant that may tremble."""
        self.plant = NoisyPlant() if self.trouble == "noise" else self.plant
        settings = through(self.settings, self.node_link.port)
        rate = {"node-fast": 1.01, "node-slow": 0.99}.get(self.trouble, 1.0)
        node = SimulatedNode(settings, settings.enclosure[0], self.plant, Clock(), clock_rate=rate)
        node.client.max_inflight_messages_set(1000)
        return node

    def begin(self) -> None:
        """Heat, let the trouble set in, and wait until it heats nevertheless: of what is lost, some holds it off."""
        self.heat()
        if self.trouble == "loss":
            self.lose()
        time.sleep(2.0)
        until("it heats", lambda: self.node.heated, 180.0)

    def lose(self, also: Loses = lambda *_: False, node_too: bool = True) -> None:
        """Let both links lose what the trouble loses, and the controller's, or both, what the fault does."""
        part = 0.2 if self.trouble == "loss" else 0.0
        for seed, link in ((1, self.controller_link), (2, self.node_link)):
            lossy, fault = Lossy(part, seed), also if node_too or seed == 1 else None
            link.loses = partial(_either, lossy, fault)


def _either(lossy: Lossy, fault: Loses | None, up: bool, first: int, body: bytes) -> bool:
    return lossy(up, first, body) or (fault is not None and fault(up, first, body))


def _deliveries(up: bool, first: int, _body: bytes) -> bool:
    return not up and first >> 4 == PUBLISH


def _sure_messages(up: bool, first: int, _body: bytes) -> bool:
    return up and first >> 4 == PUBLISH and bool(first & 0x06)


def falls_ill(bench: Bench) -> None:
    """Let the controller's illness break out."""
    bench.controller.send(signal.SIGUSR1)


def deaf(bench: Bench) -> None:
    """Let the node hear nothing."""
    bench.node_link.lost_down = True


def dumb(bench: Bench) -> None:
    """Let the node be heard no more."""
    bench.node_link.lost_up = True


def dead(bench: Bench) -> None:
    """Let the node's link be dead without the broker's knowing."""
    bench.node_link.lost_up = bench.node_link.lost_down = True


def hot(bench: Bench) -> None:
    """Let soil be at 46 Cel."""
    bench.node.override["soil-10"] = 46.0


@dataclass(frozen=True, slots=True)
class WirePair:
    """A fault, and how soon the contact must be open for good; the illness the controller has in store for it."""

    begins: Callable[[TroubledBench], object]
    within_s: float = LEASE_S
    illness: str = "none"
    then: Callable[[TroubledBench], object] = lambda _: None

    def holds(self, folder: Path, trouble: str) -> None:
        """Play it, and fail unless the contact is open in time and stays open."""
        with TroubledBench(folder, trouble, self.illness) as bench:
            bench.begin()
            self.begins(bench)
            began_s = time.monotonic()
            more_s = LOOK_S + (DISK_S if trouble == "slow-disk" else 0.0)
            time.sleep(max(0.0, self.within_s / 0.99 + more_s - (time.monotonic() - began_s)))
            throughout("it is open and stays so", lambda: not bench.node.core.on, LEASE_S)
            assert "AttributeError" not in (folder / "controller.log").read_text(encoding="utf-8"), "another illness"
            self.then(bench)


def latched_after_kill(bench: TroubledBench) -> None:
    """Kill the controller: what it had latched is latched still."""
    until("it is latched", lambda: bench.spy.status().get("trips"), 10.0)
    bench.controller.kill()
    bench.node.override.clear()
    epoch = bench.spy.status()["epoch"]
    bench.controller.start()
    until("the next one speaks", lambda: bench.spy.status()["epoch"] > epoch, STARTS_S)
    assert [each["name"] for each in bench.spy.status()["trips"]] == ["soil-over:soil-10"]
    throughout("it stays open", lambda: not bench.node.core.on, LEASE_S)


def stopped(bench: TroubledBench) -> None:
    """A stop is latched."""
    until("it is latched", lambda: bench.spy.status().get("trips"), 10.0)


def missed(bench: TroubledBench) -> None:
    """The node's silence is told within 35 s."""
    until("it is told", lambda: "node-quiet" in bench.spy.alerts(), 35.0 + DISK_S)


def told_again_and_killed(bench: TroubledBench) -> None:
    """Let a bridge tell everything again, and kill the controller."""
    bench.bridge = Echo(bench)
    time.sleep(Echo.LATER_S + LOOK_S)
    until("it heats", lambda: bench.node.heated, 60.0)
    bench.controller.kill()


def unbridged(bench: TroubledBench) -> None:
    """Take the bridge away; it has stretched no lease."""
    assert bench.bridge is not None
    bench.bridge.close()
    assert bench.bridge.told > 10


ROWS = {
    "R01-link-cut": WirePair(lambda bench: bench.node_link.cut()),
    "R06-not-heard": WirePair(dumb, SILENT_S + LEASE_S),
    "R07-K09-hears-nothing": WirePair(deaf),
    "B01-broker-killed": WirePair(lambda bench: bench.broker.stop(signal.SIGKILL)),
    "B04-nothing-delivered": WirePair(lambda bench: bench.lose(_deliveries)),
    "B05-dead-link": WirePair(dead, then=missed),
    "B07-sure-messages-dropped": WirePair(lambda bench: bench.lose(_sure_messages, node_too=False), SILENT_S + LEASE_S),
    "C01-killed": WirePair(lambda bench: bench.controller.kill()),
    "C02-hangs": WirePair(falls_ill, LEASE_S + 2, "hangs"),
    "C05-paused": WirePair(lambda bench: bench.controller.send(signal.SIGSTOP)),
    "C11-writer-dies": WirePair(falls_ill, LEASE_S + 3, "writer-dies"),
    "C12-out-of-memory": WirePair(falls_ill, LEASE_S, "out-of-memory"),
    "C12-no-files": WirePair(falls_ill, LEASE_S + UNRECORDED_S, "no-files"),
    "C15-overruns": WirePair(falls_ill, LEASE_S + 3, "overruns"),
    "D01-disk-full": WirePair(falls_ill, LEASE_S + UNRECORDED_S, "disk-full"),
    "D06-read-only": WirePair(falls_ill, LEASE_S + UNRECORDED_S, "read-only"),
    "C16-hot-and-killed": WirePair(hot, then=latched_after_kill),
    "B09-told-again": WirePair(told_again_and_killed, then=unbridged),
    "A08-stop": WirePair(lambda bench: bench.ask("stop"), then=stopped),
}
TROUBLES = ("loss", "noise", "slow-disk", "node-fast", "node-slow")
WITH_EVERY_CHECK = {("R01-link-cut", "loss"), ("D06-read-only", "slow-disk"), ("C01-killed", "node-slow")}
PAIRS = [
    pytest.param(
        pair, trouble, id=f"{row}-{trouble}", marks=() if (row, trouble) in WITH_EVERY_CHECK else pytest.mark.long
    )
    for row, pair in ROWS.items()
    for trouble in TROUBLES
]


@pytest.mark.parametrize(("pair", "trouble"), PAIRS)
def test_a_fault_on_the_wire_and_a_benign_one_more(pair: WirePair, trouble: str, tmp_path: Path) -> None:
    """Open for good within the lease and the row's own patience, and told where the row says so."""
    pair.holds(tmp_path, trouble)


@pytest.mark.long
@pytest.mark.parametrize("trouble", TROUBLES)
def test_what_must_be_refused_on_the_wire_is_refused_with_a_benign_fault_more(trouble: str, tmp_path: Path) -> None:
    """R08 B10: a forged order closes nothing, nonsense ends nothing, and both leave the controller alive."""
    with TroubledBench(tmp_path, trouble, "none") as bench:
        until("the node obeys us", lambda: bench.node.core.epoch > 0, 20.0)
        for _ in range(20):
            forged = encode_command(
                Order(True, True, ""), 15.0, 10**9, 1, time.time_ns() // 1_000_000, "stranger", b"?"
            )
            bench.spy.publish("soilward/larch/heater/command", forged)
        throughout("nothing closes", lambda: not bench.node.core.on, 3.0)
        assert bench.node.core.refused["unsigned"] >= 1
        bench.begin()
        for payload in (b"9" * 1_000_000, b"\xff\xfe\x00\x80"):
            bench.spy.publish("soilward/larch/probe/soil-10", payload)
            bench.spy.publish("soilward/larch/heater/state", payload)
        time.sleep(LEASE_S)
        assert bench.controller.is_alive
        until("it heats on", lambda: bench.node.heated, 60.0)
