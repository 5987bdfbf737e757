"""Faults in any order: up to six at any times, long or short, on the pure core; what must hold does so at every tick.

`SOILWARD_SCHEDULES` sets how many schedules are tried; 10 000 take a quarter of an hour.
"""

import math
import os
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller import enclosure
from controller.safety.trip import TripKind
from controller.standing import Kept, Standing, as_text, from_text
from controller.store.requests import Kind, Request
from tests.core_site import AIR, SECOND_SOIL, SOIL, SURFACE, Bed, plan_of

SCHEDULES = int(os.environ.get("SOILWARD_SCHEDULES", "250"))
pytestmark = pytest.mark.timeout(300 + SCHEDULES)
LONG_S = 330
PROBES = (SOIL, SECOND_SOIL, AIR, SURFACE)
SOILS = ("soil", "soil-two")
PLAN = plan_of(*PROBES)
STALE_S, NODE_SILENT_S, REARM_S, GAP_S = 35, 10, 300, 3


@dataclass(frozen=True)
class Fault:
    """One fault: what, from which second and for how long, of which probe, and a number to choose by."""

    kind: str
    at: int
    lasting: int
    probe: str
    pick: int


REQUESTS: tuple[tuple[Kind, dict[str, object]], ...] = (
    ("arm", {}), ("disarm", {}), ("stop", {}), ("set-point", {"set_point_c": 25.0}), ("set-point", {}),
    ("set-point", {"set_point_c": 90.0}), ("at-work", {"minutes": 1}), ("shelve", {"alert": "hot-air", "hours": 1}),
    ("acknowledge", {"sequence": 5}), ("trial", {"pulses": 3}), ("trial", {"pulses": 0}),
    ("reset", {"trip": "soil-over:soil"}), ("reset", {"trip": "stopped-by-person"}),
    ("reset", {"trip": "node-fault:k2-welded"}), ("reset", {"trip": "node-clock"}), ("reset", {"trip": "air-fire:air"}),
)  # fmt: skip
WRONG = (-127.0, 130.0, math.nan, -60.0)
LASTING = ("silent", "wrong", "hot", "leapt", "stuck", "node-silent", "node-fault", "node-slow", "node-other", "deaf",
           "broker", "journal", "broken", "late")  # fmt: skip
AT_ONCE = ("pause", "restart", "request", "request", "request", "jump")
FAULT = st.builds(
    Fault, st.sampled_from(LASTING + AT_ONCE), st.integers(20, 260), st.integers(1, 150),
    st.sampled_from([each["name"] for each in PROBES]), st.integers(0, 59),
)  # fmt: skip

JUMP = st.builds(Fault, st.just("jump"), st.integers(20, 260), st.just(1), st.just("soil"), st.integers(0, 59))


class Play:
    """A bed under a schedule of faults, and what a watcher knows of it without asking the controller."""

    def __init__(self, schedule: list[Fault]) -> None:
        self.schedule = schedule
        self.bed = Bed(PLAN, {"soil": 10.0, "soil-two": 10.1, "air": 10.0, "case": 30.0})
        self.bed.also["seq"] = 0
        self.soil_s = self.node_s = self.reset_s = -math.inf
        self.fresh_from_s = 0
        self.lay_ms: set[int] = set()

    def active(self, kind: str) -> list[Fault]:
        """Return the faults of a kind that last now."""
        return [
            each for each in self.schedule if each.kind == kind and each.at <= self.bed.second < each.at + each.lasting
        ]

    def begin(self) -> None:
        """Let what happens at once happen."""
        bed = self.bed
        for each in [each for each in self.schedule if each.at == bed.second and each.kind in AT_ONCE]:
            if each.kind == "request":
                kind, arguments = REQUESTS[each.pick % len(REQUESTS)]
                number = bed.state.standing.answered + 1 + len(bed.asks)
                bed.asks.append(Request(number, bed.now.utc_ms, "larch", kind, arguments, "Ada", "why"))  # type: ignore[arg-type]
            elif each.kind == "jump":
                bed.wall_offset_ms += (each.pick - 30) * 200_000
            elif each.kind == "pause":
                bed.pause(each.pick)
                if each.pick + 1 > GAP_S:
                    self.fresh_from_s = bed.second
            else:
                kept = from_text(as_text(Kept(1, {"larch": bed.state.standing})))
                assert kept.enclosures["larch"] == bed.state.standing
                bed.state = enclosure.start(PLAN, kept.enclosures["larch"])
                self.fresh_from_s, self.node_s = bed.second, -math.inf

    def prepare(self) -> None:
        """Set the bed as the lasting faults have it."""
        bed, number = self.bed, self.bed.second
        for name, value in (("soil", 10.0), ("soil-two", 10.1), ("air", 10.0), ("case", 30.0)):
            bed.says[name] = value
        bed.stuck, bed.stamp = bool(self.active("stuck")), -600.0 if self.active("late") else 0.0
        for kind, value_of in VALUES.items():
            for each in self.active(kind):
                bed.says[each.probe] = value_of(each)
        was_connected, bed.connected = bed.connected, not self.active("broker")
        if not bed.connected:
            bed.says = dict.fromkeys(bed.says)
        elif not was_connected:
            bed.resumed_s, self.fresh_from_s = bed.now.mono_s, number
        bed.node_speaks = bed.connected and not self.active("node-silent")
        bed.clock_rate = 0.5 if self.active("node-slow") else 1.0
        bed.node = {"limits": "beef" * 4 if self.active("node-other") else ""}
        bed.node["faults"] = ("k2-welded",) if self.active("node-fault") else ()
        bed.node["seq"] = 0 if self.active("deaf") else bed.also["seq"]
        bed.journal_ok = not self.active("journal")
        bed.also["broken_at"] = 5 if self.active("broken") else 0

    def watch(self) -> None:
        """Note what came that heat may stand on."""
        bed = self.bed
        told_ms = bed.wall_offset_ms + round((bed.stamp or 0.0) * 1000)
        if bed.stamp == 0.0:
            self.lay_ms.add(told_ms)
        # Our clock's jump may undo what makes the stamps late: then they lie as before, and nobody can tell (T01).
        if bed.second % 10 == 0 and told_ms in self.lay_ms:
            said = [bed.says[name] for name in SOILS]
            if any(isinstance(value, float) and -40.0 <= value <= 85.0 for value in said):
                self.soil_s = bed.second
        if bed.node_speaks:
            self.node_s = bed.second

    def tick(self) -> None:
        """Take one tick and look."""
        self.begin()
        self.prepare()
        self.watch()
        bed, second = self.bed, self.bed.second
        before, written, sent = bed.state.standing, len(bed.entries), bed.state.sent
        bed.tick()
        bed.also["seq"] += bed.state.sent is not sent
        entries: list[Any] = bed.entries[written:]
        done = [each for each in entries if each.kind == "answer" and each.body["outcome"] == "done"]
        reset = {each.body["arguments"]["trip"] for each in done if each.body["asked"] == "reset"}
        if reset:
            self.reset_s = second
        self.check(second)
        old, new = ({each.name for each in standing.trips} for standing in (before, bed.state.standing))
        assert old - new <= reset, "a trip is gone that nobody reset"
        told = sorted(str(each.body["trip"]) for each in entries if each.kind == "trip")
        assert told == sorted(new - old - {str(TripKind.STOPPED)}) or reset, "each trip has one entry"

    def check(self, second: int) -> None:
        """Hold the order against what the watcher knows."""
        state = self.bed.state
        assert math.isfinite(state.duty)
        assert 0.0 <= state.duty <= 1.0
        assert 0.0 <= state.integral <= 1.0
        if not state.standing.armed or state.standing.trips:
            assert (state.order.on, state.order.armed) == (False, False)
        if not state.order.on:
            return
        assert state.order.armed
        assert state.permissives
        assert all(each.holds for each in state.permissives)
        assert state.standing.at_work_until_ms is None
        assert self.bed.connected
        assert self.bed.journal_ok
        assert second - self.soil_s <= STALE_S, "no soil probe has said anything possible for too long"
        assert self.soil_s >= self.fresh_from_s, "nothing heard since the pause, restart or reconnection"
        assert second - self.node_s <= NODE_SILENT_S
        assert second - self.reset_s >= REARM_S or self.reset_s < self.fresh_from_s
        assert 10.0 <= (state.soil_c or 0.0) < 40.0 or state.soil_c is not None


VALUES: dict[str, Callable[[Fault], float | None]] = {
    "silent": lambda _: None,
    "wrong": lambda each: WRONG[each.pick % len(WRONG)],
    "hot": lambda _: 75.0,
    "leapt": lambda _: 13.0,
}


def played(schedule: list[Fault], standing: Standing | None = None) -> Play:
    """Play a schedule to its end."""
    play = Play(schedule)
    if standing is not None:
        play.bed.state.standing = standing
    while play.bed.second < LONG_S:
        play.tick()
    return play


@settings(max_examples=SCHEDULES, deadline=None, suppress_health_check=list(HealthCheck), print_blob=True)
@given(st.lists(FAULT, max_size=6), st.booleans())
def test_in_any_order_of_faults_heat_is_never_ordered_past_a_doubt(schedule: list[Fault], worn: bool) -> None:
    """I1 I2 I4 I5 I6 I7 I8: every tick of every schedule; a restart keeps what is latched and starts off."""
    played(schedule, Standing(armed=True, override_c=20.0, closings=100_001 if worn else 0))


@cache
def calm_orders() -> tuple[bool, ...]:
    """Return the orders of a bed that nothing befalls."""
    return tuple(on for _, on, _ in played([]).bed.orders)


@settings(max_examples=max(20, SCHEDULES // 10), deadline=None)
@given(st.lists(JUMP, max_size=4))
def test_jumps_of_the_wall_clock_change_no_order(jumps: list[Fault]) -> None:
    """I10: hours to and fro, the probes' clocks with ours or not; the orders are those of a calm night."""
    assert tuple(on for _, on, _ in played(jumps).bed.orders) == calm_orders()


@settings(max_examples=max(20, SCHEDULES // 10), deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(FAULT, max_size=6))
def test_a_healthy_enclosure_feels_nothing_of_another(schedule: list[Fault]) -> None:
    """I11: ticking in turn, one under faults, the other's orders are those of a calm night."""
    ill, well = Play(schedule), Play([])
    while well.bed.second < LONG_S:
        if ill.bed.second < LONG_S:
            ill.tick()
        well.tick()
    assert tuple(on for _, on, _ in well.bed.orders) == calm_orders()


def test_the_calm_night_heats_and_the_schedules_bite() -> None:
    """The properties above would hold of a controller that never heats: ours does, until each fault in turn."""
    calm = calm_orders()
    assert sum(calm) > 0.9 * LONG_S
    for kind in set(LASTING + AT_ONCE) - {"stuck", "jump", "request", "silent", "wrong", "leapt", "late"}:
        play = played([Fault(kind, 101, 100, "soil", 20)])
        assert tuple(on for _, on, _ in play.bed.orders) != calm, kind
    for kind in ("silent", "wrong", "leapt"):
        both = [Fault(kind, 101, 100, name, 0) for name in SOILS]
        assert tuple(on for _, on, _ in played(both).bed.orders) != calm, kind
