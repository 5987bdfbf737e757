"""The node's program: when it proves, what it lets through, what it remembers; driven on the simulated board."""

import os
from itertools import pairwise
from pathlib import Path

import pytest

from controller.node.board import boot_wait_s
from controller.node.contacts import Circuit, Load
from controller.node.electrical import Sensed, Told
from controller.node.guard import Guard
from controller.node.memory import Memory, MemoryStore, as_text, from_text
from controller.node.proof import Proof
from controller.safety.digest import PROGRAMMED
from controller.safety.node_fault import NodeFault
from tests.node_bench import KEY, OFF, ON, READY, NodeBench


def proofs(bench: NodeBench, seconds: float) -> int:
    """Run and count how often a proof began."""
    seen: list[bool] = [False]

    def look(b: NodeBench) -> None:
        seen.append(b.board.guard.proof.stands == "running")

    bench.run(seconds, look)
    return sum(now and not was for was, now in pairwise(seen))


def test_a_proof_serves_for_later_arming_edges_of_the_day() -> None:
    """A permissive that blinks costs no proof: heat is back with the order."""
    bench = NodeBench()
    bench.tell(ON)
    assert proofs(bench, 10.0) == 1
    for _ in range(20):
        bench.tell(OFF)
        bench.run(10.0)
        bench.tell(ON)
        assert proofs(bench, 1.0) == 0
        assert bench.heats


@pytest.mark.parametrize(("wait_s", "proved"), [(86_380.0, 0), (86_401.0, 1)])
def test_an_arming_edge_more_than_a_day_after_the_proof_proves_again(wait_s: float, proved: int) -> None:
    """Just under and just over 24 h."""
    bench = NodeBench()
    bench.heat()
    bench.tell(OFF)
    bench.run(1.0)
    bench.order = None
    bench.step += round(wait_s / 0.05)
    bench.board.turn(bench.now_s)
    bench.tell(ON)
    assert proofs(bench, 10.0) == proved
    assert bench.heats


def test_a_renewal_is_no_arming_edge() -> None:
    """Armed for 26 h without a break: proved once, and K2 held all along."""
    bench = NodeBench()
    bench.heat()
    for _ in range(26 * 360):
        bench.step += 200
        bench.tell(READY)
        bench.board.turn(bench.now_s, bench.waiting)
        bench.waiting = []
        assert bench.circuit.told.k2
        assert not bench.circuit.told.k1


def test_k1_follows_k2_so_that_k2_never_switches_the_load() -> None:
    """At each closing K2 alone is told closed for one turn at least."""
    bench, told = NodeBench(), []
    bench.heat()
    bench.tell(OFF)
    bench.run(2.0)
    bench.tell(ON)
    bench.run(2.0, lambda b: told.append(b.circuit.told))
    changes = [(each.k1, each.k2) for each, before in zip(told[1:], told, strict=False) if each != before]
    assert changes == [(False, True), (True, True)]


def test_disarming_breaks_a_running_proof_off_and_the_next_arming_begins_it_again() -> None:
    """No half proof counts."""
    bench = NodeBench()
    bench.tell(ON)
    bench.run(3.0)
    bench.tell(OFF)
    bench.run(1.0)
    assert bench.report()["proof"] == ""
    assert bench.circuit.told.k2 is False
    bench.tell(ON)
    bench.run(4.0)
    assert not bench.heats
    bench.run(2.0)
    assert bench.heats


def test_a_lease_that_lapses_in_a_proof_ends_it() -> None:
    """Silence opens everything, the proof too."""
    guard, bench = Guard(KEY, 2.0, Memory(), 0.0), NodeBench()
    guard.receive(bench.command(ON, 1), False, 0.0)
    guard.advance(Sensed(0.0), 0.25)
    assert guard.told.k1
    assert not guard.advance(Sensed(0.0), 15.0).k1
    assert guard.proof.stands == ""


def locked(bench: NodeBench) -> None:
    """Bring it to a fault that is then mended; it had been disarmed and armed before that, which must not count."""
    bench.tell(OFF)
    bench.run(1.0)
    bench.heat()
    bench.circuit.load.share = 0.0
    bench.run(10.0)
    assert bench.faults == ["no-current"]
    bench.circuit.load.share = 1.0


def test_a_fault_holds_until_it_is_disarmed_and_armed_and_the_proof_passes() -> None:
    """Renewals end nothing; off and on does, with a proof between."""
    bench = NodeBench()
    locked(bench)
    bench.run(600.0)
    assert bench.closed[-1] < bench.step - 11_000
    bench.tell(OFF)
    bench.run(5.0)
    assert bench.faults == ["no-current"]
    bench.tell(ON)
    assert proofs(bench, 10.0) == 1
    assert bench.faults == []
    assert bench.heats


def test_the_last_gate_needs_every_reason_by_itself() -> None:
    """Whatever else went wrong: a fault, a missing proof or a missing order each opens both contacts alone."""
    for take_away in (
        lambda guard: guard.faults.append(NodeFault.SENSOR),
        lambda guard: setattr(guard, "proof", Proof()),
        lambda guard: setattr(guard.core, "armed", False),
    ):
        bench = NodeBench()
        bench.heat()
        take_away(bench.board.guard)
        bench.order = None
        bench.run(0.25)
        assert bench.circuit.told == Told()


def test_a_lapse_of_the_lease_ends_no_fault() -> None:
    """A bad link is no person: silence, then armed again, and still locked off."""
    bench = NodeBench()
    locked(bench)
    bench.tell(None)
    bench.run(30.0)
    bench.tell(ON)
    assert proofs(bench, 30.0) == 0
    assert bench.faults == ["no-current"]


def test_a_fault_outlives_a_reset() -> None:
    """Pulling the plug of the node is no reset of its fault; disarming and arming is."""
    bench = NodeBench()
    locked(bench)
    bench.board.lose_mains(bench.now_s)
    bench.board.regain_mains(bench.now_s)
    bench.run(100.0)
    assert bench.report()["faults"] == ["no-current"]
    assert not bench.circuit.told.k2
    bench.tell(OFF)
    bench.run(5.0)
    bench.tell(ON)
    bench.run(10.0)
    assert bench.heats


def test_a_fault_that_is_still_there_stays_through_every_arming() -> None:
    """The proof fails again, and the first name stays first."""
    bench = NodeBench()
    bench.circuit.k2.welded = True
    for _ in range(3):
        bench.tell(ON)
        bench.run(20.0)
        assert bench.report()["proof"] == "failed"
        bench.tell(OFF)
        bench.run(5.0)
    assert bench.faults == ["k2-welded"]
    assert not bench.heats


def test_without_current_sensing_arming_goes_on_at_once() -> None:
    """Proof "not-possible", no amps in the report, and a fault of the auxiliary contact is still ended by arming."""
    bench = NodeBench(Circuit(Load(460.0, 230.0), has_aux=True), has_sensor=False)
    bench.tell(ON)
    bench.run(1.0)
    assert bench.heats
    told = bench.report()
    assert (told["proof"], told["amps"], told["on"]) == ("not-possible", None, True)
    bench.circuit.k1.coil_open = True
    bench.run(5.0)
    assert bench.faults == ["contact-does-not-follow"]
    bench.circuit.k1.coil_open = False
    bench.tell(OFF)
    bench.run(1.0)
    bench.tell(ON)
    bench.run(1.0)
    assert bench.heats


@pytest.mark.parametrize(("rated_w", "proof"), [(57.0, "not-possible"), (57.5, "passed")])
def test_a_heater_too_small_to_be_told_from_none_is_not_proved_and_not_condemned(rated_w: float, proof: str) -> None:
    """Under 0.25 A rated nothing can be learnt from the current: just under and at."""
    bench = NodeBench(Circuit(Load(rated_w, 230.0)))
    bench.heat()
    bench.run(60.0)
    assert bench.heats
    assert bench.report()["proof"] == proof


def test_the_report_shows_both_contacts_as_told_for_heat() -> None:
    """On and armed are false while the proof moves the contacts, true afterwards."""
    bench = NodeBench()
    bench.tell(ON)
    bench.run(3.5)
    assert bench.circuit.told.k2
    told = bench.report()
    assert (told["on"], told["armed"], told["proof"]) == (False, False, "running")
    bench.run(4.0)
    told = bench.report()
    assert (told["on"], told["armed"], told["proof"], told["amps"]) == (True, True, "passed", 2.0)
    assert (told["faults"], told["refused"], told["boots"], told["limits"]) == ([], {}, 1, PROGRAMMED)


def test_a_number_restored_from_the_store_is_not_reported_as_obeyed() -> None:
    """The controller must not believe that its command has been heard; the epoch it must know."""
    store = MemoryStore()
    first = NodeBench(store=store)
    first.heat()
    told = NodeBench(store=store).report()
    assert (told["epoch"], told["seq"]) == (1, 0)


def test_the_store_is_written_once_in_many_commands() -> None:
    """A minute of renewals to one write; the number kept is never behind the one obeyed."""
    guard, bench, kept = Guard(KEY, 2.0, Memory(), 0.0), NodeBench(), set()
    for seq in range(1, 121):
        guard.receive(bench.command(READY, seq), False, seq / 10)
        kept.add(guard.memory)
        assert guard.memory.seq >= seq
    assert len(kept) <= 11


def test_a_store_that_cannot_be_written_locks_the_node_off(tmp_path: Path) -> None:
    """What cannot be kept could be replayed."""
    bench = NodeBench(store=MemoryStore(tmp_path / "card" / "node.json"))
    (tmp_path / "card" / "node.json").unlink()
    (tmp_path / "card").rmdir()
    (tmp_path / "card").write_text("no folder any more")
    bench.tell(ON)
    bench.run(20.0)
    assert bench.faults == ["memory-lost"]
    assert bench.closed == []


def test_the_store_comes_back_as_it_was_kept(tmp_path: Path) -> None:
    """Every field, through a file, with nothing left beside it."""
    memory = Memory(7, 42, 2, (NodeFault.NO_CURRENT,))
    MemoryStore(tmp_path / "node.json").save(memory)
    assert MemoryStore(tmp_path / "node.json").load() == memory
    assert os.listdir(tmp_path) == ["node.json"]


def test_heat_ends_in_the_turn_in_which_the_store_fails(tmp_path: Path) -> None:
    """Not one turn of heat on a command that is not kept."""
    bench, wrong = NodeBench(store=MemoryStore(tmp_path / "card" / "node.json")), []
    bench.heat()
    (tmp_path / "card" / "node.json").unlink()
    (tmp_path / "card").rmdir()
    (tmp_path / "card").write_text("no folder any more")
    bench.run(120.0, lambda b: wrong.append(bool(b.faults) and b.heats))
    assert bench.faults == ["memory-lost"]
    assert not any(wrong)


class DyingStore(MemoryStore):
    """A store in whose writing the processor is reset."""

    dies = False

    def save(self, memory: Memory) -> None:
        """Keep it, or die."""
        if self.dies:
            raise RuntimeError("reset")
        super().save(memory)


def test_a_command_is_kept_before_it_moves_a_contact() -> None:
    """A reset in between has moved nothing, so nothing that was obeyed is forgotten."""
    store = DyingStore()
    bench = NodeBench(store=store)
    store.dies = True
    bench.tell(READY)
    with pytest.raises(RuntimeError, match="reset"):
        bench.run(1.0)
    assert bench.circuit.told == Told()


def test_what_is_kept_already_is_not_written_again(tmp_path: Path) -> None:
    """The store wears with each writing."""
    store, file = MemoryStore(tmp_path / "node.json"), tmp_path / "node.json"
    store.save(Memory(boots=1))
    file.unlink()
    store.save(Memory(boots=1))
    assert not file.exists()
    store.save(Memory(boots=2))
    assert file.exists()


def test_no_store_yet_is_a_first_boot(tmp_path: Path) -> None:
    """Nothing known, nothing wrong."""
    assert MemoryStore(tmp_path / "node.json").load() == Memory()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "{}",
        as_text(Memory()).replace("0", '"0"'),
        as_text(Memory()).replace("[]", "{}"),
        as_text(Memory()).replace("[]", '["rust"]'),
        as_text(Memory())[:-1] + ', "more": 1}',
    ],
)
def test_a_damaged_store_is_a_fault_and_no_empty_store(text: str, tmp_path: Path) -> None:
    """D03 at the node: it locks itself off until a person arms it again."""
    with pytest.raises(ValueError):  # noqa: PT011 - which of them does not matter
        from_text(text)
    (tmp_path / "node.json").write_text(text)
    bench = NodeBench(store=MemoryStore(tmp_path / "node.json"))
    bench.tell(ON)
    bench.run(20.0)
    assert bench.faults == ["memory-lost"]
    assert bench.closed == []


def test_an_ordered_end_counts_towards_no_boot_loop(tmp_path: Path) -> None:
    """Only boots that nobody ordered are a sign of a bad supply; contacts are open at once."""
    for start in range(8):
        bench = NodeBench(store=MemoryStore(tmp_path / "node.json"))
        assert bench.board.guard.boots == 1
        bench.seq = 1000 * start
        bench.heat()
        bench.board.shut_down(bench.now_s)
        assert bench.circuit.passes == 0.0


def test_an_ordered_end_opens_the_contacts_whatever_the_store_does(tmp_path: Path) -> None:
    """A card that is full as the node ends costs the count of its boots alone."""
    bench = NodeBench(store=MemoryStore(tmp_path / "kept" / "node.json"))
    bench.heat()
    assert bench.heats
    (tmp_path / "kept").rename(tmp_path / "gone")
    (tmp_path / "kept").write_text("no folder")
    bench.board.shut_down(bench.now_s)
    assert bench.circuit.passes == 0.0


@pytest.mark.parametrize(("after_s", "fed"), [(3.75, True), (4.0, False)])
def test_the_watchdog_waits_4_s(after_s: float, fed: bool) -> None:
    """Just under and at; a reset loses no count of boots."""
    bench = NodeBench()
    bench.run(1.0)
    bench.board.hung = True
    bench.run(after_s)
    assert bench.board.hung is fed
    assert bench.board.guard.boots == (1 if fed else 2)


def test_the_wait_after_a_boot_is_each_nodes_own_and_spread_over_a_minute() -> None:
    """W01: the same at every boot of one node, 30 to 90 s, and spread evenly over many."""
    waits = sorted(boot_wait_s(f"node-{number}") for number in range(600))
    assert waits == sorted(boot_wait_s(f"node-{number}") for number in range(600))
    assert waits[0] >= 30.0
    assert waits[-1] < 90.0
    for tenth in range(10):
        assert 30 <= sum(30.0 + 6 * tenth <= wait < 36.0 + 6 * tenth for wait in waits) <= 90


def test_nothing_moves_without_mains() -> None:
    """W04: a node without power turns no loop, holds no coil and heats nothing."""
    bench = NodeBench()
    bench.heat()
    bench.board.lose_mains(bench.now_s)
    bench.run(60.0)
    assert (bench.circuit.watts, bench.circuit.amps, bench.circuit.passes) == (0.0, 0.0, 0.0)
