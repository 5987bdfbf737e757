"""Rows of nodes, clocks, disks, pauses and people's wishes in the pure core, each with one benign fault more."""

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from controller import enclosure, heating
from controller.safety.trip import TripKind
from controller.standing import Kept, Standing, as_text, from_text, recall
from controller.store.requests import Kind
from tests.core_site import NIGHT_MS, Bed, plan_of
from tests.faults.trouble import EVERY_TROUBLE, Each, Pair, Trouble, TroubledBed, troubled_bed

A_S, C_S = 1, 15
"""[s] classes of the hazard table, restated; a core's class A is the very tick that knows."""
STOPPED, NODE_CLOCK = frozenset({TripKind.STOPPED}), frozenset({TripKind.NODE_CLOCK})


def node(**told: object) -> Callable[[TroubledBed], None]:
    """Return what makes the node's report say something else."""
    return lambda bed: bed.node.update(told)


def shell(**told: object) -> Callable[[TroubledBed], None]:
    """Return what makes the shell say something else."""
    return lambda bed: bed.also.update(told)


def deaf(bed: TroubledBed) -> Each:
    """Let the node take no command more, and tell so in its reports."""
    bed.also["seq"] = bed.node["seq"] = 1
    sent = [bed.state.sent]

    def each() -> None:
        if bed.state.sent is not sent[0]:
            bed.also["seq"], sent[0] = bed.also["seq"] + 1, bed.state.sent

    return each


def clock_at(rate: float) -> Callable[[TroubledBed], Each]:
    """Return what makes the node's clock wrong, beside what it is wrong already."""

    def begin(bed: TroubledBed) -> Each:
        fault_s, told_s = bed.second, 1.0 + bed.second * bed.clock_rate

        def each() -> None:
            bed.node["uptime_s"] = told_s + (bed.second - fault_s) * rate * bed.trouble.clock_rate

        return each

    return begin


def silent_node(bed: TroubledBed) -> None:
    """Let the node say nothing more."""
    bed.node_speaks = False


def no_broker(bed: TroubledBed) -> None:
    """Take the broker away, and with it all news."""
    bed.connected, bed.node_speaks, bed.says = False, False, dict.fromkeys(bed.says)


def asks(kind: Kind, **arguments: Any) -> Callable[[TroubledBed], None]:
    """Return what lets a person ask for something."""

    def begin(bed: TroubledBed) -> None:
        bed.ask(kind, **arguments)

    return begin


def pauses(seconds: int) -> Callable[[TroubledBed], None]:
    """Return what suspends the process, its probes silent when it wakes."""

    def begin(bed: TroubledBed) -> None:
        bed.pause(seconds)
        bed.says["soil"] = None

    return begin


def restarts(bed: TroubledBed) -> None:
    """Let soil grow hot, and restart the controller from what it kept."""
    bed.says["soil"] = 46.0
    bed.run(100)
    kept = from_text(as_text(Kept(1, {"larch": bed.state.standing})))
    bed.state, bed.says["soil"] = enclosure.start(bed.plan, kept.enclosures["larch"]), 10.0


def renewed(bed: TroubledBed) -> None:
    """Begin again with new settings in the middle of a cycle, the soil probe not heard yet."""
    bed.plan = plan_of(control={"floor": 6.0, "gain_per_k": 20.0, "ramp_k_per_h": 20.0})
    bed.state, bed.says["soil"] = enclosure.start(bed.plan, bed.state.standing), None


SOIL_OVER = frozenset({TripKind.SOIL_OVER})
QUIET = frozenset({"node-quiet"})
UPTIME_S = 75 + 15
"""[s] N05 is seen within 75 s; a lease may then still run."""

PAIRS = [
    pytest.param(Pair(clock_at(0.5), UPTIME_S, latches=NODE_CLOCK), id="N05-half"),
    pytest.param(Pair(clock_at(2.0), UPTIME_S, latches=NODE_CLOCK), id="N05-double"),
    # It takes no order more, so no lease begins: only the time until the controller asks no more counts.
    pytest.param(Pair(deaf, C_S + 16), id="N07-deaf"),
    pytest.param(Pair(node(limits="beef" * 4), C_S, ""), id="N08-other-limits"),
    pytest.param(Pair(silent_node, C_S + 10 + 1, told=QUIET), id="R06-B05-W04-silent-node"),
    pytest.param(Pair(no_broker, A_S), id="B01-no-broker"),
    pytest.param(Pair(lambda bed: setattr(bed, "journal_ok", False), A_S), id="D01-D02-D06-no-journal"),
    pytest.param(Pair(shell(broken_at=17), A_S, told=frozenset({"journal-broken"})), id="D04-broken-chain"),
    pytest.param(Pair(asks("stop"), A_S, latches=STOPPED), id="A08-stop"),
    pytest.param(Pair(asks("at-work", minutes=5), A_S), id="O06-at-work"),
    pytest.param(Pair(pauses(61), A_S, lasts_s=120), id="C05-pause"),
    pytest.param(Pair(pauses(8 * 3600), A_S, lasts_s=120), id="T06-suspended"),
    pytest.param(Pair(restarts, A_S, latches=SOIL_OVER, lasts_s=900), id="C16-restart"),
    pytest.param(Pair(renewed, A_S, lasts_s=120), id="C14-new-settings"),
]


@EVERY_TROUBLE
@pytest.mark.parametrize("pair", PAIRS)
def test_a_fault_beside_the_readings_and_a_benign_one_more(pair: Pair, trouble: Trouble) -> None:
    """Off in the time of the row, latched or not as it says, told; and no heat without news of the soil."""
    pair.holds(trouble)


@EVERY_TROUBLE
def test_after_a_long_silence_and_a_benign_fault_more_nothing_is_wound_up(trouble: Trouble) -> None:
    """C06: the first duty is at most gain times error, whatever trembles or is lost."""
    plan = plan_of(control={"gain_per_k": 0.1, "integral_h": 0.2, "ramp_k_per_h": 20.0})
    bed = TroubledBed(plan, {"soil": 10.0, "air": 10.0}, Standing(armed=True, override_c=20.0), trouble=trouble)
    bed.troubled = True
    bed.run(2400)
    assert bed.state.integral > 0.2
    bed.says["soil"] = None
    bed.run(1200)
    assert (bed.state.duty, bed.state.integral) == (0.0, 0.0)
    bed.says["soil"] = 10.0
    while bed.state.duty == 0.0 and bed.second < 9000:
        bed.tick()
    assert bed.state.working_c is not None
    assert 0.0 < bed.state.duty <= 0.1 * (bed.state.working_c - (bed.state.soil_c or 0.0)) + 0.02


@EVERY_TROUBLE
@pytest.mark.parametrize("jump_s", [3600, -3600])
def test_a_jump_of_the_wall_clock_and_a_benign_fault_more(trouble: Trouble, jump_s: int) -> None:
    """T01: ours alone; the orders are those of a bed with the same trouble whose clock does not jump."""
    calm, jumped = troubled_bed(trouble), troubled_bed(trouble)
    jumped.wall_offset_ms, jumped.stamp = jump_s * 1000, -float(jump_s)
    for bed in (calm, jumped):
        bed.run(600)
    assert jumped.orders == calm.orders


@EVERY_TROUBLE
def test_a_lease_that_lapsed_and_a_benign_fault_more(trouble: Trouble) -> None:
    """R10: off at the report that tells of it, and for 30 s at least."""
    bed = troubled_bed(trouble)
    fault_s, bed.node["drops"] = bed.second, 1
    bed.run(120)
    heard_s = bed.heard_s(fault_s, "")
    assert bed.on_seconds(heard_s, heard_s + 30) == []
    assert bed.on_seconds(heard_s + 30)


@EVERY_TROUBLE
def test_current_past_the_relay_and_a_benign_fault_more(trouble: Trouble) -> None:
    """O04: open by the node's word and a current in two reports latch."""
    bed = TroubledBed(plan_of(), {"soil": 25.0, "air": 10.0}, trouble=trouble)
    bed.troubled = True
    bed.run(60)
    bed.node["amps"] = 2.0
    bed.run(30)
    assert [each.name for each in bed.trips] == ["node-fault:current-when-open"]


@EVERY_TROUBLE
def test_what_must_be_refused_is_refused_with_a_benign_fault_more(trouble: Trouble) -> None:
    """A01 A02 O01 O03 K07 O07: no set point beyond the limits, no reset of what is still there, no arming overdue."""
    bed = troubled_bed(trouble, standing=Standing(armed=True, override_c=20.0, closings=100_001, proved_ms=1))
    for value in (75.0, -300.0, float("nan"), "20"):
        assert bed.ask("set-point", set_point_c=value).startswith("refused")
    assert bed.state.standing.override_c == 20.0
    bed.says["soil"] = 46.0
    bed.run(60)
    assert bed.ask("reset", trip="soil-over:soil").startswith("refused")
    assert "refused" in bed.ask("shelve", alert="soil-over:soil", hours=1)
    bed.ask("disarm")
    assert bed.ask("arm").startswith("refused")
    assert {"relay-worn", "proof-test"} <= {each.name for each in bed.state.alerts}
    assert [each.kind for each in bed.trips] == [TripKind.SOIL_OVER]


@EVERY_TROUBLE
def test_resets_are_counted_and_waited_for_with_a_benign_fault_more(trouble: Trouble) -> None:
    """A03 O02: heat waits five minutes after a reset, latches again if the cause is back, and the fourth is refused."""
    bed = troubled_bed(trouble)
    outcomes = []
    for _ in range(4):
        bed.says["soil"] = 46.0
        bed.run(60)
        assert bed.trips
        bed.says["soil"] = 10.0
        bed.run(100)
        outcomes.append(bed.ask("reset", trip="soil-over:soil").split(":")[0])
        reset_s = bed.second
        bed.run(290)
        assert bed.on_seconds(reset_s) == []
    assert [each == "refused" for each in outcomes] == [False, False, False, True]


@EVERY_TROUBLE
def test_a_dead_clock_and_a_benign_fault_more_hold_only_the_floor(trouble: Trouble) -> None:
    """T03: in 1970 the schedule waits, and the floor is asked for."""
    control = {"floor": 5.0, "gain_per_k": 20.0, "ramp_k_per_h": 20.0}
    plan = plan_of(schedule=[{"from": "01-01", "set_point": 25.0}], control=control)
    bed = TroubledBed(plan, {"soil": 10.0, "air": 10.0}, Standing(armed=True), 0, trouble=trouble)
    bed.troubled = True
    bed.run(300)
    assert bed.state.asked_c == 5.0
    assert bed.on_seconds(0) == []


@EVERY_TROUBLE
def test_an_hour_given_twice_and_a_benign_fault_more_move_no_set_point(trouble: Trouble) -> None:
    """T02: through the change of the clocks what is asked for moves as slowly as on any night."""
    plan = plan_of(
        schedule=[{"from": "01-01", "set_point": 10.0}, {"from": "03-29", "set_point": 20.0, "ramp_h": 12.0}],
        control={"gain_per_k": 0.5, "integral_h": 3.0, "ramp_k_per_h": 2.0},
    )
    begins_ms = round(datetime(2026, 3, 29, 0, 30, tzinfo=UTC).timestamp() * 1000)
    bed = TroubledBed(plan, {"soil": 9.5, "air": 5.0}, Standing(armed=True), begins_ms, trouble=trouble)
    bed.troubled = True
    asked = []
    for _ in range(2100):
        bed.tick()
        asked.append(bed.state.asked_c or 0.0)
    assert 0.0 < max(after - before for before, after in pairwise(asked)) <= 10 / 12 / 3600 * 1.01


@EVERY_TROUBLE
def test_a_damaged_latch_file_and_a_benign_fault_more(trouble: Trouble, tmp_path: Path) -> None:
    """D03: it starts latched, and nothing heats."""
    kept = recall(tmp_path / "gone.json", ("larch",), first_start=False, now_ms=NIGHT_MS).enclosures["larch"]
    bed = TroubledBed(
        plan_of(), {"soil": 10.0, "air": 10.0}, replace(kept, armed=True, override_c=20.0), trouble=trouble
    )
    bed.troubled = True
    bed.run(300)
    assert bed.on_seconds(0) == []
    assert [each.kind for each in bed.trips] == [TripKind.LATCHES_LOST]


@EVERY_TROUBLE
def test_noise_beside_a_benign_fault_does_not_chatter(trouble: Trouble) -> None:
    """C13 I12: soil that hovers about its set point under 0.7 K of noise: at most 30 starts in any hour."""
    plan = plan_of(control={"gain_per_k": 20.0, "integral_h": 0.5, "ramp_k_per_h": 20.0, "window_s": 300.0})
    bed = TroubledBed(plan, {"air": 10.0}, Standing(armed=True, override_c=20.0), trouble=trouble)
    bed.says["soil"] = lambda _: 20.0 + bed.chance.uniform(-0.7, 0.7)
    bed.troubled = True
    bed.run(3600)
    starts = starts_of(bed)
    assert starts
    assert all(sum(start <= each < start + 3600 for each in starts) <= 30 for start in starts)


def starts_of(bed: Bed) -> list[int]:
    """Return the seconds at which heat was begun."""
    return [at for (at, on, _), (_, was, _) in zip(bed.orders[1:], bed.orders, strict=False) if on and not was]


@EVERY_TROUBLE
def test_an_inverted_loop_and_a_benign_fault_more(trouble: Trouble, monkeypatch: pytest.MonkeyPatch) -> None:
    """C09: heat asked for 5 K above the set point is never ordered, and latches."""
    bed = TroubledBed(plan_of(), {"soil": 15.0, "air": 10.0}, Standing(armed=True, override_c=10.0), trouble=trouble)
    bed.troubled = True
    control = heating.control
    monkeypatch.setattr("controller.heating.control", lambda *given: control(*given) or True)
    bed.run(120)
    assert bed.on_seconds(0) == []
    assert [each.kind for each in bed.trips] == [TripKind.INVERTED]
