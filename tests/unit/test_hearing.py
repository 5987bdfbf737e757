"""What may be used of each probe is noted and kept: at every instant it is what would be worked out anew."""

import math
import random

import pytest

from controller import enclosure, hearing
from controller.clock import Moment
from controller.plan import Plan
from controller.probe import Reading
from controller.standing import Standing
from controller.state import NEVER, Inputs, State
from tests.core_site import AIR, NIGHT_MS, SECOND_SOIL, SOIL, SURFACE, plan_of

LIGHT = {"name": "light", "quantity": "light"}
PLAN = plan_of(SOIL, SECOND_SOIL, AIR, SURFACE, LIGHT)
SAYS = {"soil": 10.0, "soil-two": 10.1, "air": 9.0, "case": 30.0, "light": 0.0}
ODD = (0.0, 0.0, 0.5, 1.0, 3.0, 35.0, 60.0, 200.0)
"""[K] by which a probe may suddenly speak otherwise: a step, noise, above its limit, nothing that can be."""


def noted(state: State) -> tuple[dict[str, float], tuple[str, ...], bool]:
    """Return what is noted of the probes."""
    return dict(state.usable), state.odd, state.is_hot


def anew(plan: Plan, state: State, now: Moment) -> tuple[dict[str, float], tuple[str, ...], bool]:
    """Return what would be noted if nothing were kept."""
    again = state.copy()
    again.heard_until_s = NEVER
    hearing.listen(plan, again, again, now)
    return noted(again)


def said(name: str, value: float, now: Moment) -> Reading:
    """Return a reading that comes now."""
    return Reading("larch", name, value, now.utc_ms, now.utc_ms, now.mono_s)


@pytest.mark.parametrize("seed", range(6))
def test_at_every_tick_it_is_what_would_be_worked_out_anew(seed: int) -> None:
    """Probes that fall silent, leap, stick, are hot or hurried; ticks that come late; sessions that begin anew."""
    chance = random.Random(seed)
    state, now, resumed_s = (
        enclosure.start(PLAN, Standing(armed=True, override_c=20.0)),
        Moment(1000.0, NIGHT_MS),
        NEVER,
    )
    speaks_s, silent_until_s = dict.fromkeys(SAYS, 1000.0), dict.fromkeys(SAYS, NEVER)
    kept = 0
    for _ in range(3000):
        now = now.later(chance.choice((0.1, 0.5, 1.0, 1.0, 1.0, 2.5)))
        readings = []
        for name, base in SAYS.items():
            if now.mono_s >= max(speaks_s[name], silent_until_s[name]):
                shift = chance.choice(ODD) if chance.random() < 0.02 else chance.random() / 16
                readings.append(said(name, base + shift, now))
                speaks_s[name] = now.mono_s + (1.0 if chance.random() < 0.05 else 10.0)
                silent_until_s[name] = now.mono_s + chance.uniform(20, 90) if chance.random() < 0.01 else NEVER
        resumed_s = now.mono_s if chance.random() < 0.002 else resumed_s
        before = state.usable
        state, _ = enclosure.step(PLAN, state, Inputs(tuple(readings), resumed_s=resumed_s), now)
        assert noted(state) == anew(PLAN, state, now), now.mono_s
        kept += state.usable is before
    assert kept > 300


@pytest.mark.parametrize("arrived_s", [1000.0, 1000.1, 1234.567, 86_400.3, 9_999_999.9])
def test_it_stands_until_the_oldest_value_that_counts_is_too_old(arrived_s: float) -> None:
    """Not one tick longer, wherever in time and however the sums of seconds are rounded."""
    plan, now = plan_of(SOIL), Moment(arrived_s, NIGHT_MS)
    state, _ = enclosure.step(plan, enclosure.start(plan, Standing()), Inputs((said("soil", 10.0, now),)), now)
    stale_s = arrived_s + plan.watches["soil"].stale_after_s
    kept, _ = enclosure.step(plan, state, Inputs(), Moment(arrived_s + 2.0, NIGHT_MS))
    assert kept.usable is state.usable
    for at_s in (stale_s - 0.002, stale_s, math.nextafter(stale_s, math.inf), stale_s + 0.0005, stale_s + 1.0):
        kept.ticked_s = at_s - 1.0
        later, _ = enclosure.step(plan, kept, Inputs(), Moment(at_s, NIGHT_MS))
        assert noted(later) == anew(plan, later, Moment(at_s, NIGHT_MS)), at_s
        assert ("soil" in later.usable) is (at_s - arrived_s <= plan.watches["soil"].stale_after_s)


def test_what_is_remembered_of_a_doubted_probe_makes_its_last_good_value_no_younger() -> None:
    """A stuck probe that speaks often moves at last, beyond its working range: what it last said well ages."""
    plan = plan_of(SOIL)
    state, now = enclosure.start(plan, Standing()), Moment(1000.0, NIGHT_MS)

    def tick(after_s: float, value: float | None = None) -> None:
        nonlocal state, now
        now = now.later(after_s)
        readings = () if value is None else (said("soil", value, now),)
        state, _ = enclosure.step(plan, state, Inputs(readings), now)

    tick(0.0, 10.0)
    state.probes["soil"].frozen = True
    for _ in range(4):
        tick(2.75, 10.0)
    tick(2.75, 90.0)
    assert dict(state.usable) == {"soil": 10.0}
    for _ in range(30):
        tick(1.0)
        assert noted(state) == anew(plan, state, now), now.mono_s
    assert state.usable == {}
