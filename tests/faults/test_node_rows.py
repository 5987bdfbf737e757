"""Hazard rows that the node answers alone: from the injected fault to the open contact path, on its own clock."""

import json
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.clock import ManualClock, Moment
from controller.load_settings import load
from controller.node.board import boot_wait_s
from controller.node.contacts import Circuit, Load
from controller.node.memory import MemoryStore
from controller.node.simulated import SimulatedNode
from controller.safety import node_limits
from tests.faults.cases import seen
from tests.node_bench import OFF, ON, READY, STEP_S, NodeBench
from tests.wire.kit import KEY as SITE_KEY
from tests.wire.kit import ConstantPlant, Mosquitto, Spy, until, write_site

A_S, B_S, C_S = 1.0, 5.0, 15.0
"""[s] classes of the hazard table, restated."""
TURN_S = 0.25
"""[s] one turn of the loop."""
LET_GO_S = 5.0 + 2 * TURN_S
"""[s] after which contacts that pass no current are let go."""
Break = Callable[[NodeBench], None]


def _heater(bench: NodeBench, **fault: float | bool) -> None:
    for name, value in fault.items():
        setattr(bench.circuit.load, name, value)


def _k1(bench: NodeBench, name: str) -> None:
    setattr(bench.circuit.k1, name, True)


WHILE_HEATING = [
    pytest.param("K06", lambda b: _k1(b, "half_open"), "half-power", id="K06-one-half-wave-missing"),
    pytest.param("H02", lambda b: _heater(b, share=1.3), "over-power", id="H02-power-130-percent"),
    pytest.param("O05", lambda b: _heater(b, share=1.15), "over-power", id="O05-bigger-heater"),
]


@pytest.mark.parametrize(("row", "break_it", "fault"), WHILE_HEATING)
def test_a_wrong_power_opens_the_path_and_keeps_it_open(row: str, break_it: Break, fault: str) -> None:
    """K06 H02 O05: open within the row's time, though "on" is renewed all along, and named."""
    bench = NodeBench()
    bench.heat()
    since_s = bench.now_s
    break_it(bench)
    bench.run(120.0)
    seen(row, bench.last_closed_s(since_s))
    assert bench.last_closed_s(since_s) > 0.0
    assert bench.report()["faults"] == [fault]


AFTER_HEATING = [
    pytest.param("K01", lambda b: _k1(b, "welded"), id="K01-k1-welded"),
    pytest.param("N04", lambda b: _k1(b, "driver_shorted"), id="N04-driver-shorted"),
    pytest.param("K06", lambda b: _k1(b, "half_shorted"), id="K06-one-half-wave-shorted"),
]


@pytest.mark.parametrize(("row", "break_it"), AFTER_HEATING)
def test_a_k1_that_does_not_open_is_answered_by_k2(row: str, break_it: Break) -> None:
    """K01 N04 K06: told to open while it cannot, the path is open within class B; K2 has done it."""
    bench = NodeBench()
    bench.heat()
    break_it(bench)
    bench.tell(READY)
    since_s = bench.now_s
    bench.run(120.0)
    seen(row, bench.last_closed_s(since_s))
    assert bench.last_closed_s(since_s) >= 2.0
    assert bench.circuit.k1.passes > 0.0
    assert bench.report()["faults"] == ["current-when-open"]


def test_n18_current_while_the_node_says_off_opens_k2() -> None:
    """N18: K1 closes by itself in the middle of a pause; the report says off and shows the current until K2 opens."""
    bench = NodeBench()
    bench.heat()
    bench.tell(READY)
    bench.run(60.0)
    since_s = bench.now_s
    bench.circuit.k1.driver_shorted = True
    bench.run(2 * STEP_S)
    told = bench.report()
    assert (told["on"], told["amps"]) == (False, pytest.approx(2.0))
    bench.run(60.0)
    seen("N18", bench.last_closed_s(since_s))
    assert bench.last_closed_s(since_s) > 0.0
    assert bench.faults == ["current-when-open"]


def test_n06_a_contact_that_says_yes_and_does_not_move_is_answered_by_k2() -> None:
    """N06: no current is sensed; the auxiliary contact alone shows it within class B."""
    bench = NodeBench(Circuit(Load(460.0, 230.0), has_aux=True), has_sensor=False)
    bench.heat()
    bench.circuit.k1.welded = True
    bench.tell(READY)
    since_s = bench.now_s
    bench.run(60.0)
    seen("N06", bench.last_closed_s(since_s))
    assert bench.last_closed_s(since_s) >= 3.0
    assert bench.faults == ["contact-does-not-follow"]


NO_CURRENT = [
    pytest.param("K04", lambda b: _k1(b, "coil_open"), id="K04-k1-coil-open"),
    pytest.param("H01", lambda b: _heater(b, share=0.0), id="H01-element-open"),
    pytest.param("H03", lambda b: _heater(b, mains=0.0), id="H03-earth-fault-breaker-open"),
]


@pytest.mark.parametrize(("row", "break_it"), NO_CURRENT)
def test_heat_that_fails_is_off_at_once_and_not_tried_again(row: str, break_it: Break) -> None:
    """K04 H01 H03: no heat from the fault on (class A); both contacts are let go 5 s later and stay so."""
    bench = NodeBench()
    bench.heat()
    break_it(bench)
    heated: list[float] = []
    since_s = bench.now_s
    bench.run(LET_GO_S, lambda b: heated.extend([b.now_s - since_s] if b.heats else []))
    # There is no heat from the fault itself on; what the node adds is to let go, and not to try again.
    seen(row, max(heated, default=0.0))
    assert not bench.circuit.told.k1
    assert bench.last_closed_s(since_s) <= LET_GO_S
    bench.run(60.0)
    assert not bench.circuit.told.k2
    assert bench.faults == ["no-current"]


@pytest.mark.parametrize(
    ("at_supply", "fault"), [(False, "no-current"), (True, "current-when-open")], ids=["O04-at-heater", "O04-at-supply"]
)
def test_o04_a_heater_plugged_past_the_relay_is_told(at_supply: bool, fault: str) -> None:
    """O04: wherever the sensor sits, it is noticed and named; opening the contacts cannot help here."""
    bench = NodeBench(Circuit(Load(460.0, 230.0, plugged_past=True), sensor_at_supply=at_supply))
    bench.tell(ON)
    bench.run(20.0)
    assert fault in bench.faults
    assert bench.circuit.passes == 0.0


def _twitch(every_s: float, open_s: float) -> Callable[[NodeBench], bool]:
    """Return whether a thing that opens regularly is open now."""
    return lambda bench: bench.now_s % every_s < open_s


def test_k05_an_intermittent_contact_is_given_up_within_class_c() -> None:
    """K05: drop-outs of 0.3 s every 2 s; after the fourth the path stays open."""
    bench, is_out = NodeBench(), _twitch(2.0, 0.3)
    bench.heat()
    since_s = bench.now_s

    def drop(b: NodeBench) -> None:
        b.circuit.k1.interrupted = is_out(b)

    bench.run(60.0, drop)
    seen("K05", bench.last_closed_s(since_s))
    assert bench.last_closed_s(since_s) >= 6.0
    assert bench.faults == ["contact-intermittent"]


def test_h04_a_heater_that_switches_itself_off_is_given_up() -> None:
    """H04: its cut-out opens for 4 s every 150 s; with the third pause heat is over, within ten minutes."""
    bench, is_out = NodeBench(), _twitch(150.0, 4.0)
    bench.heat()
    since_s = bench.now_s

    def cut(b: NodeBench) -> None:
        b.circuit.load.cut_out = is_out(b)

    bench.run(900.0, cut)
    seen("H04", bench.last_closed_s(since_s))
    assert bench.last_closed_s(since_s) >= 300.0
    assert bench.faults == ["self-interrupting"]


def test_k03_a_welded_k2_is_found_before_arming() -> None:
    """K03: K1 alone is closed, current flows, and the path is open again within class A; arming is refused."""
    bench = NodeBench()
    bench.circuit.k2.welded = True
    bench.tell(ON)
    bench.run(60.0)
    seen("K03", len(bench.closed) * STEP_S)
    assert bench.closed
    assert bench.report()["faults"] == ["k2-welded"]
    assert bench.report()["proof"] == "failed"


def test_n01_a_hung_loop_is_opened_by_k2_and_reset_by_the_watchdog() -> None:
    """N01: the path is open within class B, K1 too, and the board has booted off."""
    bench = NodeBench()
    bench.heat()
    bench.board.hung = True
    bench.tell(None)
    opened_s = bench.open_after_s(B_S)
    seen("N01", opened_s)
    assert 0.0 < opened_s <= 2.0
    bench.run(B_S - 2.0)
    assert (bench.circuit.k1.passes, bench.circuit.k2.passes) == (0.0, 0.0)
    assert not bench.board.hung
    assert bench.report()["boots"] == 2


def test_n03_an_output_stuck_high_after_a_crash_is_answered_by_k2() -> None:
    """N03: no pulse, no K2: open within class B; after the reset the proof finds K1 and refuses to arm."""
    bench = NodeBench()
    bench.heat()
    bench.circuit.k1.driver_shorted = bench.board.hung = True
    since_s = bench.now_s
    seen("N03", bench.open_after_s(B_S))
    bench.run(180.0)
    assert bench.faults == ["current-when-open"]
    assert bench.report()["proof"] == "failed"
    closed_s = [step * STEP_S - since_s for step in bench.closed if step * STEP_S - since_s > B_S]
    assert len(closed_s) * STEP_S <= A_S


def test_n02_a_fourth_boot_within_ten_minutes_locks_the_node_off() -> None:
    """N02: each boot is off at once (class A); after the fourth, orders to heat are in vain."""
    bench = NodeBench()
    bench.heat()
    for boots in (2, 3, 4):
        since_s = bench.now_s
        bench.board.lose_mains(since_s)
        assert bench.circuit.passes == 0.0
        bench.board.regain_mains(since_s)
        assert bench.circuit.passes == 0.0
        # Off from the boot on: what closes next has been proved first.
        bench.run(A_S)
        seen("N02", bench.last_closed_s(since_s))
        bench.run(100.0 - A_S)
        assert bench.heats is (boots < 4)
        assert bench.report()["boots"] == boots
    assert bench.report()["faults"] == ["boot-loop"]


def test_n02_three_boots_and_ten_quiet_minutes_are_no_loop() -> None:
    """N02 must not act: a node that then runs ten minutes in one piece has forgotten them."""
    bench = NodeBench()
    for quiet_s in (100.0, 601.0, 100.0):
        bench.board.regain_mains(bench.now_s)
        bench.tell(ON)
        bench.run(quiet_s)
        assert bench.heats
    assert bench.report()["boots"] == 2


def test_n09_half_an_hour_of_heat_ends_in_a_minute_of_rest_and_is_counted() -> None:
    """N09: with valid leases all along, open at 1800 s for 60 s; then heat again."""
    bench = NodeBench()
    bench.heat()
    began_s = bench.closed[0] * STEP_S
    bench.run(2000.0)
    closed = set(bench.closed)
    gaps = [step for step in range(bench.closed[0], bench.step) if step not in closed]
    # The node counts from the order; the proof has kept the path open for the first seconds of it.
    seen("N09", gaps[0] * STEP_S - began_s)
    assert gaps[0] * STEP_S - began_s >= 1790.0
    assert 60.0 <= len(gaps) * STEP_S <= 60.0 + 5.0 + TURN_S
    assert bench.report()["refused"]["longest-closing"] == 1
    assert bench.faults == []


@pytest.fixture
def flipped(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Give what flips one bit of the longest lease."""
    return lambda: monkeypatch.setattr(node_limits, "LONGEST_LEASE_S", 15.0 + 2**-49)


def test_n13_a_flipped_bit_in_the_limits_is_found_within_ten_seconds(flipped: Callable[[], None]) -> None:
    """N13: one bit of one figure; open within 10 s, and no arming brings heat back."""
    bench = NodeBench()
    bench.heat()
    whole = bench.report()["limits"]
    flipped()
    since_s = bench.now_s
    bench.run(20.0)
    seen("N13", bench.last_closed_s(since_s), 10.0 + TURN_S)
    bench.tell(OFF)
    bench.run(1.0)
    bench.tell(ON)
    bench.run(30.0)
    assert bench.last_closed_s(since_s) <= 10.0 + TURN_S
    assert bench.report()["faults"] == ["constants"]
    assert bench.report()["limits"] != whole


def test_n15_numbers_that_wrap_neither_stick_on_nor_off() -> None:
    """N15: over 2^32 each "on" is obeyed; silence then opens within class C."""
    bench = NodeBench()
    bench.seq = 2**32 - 5
    bench.heat()
    bench.run(60.0)
    assert bench.seq > 2**32
    assert bench.heats
    assert bench.report()["refused"] == {}
    bench.tell(None)
    since_s = bench.now_s
    bench.run(60.0)
    seen("N15", bench.last_closed_s(since_s))


@pytest.mark.parametrize("left_ms", [0, 1, 9_000, 11_000, 20_000])
def test_n16_a_lease_across_the_wrap_of_the_milliseconds_ends_in_time(left_ms: int) -> None:
    """N16: the clock wraps before, in and after the lease; open within class C of the last order, not before 10 s."""
    bench = NodeBench(millis=2**32 - left_ms)
    bench.heat()
    bench.tell(ON)
    bench.tell(None)
    since_s = bench.now_s
    bench.run(60.0)
    seen("N16", bench.last_closed_s(since_s), C_S + TURN_S)
    assert bench.last_closed_s(since_s) >= C_S - 2 * TURN_S
    assert bench.report()["uptime_s"] == pytest.approx(70.0, abs=0.3)


def _with_a_field_more(bench: NodeBench) -> bytes:
    fields = json.loads(bench.command(ON, 9))
    return json.dumps(fields | {"enclosure": "elder"}).encode()


@pytest.mark.parametrize(
    ("make", "reason"),
    [(lambda b: b.command(ON, 9, b"e" * 32), "unsigned"), (_with_a_field_more, "unknown-field")],
    ids=["N17-for-another-enclosure", "N17-unknown-field"],
)
def test_n17_a_command_meant_for_another_closes_nothing(make: Callable[[NodeBench], bytes], reason: str) -> None:
    """N17: signed with another enclosure's key, or with a field nobody knows: refused and counted."""
    bench = NodeBench()
    bench.tell(READY)
    bench.run(30.0)
    bench.waiting.append((make(bench), False))
    bench.run(30.0)
    seen("N17", len(bench.closed) * STEP_S)
    assert bench.closed == []
    assert bench.report()["refused"] == {reason: 1}


def test_w01_mains_that_return_find_every_heater_off_and_bring_them_back_one_by_one() -> None:
    """W01: off at once; back after 30 s of open time at least, 90 s and a proof at most, and not together."""
    names = [f"bed-{number}" for number in range(12)]
    back_s = []
    for name in names:
        bench = NodeBench(wait_s=boot_wait_s(name))
        bench.tell(ON)
        bench.run(120.0)
        assert bench.heats
        lost_s = bench.now_s
        bench.board.lose_mains(lost_s)
        assert bench.circuit.passes == 0.0
        bench.run(20.0)
        seen("W01", bench.last_closed_s(lost_s))
        bench.board.regain_mains(bench.now_s)
        since_s, before = bench.now_s, len(bench.closed)
        bench.run(180.0)
        back_s.append(bench.closed[before] * STEP_S - since_s)
        assert bench.heats
    assert min(back_s) >= 30.0
    assert max(back_s) <= 90.0 + 5.0 + 2 * TURN_S
    assert max(back_s) - min(back_s) > 30.0
    assert len(set(back_s)) >= 6


def test_w02_mains_ten_percent_high_rest_once_then_lock_off() -> None:
    """W02: power 121 %: open within 25 s for 60 s, tried once more, then locked off within another 25 s."""
    bench = NodeBench()
    bench.heat()
    bench.circuit.load.mains = 1.1
    since_s = bench.now_s
    first_s = bench.open_after_s(25.0)
    seen("W02", first_s)
    assert first_s >= 10.0
    assert bench.faults == []
    opened_s = bench.now_s
    bench.run(200.0)
    again = [step * STEP_S for step in bench.closed if step * STEP_S > opened_s]
    assert again[0] - opened_s >= 60.0
    seen("W02", again[-1] - again[0])
    assert bench.last_closed_s(since_s) < 120.0
    assert bench.report()["faults"] == ["over-power"]


def test_w02_a_second_rest_more_than_an_hour_later_is_the_first_of_its_own() -> None:
    """W02 must not act: mains high for a quarter of a minute, twice, 61 minutes apart."""
    bench = NodeBench()
    for wait_s in (3660.0, 60.0):
        bench.tell(READY)
        bench.run(40.0)
        bench.tell(ON)
        bench.run(5.0)
        bench.circuit.load.mains = 1.1
        bench.run(15.0)
        bench.circuit.load.mains = 1.0
        assert not bench.heats
        bench.tell(READY)
        bench.run(wait_s)
    assert bench.faults == []


def test_w03_mains_twenty_percent_low_heat_on_and_are_told() -> None:
    """W03: power 64 % is no fault: heat goes on, and the report says it."""
    bench = NodeBench()
    bench.heat()
    bench.circuit.load.mains = 0.8
    bench.run(60.0)
    assert bench.heats
    assert bench.report()["faults"] == []
    assert bench.report()["notices"] == ["power-low"]


def test_w04_a_node_without_mains_has_let_go_of_both_contacts() -> None:
    """W04: the controller lives on its battery and the node is dead: no path from that instant, whatever it is told."""
    bench = NodeBench()
    bench.heat()
    since_s = bench.now_s
    bench.board.lose_mains(since_s)
    bench.run(60.0)
    seen("W04", bench.last_closed_s(since_s))
    assert (bench.circuit.k1.passes, bench.circuit.k2.passes, bench.circuit.watts) == (0.0, 0.0, 0.0)


def _inrush(bench: NodeBench) -> None:
    """A cold element draws twice its power for the first three seconds of each closing."""
    bench.circuit.load.share = 1.0 if bench.step - 60 in bench.closed[-60:] else 2.0


def _one_drop_out(bench: NodeBench) -> None:
    bench.circuit.k1.interrupted = 30.0 <= bench.now_s < 30.5


def _two_pauses(bench: NodeBench) -> None:
    bench.circuit.load.cut_out = 30.0 <= bench.now_s % 60.0 < 33.0 and bench.now_s < 100.0


def _mains(share: float) -> Callable[[NodeBench], None]:
    return lambda bench: setattr(bench.circuit.load, "mains", share)


MUST_NOT_ACT = [
    pytest.param(_inrush, id="inrush"),
    pytest.param(lambda _: None, id="normal-switching"),
    pytest.param(_mains(0.9), id="mains-minus-10-percent"),
    pytest.param(_mains(1.04), id="mains-plus-4-percent"),
    pytest.param(_one_drop_out, id="one-drop-out"),
    pytest.param(_two_pauses, id="two-pauses-of-the-cut-out"),
]


@pytest.mark.parametrize("disturb", MUST_NOT_ACT)
def test_what_happens_in_a_sound_heater_stops_no_heat(disturb: Callable[[NodeBench], None]) -> None:
    """The counter-case of each watch: half an hour of switching on and off, with an auxiliary contact too."""
    bench = NodeBench(Circuit(Load(460.0, 230.0), has_aux=True))
    for _ in range(9):
        bench.tell(ON)
        bench.run(120.0, disturb)
        assert bench.heats
        bench.tell(READY)
        bench.run(80.0, disturb)
        assert bench.circuit.passes == 0.0
    assert bench.faults == []


@pytest.mark.parametrize("order", [ON, READY])
def test_the_proof_makes_no_heat_and_delays_it_by_five_seconds_at_most(order: object) -> None:
    """Between the arming edge and the first heat no power flows, and the path is never closed."""
    bench = NodeBench()
    bench.tell(order)  # type: ignore[arg-type]
    bench.run(4.0)
    assert bench.closed == []
    assert bench.report()["proof"] == "running"
    assert not bench.report()["armed"]
    bench.run(1.25)
    assert bench.report()["proof"] == "passed"
    assert bench.heats is (order is ON)


def test_a_captured_on_does_not_outlive_a_reset(tmp_path: Path) -> None:
    """C04 N10: after a reset, numbers up to the last obeyed one stay refused, and so does an older epoch."""
    file = tmp_path / "node.json"
    bench = NodeBench(store=MemoryStore(file))
    bench.heat()
    bench.run(120.0)
    captured = [bench.command(ON, seq) for seq in range(1, bench.seq + 1)]
    after = NodeBench(store=MemoryStore(file))
    after.order = None
    for payload in [*captured, bench.command(ON, 10_000, epoch=0)]:
        after.waiting.append((payload, False))
        after.run(TURN_S)
    after.run(10.0)
    seen("C04", len(after.closed) * STEP_S)
    assert after.closed == []
    assert not after.circuit.told.k1
    assert after.report()["refused"] == {"before-boot": len(captured), "older-epoch": 1}
    after.waiting.append((after.command(ON, bench.seq + node_limits.SEQ_RESERVE + 1), False))
    after.run(10.0)
    assert after.heats


@pytest.fixture
def lone(tmp_path: Path) -> Iterator[tuple[SimulatedNode, Spy, ManualClock]]:
    """Give a node and a listener at a real broker, on a clock the test moves."""
    broker = Mosquitto(tmp_path / "broker")
    broker.start()
    settings = load(write_site(tmp_path, broker.port))
    clock, spy = ManualClock(Moment(5000.0, 1_772_338_322_000)), Spy(settings)
    node = SimulatedNode(settings, settings.enclosure[0], ConstantPlant(), clock)
    yield node, spy, clock
    node.stop()
    spy.close()
    broker.stop()


def test_b03_a_retained_on_is_counted_in_the_report(lone: tuple[SimulatedNode, Spy, ManualClock]) -> None:
    """B03: over a real broker; a controller that hears the report can tell people of it."""
    node, spy, clock = lone
    payload = NodeBench().command(ON, 1, SITE_KEY.encode())
    spy.publish("soilward/larch/heater/command", payload, retain=True)
    node.start()
    until("it has come", lambda: node.core.refused["retained"] == 1, 10.0)
    clock.sleep(5.0)

    def told() -> list[dict[str, int]]:
        return [json.loads(h.payload)["refused"] for h in spy.heard if h.topic.endswith("/state")]

    until("it is reported", lambda: {"retained": 1} in told(), 5.0)
    assert not node.heated
