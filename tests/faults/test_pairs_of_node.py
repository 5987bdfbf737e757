"""Rows that the node answers alone, each with one benign fault more: commands lost on the way, its clock 1 % off.

Times are true time, so a slow clock stretches them.
"""

import random
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Any

import pytest

from controller.node.board import boot_wait_s
from controller.node.contacts import Circuit, Load
from controller.safety import node_limits
from tests.faults.trouble import Trouble
from tests.node_bench import OFF, ON, READY, STEP_S, NodeBench

A_S, B_S, C_S = 1.0, 5.0, 15.0
"""[s] classes of the hazard table, restated."""
TURN_S = 0.25
"""[s] one turn of the loop."""
RENEW_S = 5.0

EVERY_TROUBLE = pytest.mark.parametrize(
    "trouble",
    [
        pytest.param(Trouble(lost_reports=0.2), id="commands-lost"),
        pytest.param(Trouble(lost_reports=0.2, seed=2), id="commands-lost-again"),
        pytest.param(Trouble(clock_rate=0.99), id="slow"),
        pytest.param(Trouble(clock_rate=1.01), id="fast"),
    ],
)


class TroubledNode(NodeBench):
    """A node whose commands are lost in part, and whose clock is a little off."""

    def __init__(self, trouble: Trouble, circuit: Circuit | None = None, **board: Any) -> None:
        super().__init__(circuit, clock_rate=trouble.clock_rate, **board)
        self.trouble, self.chance = trouble, random.Random(trouble.seed)

    def _speak(self) -> None:
        waiting = len(self.waiting)
        super()._speak()
        if self.chance.random() < self.trouble.lost_reports:
            del self.waiting[waiting:]

    def heat(self) -> None:
        """Arm and wait for heat."""
        self.tell(ON)
        self.until("it heats", lambda: self.heats)

    def until(self, what: str, holds: Callable[[], bool], within_s: float = 120.0) -> None:
        """Let time pass until something is so."""
        end_s = self.now_s + within_s
        while not holds():
            assert self.now_s < end_s, what
            self.run(STEP_S)

    def open_k1(self) -> None:
        """Order K1 open, and wait until the node has taken that."""
        self.tell(READY)
        self.until("K1 is told to open", lambda: not self.circuit.told.k1)

    def hear(self, payloads: Iterable[bytes], retained: bool = False) -> None:
        """Let commands come and the node turn."""
        self.waiting.extend((each, retained) for each in payloads)
        self.run(2 * TURN_S)


Break = Callable[[TroubledNode], object]


@dataclass(frozen=True, slots=True)
class NodePair:
    """A fault of the node or its circuit: what breaks, how soon the path is open, what the node calls it."""

    breaks: Break
    bound_s: float
    faults: tuple[str, ...]
    opening: bool = False
    bench: Callable[[Trouble], TroubledNode] = TroubledNode
    each: Callable[[Any], object] | None = None

    def holds(self, trouble: Trouble) -> None:
        """Play it, and fail unless the reaction and its time are as required."""
        bench = self.bench(trouble)
        bench.heat()
        self.breaks(bench)
        if self.opening:
            bench.open_k1()
        since_s = bench.now_s
        bench.run(max(120.0, 2 * self.bound_s), self.each)
        assert bench.last_closed_s(since_s) <= self.bound_s / trouble.clock_rate + TURN_S
        assert bench.report()["faults"] == list(self.faults)


def k1(name: str) -> Break:
    """Return what breaks K1."""
    return lambda bench: setattr(bench.circuit.k1, name, True)


def load(name: str, value: float) -> Break:
    """Return what changes the heater."""
    return lambda bench: setattr(bench.circuit.load, name, value)


def closes_by_itself(bench: TroubledNode) -> None:
    """Let K1 close in the middle of a pause."""
    bench.open_k1()
    bench.run(30.0)
    bench.circuit.k1.driver_shorted = True


def drops_out(bench: NodeBench) -> None:
    """Open K1 for 0.3 s every 2 s."""
    bench.circuit.k1.interrupted = bench.now_s % 2.0 < 0.3


def cuts_out(bench: NodeBench) -> None:
    """Open the heater's own cut-out for 4 s every 150 s."""
    bench.circuit.load.cut_out = bench.now_s % 150.0 < 4.0


def with_aux(trouble: Trouble) -> TroubledNode:
    """Return a node without a current sensor but with an auxiliary contact."""
    return TroubledNode(trouble, Circuit(Load(460.0, 230.0), has_aux=True), has_sensor=False)


NOTHING: Break = lambda _: None  # noqa: E731
PAIRS = [
    pytest.param(NodePair(k1("half_open"), B_S, ("half-power",)), id="K06-half-missing"),
    pytest.param(NodePair(load("share", 1.3), 25.0, ("over-power",)), id="H02-130-percent"),
    pytest.param(NodePair(load("share", 1.15), 25.0, ("over-power",)), id="O05-bigger-heater"),
    pytest.param(NodePair(k1("welded"), B_S, ("current-when-open",), opening=True), id="K01-welded"),
    pytest.param(NodePair(k1("driver_shorted"), B_S, ("current-when-open",), opening=True), id="N04-driver"),
    pytest.param(NodePair(k1("half_shorted"), B_S, ("current-when-open",), opening=True), id="K06-half-shorted"),
    pytest.param(NodePair(closes_by_itself, B_S, ("current-when-open",)), id="N18-by-itself"),
    pytest.param(
        NodePair(k1("welded"), B_S, ("contact-does-not-follow",), opening=True, bench=with_aux), id="N06-no-move"
    ),
    pytest.param(NodePair(k1("coil_open"), 0.0, ("no-current",)), id="K04-coil-open"),
    pytest.param(NodePair(load("share", 0.0), B_S + 2 * TURN_S, ("no-current",)), id="H01-element-open"),
    pytest.param(NodePair(load("mains", 0.0), B_S + 2 * TURN_S, ("no-current",)), id="H03-breaker-open"),
    pytest.param(NodePair(NOTHING, C_S, ("contact-intermittent",), each=drops_out), id="K05-intermittent"),
    pytest.param(NodePair(NOTHING, 600.0, ("self-interrupting",), each=cuts_out), id="H04-cut-out"),
]


@EVERY_TROUBLE
@pytest.mark.parametrize("pair", PAIRS)
def test_a_fault_of_the_contacts_and_a_benign_one_more(pair: NodePair, trouble: Trouble) -> None:
    """The path is open in the time of the row and stays so though "on" is renewed; the node names the fault."""
    pair.holds(trouble)


@EVERY_TROUBLE
def test_a_welded_k2_and_a_benign_fault_more(trouble: Trouble) -> None:
    """K03: found before arming; the path is closed for a second at most."""
    bench = TroubledNode(trouble)
    bench.circuit.k2.welded = True
    bench.tell(ON)
    bench.run(90.0)
    assert 0 < len(bench.closed) * STEP_S <= A_S / trouble.clock_rate
    assert bench.report()["faults"] == ["k2-welded"]


@EVERY_TROUBLE
@pytest.mark.parametrize("at_supply", [False, True])
def test_a_heater_past_the_relay_and_a_benign_fault_more(trouble: Trouble, at_supply: bool) -> None:
    """O04: named wherever the sensor sits."""
    bench = TroubledNode(trouble, Circuit(Load(460.0, 230.0, plugged_past=True), sensor_at_supply=at_supply))
    bench.tell(ON)
    bench.run(60.0)
    assert ("current-when-open" if at_supply else "no-current") in bench.faults
    assert bench.circuit.passes == 0.0


@EVERY_TROUBLE
@pytest.mark.parametrize("stuck", [False, True], ids=["N01-hangs", "N03-stuck-high"])
def test_a_hung_program_and_a_benign_fault_more(trouble: Trouble, stuck: bool) -> None:
    """N01 N03: the path is open within class B by K2, then the board has booted."""
    bench = TroubledNode(trouble)
    bench.heat()
    bench.circuit.k1.driver_shorted, bench.board.hung = stuck, True
    assert bench.open_after_s(B_S) <= B_S
    bench.run(180.0)
    assert bench.report()["boots"] == 2
    assert bench.faults == (["current-when-open"] if stuck else [])


@EVERY_TROUBLE
def test_a_boot_loop_and_a_benign_fault_more(trouble: Trouble) -> None:
    """N02: each boot is off; after the fourth within ten minutes no order is obeyed."""
    bench = TroubledNode(trouble)
    for boots in (2, 3, 4):
        bench.heat()
        bench.board.lose_mains(bench.now_s)
        bench.board.regain_mains(bench.now_s)
        assert bench.circuit.passes == 0.0
        assert bench.report()["boots"] == boots
    seen = len(bench.closed)
    bench.run(120.0)
    assert len(bench.closed) == seen
    assert bench.report()["faults"] == ["boot-loop"]


@EVERY_TROUBLE
def test_the_longest_closing_and_a_benign_fault_more(trouble: Trouble) -> None:
    """N09: never closed longer than 1800 s by its clock; then open for a minute of it."""
    bench = TroubledNode(trouble)
    bench.heat()
    bench.run(4000.0)
    closed = bench.closed
    breaks = [n for n in range(1, len(closed)) if closed[n] - closed[n - 1] > 1]
    edges = [0, *breaks, len(closed)]
    longest = max(range(len(edges) - 1), key=lambda n: edges[n + 1] - edges[n])
    assert (edges[longest + 1] - edges[longest]) * STEP_S <= (1800.0 + A_S) / trouble.clock_rate
    assert bench.faults == []
    if trouble.lost_reports == 0.0:
        gap = (closed[edges[1]] - closed[edges[1] - 1]) * STEP_S
        assert 60.0 / trouble.clock_rate - TURN_S <= gap <= 60.0 / trouble.clock_rate + RENEW_S + 2 * TURN_S
        assert bench.report()["refused"]["longest-closing"] == 2


@EVERY_TROUBLE
def test_a_flipped_bit_and_a_benign_fault_more(trouble: Trouble, monkeypatch: pytest.MonkeyPatch) -> None:
    """N13: found within ten seconds of its clock, whatever is ordered."""
    bench = TroubledNode(trouble)
    bench.heat()
    monkeypatch.setattr(node_limits, "LONGEST_LEASE_S", 15.0 + 2**-49)
    since_s = bench.now_s
    bench.run(90.0)
    assert bench.last_closed_s(since_s) <= 10.0 / trouble.clock_rate + TURN_S
    assert bench.report()["faults"] == ["constants"]


@EVERY_TROUBLE
@pytest.mark.parametrize(
    ("board", "seq"),
    [({}, 0), ({"millis": 2**32 - 20_000}, 0), ({"millis": 2**32 - 60_000}, 0), ({}, 2**32 - 8)],
    ids=["R01-R07-K09-silence", "N16-wrap-at-20-s", "N16-wrap-at-60-s", "N15-wrap-of-numbers"],
)
def test_a_lease_without_renewal_and_a_benign_fault_more(trouble: Trouble, board: dict[str, Any], seq: int) -> None:
    """R01 R07 K09 N15 N16: heat until nothing is heard any more, then open within a lease."""
    bench = TroubledNode(trouble, **board)
    bench.seq = seq
    bench.heat()
    bench.run(40.0)
    bench.until("it heats", lambda: bench.heats)
    bench.order = None
    since_s = bench.now_s
    bench.run(60.0)
    assert 0.0 < bench.last_closed_s(since_s) <= C_S / trouble.clock_rate + TURN_S
    assert bench.report()["refused"] == {}


def told_off(trouble: Trouble) -> tuple[TroubledNode, bytes]:
    """Return a node that has heated for half an hour and is told off, and the last "on" sent before."""
    bench = TroubledNode(trouble)
    bench.heat()
    bench.run(1700.0)
    recorded = bench.command(ON, bench.seq)
    bench.tell(OFF)
    bench.until("it has taken that", lambda: not bench.board.guard.core.armed)
    return bench, recorded


def lying(bench: TroubledNode, **fields: object) -> bytes:
    """Return an "on" with the next number, some of it otherwise."""
    order: dict[str, Any] = {"key": b"k" * 32, "epoch": 1, **fields}
    return bench.command(ON, bench.seq + 1, **order)


FORGED: list[Any] = [
    pytest.param(lambda bench, old: [old], False, id="N10-replayed"),
    pytest.param(lambda bench, old: [bench.command(ON, bench.seq - 1)], False, id="R04-overtaken"),
    pytest.param(lambda bench, old: [old] * 1000, False, id="R05-a-thousand-copies"),
    pytest.param(lambda bench, old: [lying(bench)], True, id="N14-B02-B03-retained"),
    pytest.param(lambda bench, old: [lying(bench, key=b"e" * 32)], False, id="N17-R08-another-key"),
    pytest.param(lambda bench, old: [lying(bench, epoch=0)], False, id="C04-an-older-epoch"),
]


@EVERY_TROUBLE
@pytest.mark.parametrize(("made", "retained"), FORGED)
def test_an_on_that_must_not_count_and_a_benign_fault_more(
    trouble: Trouble, made: Callable[[TroubledNode, bytes], list[bytes]], retained: bool
) -> None:
    """N10 R04 R05 N14 B02 B03 N17 R08 C04: refused to the last; nothing closes."""
    bench, old = told_off(trouble)
    seen = len(bench.closed)
    forged = made(bench, old)
    bench.hear(forged, retained)
    bench.run(2.0)
    assert len(bench.closed) == seen
    assert sum(bench.report()["refused"].values()) >= len(forged)


@EVERY_TROUBLE
def test_a_flood_of_old_ons_and_a_benign_fault_more(trouble: Trouble) -> None:
    """R03: 20 to 55 s late after half an hour of drift: all refused; a prompt one is obeyed."""
    bench, _ = told_off(trouble)
    bench.order = None
    late = [bench.command(ON, bench.seq + n) for n in range(1, 9)]
    bench.run(20.0)
    seen = len(bench.closed)
    bench.hear(late)
    bench.run(5.0)
    assert bench.report()["refused"]["late"] == len(late)
    assert len(bench.closed) == seen
    bench.seq += len(late)
    bench.heat()


@EVERY_TROUBLE
@pytest.mark.parametrize("lease_s", [3600.0, 0.0, -1.0], ids=["N11-an-hour", "N12-zero", "N12-negative"])
def test_a_lease_that_is_none_and_a_benign_fault_more(
    trouble: Trouble, lease_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    """N11 N12: an hour is cut to 15 s; none at all closes nothing."""
    bench, _ = told_off(trouble)
    bench.tell(READY)
    bench.until("it is armed again", lambda: bench.board.guard.core.armed)
    bench.run(40.0)
    bench.order = None
    seen, since_s = len(bench.closed), bench.now_s
    monkeypatch.setattr("tests.node_bench.encode_command", partial(with_lease, lease_s))
    bench.hear([bench.command(ON, bench.seq + 1)])
    bench.run(60.0)
    assert (len(bench.closed) > seen) is (lease_s > 0.0)
    assert lease_s <= 0.0 or bench.last_closed_s(since_s) <= C_S / trouble.clock_rate + TURN_S


encode = NodeBench.command.__globals__["encode_command"]


def with_lease(lease_s: float, order: object, _lease_s: float, *rest: object) -> bytes:
    """Encode a command of another lease."""
    return bytes(encode(order, lease_s, *rest))


@EVERY_TROUBLE
def test_mains_that_return_and_a_benign_fault_more(trouble: Trouble) -> None:
    """W01: off at once; back between 30 and 90 s by its clock and the time a command takes to come."""
    wait_s = boot_wait_s("bed-3")
    bench = TroubledNode(trouble, wait_s=wait_s)
    bench.heat()
    bench.board.lose_mains(bench.now_s)
    bench.run(20.0)
    bench.board.regain_mains(bench.now_s)
    since_s, seen = bench.now_s, len(bench.closed)
    bench.run(180.0)
    back_s = bench.closed[seen] * STEP_S - since_s
    lost_s = 6 * RENEW_S if trouble.lost_reports else RENEW_S
    assert wait_s / trouble.clock_rate - TURN_S <= back_s <= wait_s / trouble.clock_rate + RENEW_S + lost_s


@EVERY_TROUBLE
def test_mains_too_high_and_a_benign_fault_more(trouble: Trouble) -> None:
    """W02: open within 25 s for a minute, tried once more, then locked off."""
    bench = TroubledNode(trouble)
    bench.heat()
    bench.circuit.load.mains = 1.1
    assert bench.open_after_s(25.0 / trouble.clock_rate) > 0.0
    opened_s, seen = bench.now_s, len(bench.closed)
    bench.run(400.0)
    assert bench.closed[seen] * STEP_S - opened_s >= 60.0 / trouble.clock_rate - TURN_S
    assert bench.report()["faults"] == ["over-power"]
    assert bench.circuit.passes == 0.0


@EVERY_TROUBLE
def test_mains_too_low_and_a_benign_fault_more(trouble: Trouble) -> None:
    """W03: no fault; said."""
    bench = TroubledNode(trouble)
    bench.heat()
    bench.circuit.load.mains = 0.8
    seen = len(bench.closed)
    bench.run(120.0)
    assert (len(bench.closed) - seen) * STEP_S > 60.0
    assert bench.report()["faults"] == []
    assert "power-low" in bench.report()["notices"]


@pytest.mark.parametrize("clock_rate", [0.99, 1.01])
def test_half_of_all_commands_lost_and_a_clock_a_little_off(clock_rate: float) -> None:
    """R02: over half an hour closed only within a lease, by its clock, of an "on" that came."""
    bench = TroubledNode(Trouble(lost_reports=0.5, clock_rate=clock_rate, seed=3))
    bench.heat()
    core, came_s, seq = bench.board.guard.core, bench.now_s, 0
    for _ in range(round(1800 / STEP_S)):
        bench.run(STEP_S)
        came_s, seq = (came_s if core.seq == seq else bench.now_s), core.seq
        assert bench.circuit.passes == 0.0 or bench.now_s - came_s <= C_S / clock_rate + 2 * TURN_S
    assert core.drops > 10
