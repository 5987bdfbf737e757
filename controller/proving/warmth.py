"""Steps about warmth: a heat pulse that the right probe answers, and a limit passed in rehearsal."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

from controller.enclosure_settings import Enclosure, HeaterKind, ProbeSettings
from controller.keeper import Keeper
from controller.permits import spoken
from controller.probe import Quantity
from controller.probe_state import Watch
from controller.proving import criteria
from controller.proving.account import Finding, figure_of
from controller.proving.bench import Bench, StepError, amps, fresh_report, heat, opened, report_of
from controller.proving.contacts import SETTLES_S
from controller.proving.stand import Stand, Wish
from controller.safety import limits
from controller.settings import Settings
from controller.state import State

PULSE = "heat-pulse"
TELL_EVERY_S = 300.0

REHEARSE_ABOVE_K = 1.0
"""[K] Over the reading now. Less than the 1.5 K at which soil "moves faster than soil can", or that rule would open the
contact first and the limit would not be what is rehearsed."""

Place = tuple[str, str]
"""Enclosure and probe."""


@dataclass(frozen=True, slots=True)
class Expected:
    """Who should answer a heat pulse, by how much [K], how soon [s], and who must not answer more."""

    answering: tuple[Place, ...]
    rivals: tuple[Place, ...]
    rise_k: float
    within_s: float


def expected_of(settings: Settings, enclosure: Enclosure, window_s: float) -> Expected:
    """Return what a pulse should do. Only like is compared with like: the sun warms air as it pleases.

    Parameters
    ----------
    window_s
        [s] of hard heating before soil must have answered; infinite for a heater too weak to be sure of.
    """
    cable = enclosure.heater.kind is HeaterKind.SOIL_CABLE
    like = Quantity.SOIL if cable else Quantity.AIR
    own = enclosure.of(like)
    answering = (nearest_soil(enclosure),) if cable else own
    if not answering:
        raise StepError(f"there is no {like} probe that could answer")
    rivals = [(enclosure.name, each.name) for each in own if each not in answering]
    rivals += [
        (other.name, each.name)
        for other in settings.enclosure
        if other.name != enclosure.name
        for each in (*other.of(like), *other.of(Quantity.HEATER_SURFACE))
    ]
    within_s = min(window_s, 4 * limits.LONGEST_UNANSWERED_S) if cable else criteria.AIR_ANSWERS_WITHIN_S
    rise_k = criteria.SOIL_ANSWER_K if cable else criteria.AIR_ANSWER_K
    return Expected(tuple((enclosure.name, each.name) for each in answering), tuple(rivals), rise_k, within_s)


def nearest_soil(enclosure: Enclosure) -> ProbeSettings:
    """Return the soil probe nearest in depth to the heater: a cable's first to answer."""
    if not enclosure.of(Quantity.SOIL):
        raise StepError("there is no soil probe")
    depth_m = enclosure.heater.depth_m or 0.0
    return min(enclosure.of(Quantity.SOIL), key=lambda each: abs((each.depth_m or 0.0) - depth_m))


def heat_pulse(bench: Bench) -> Finding:
    """Heat until the right probe answers, no longer than physics say it needs."""
    stand = bench.stand
    expected = expected_of(stand.settings, stand.enclosure, stand.plan.expected.window_s)
    if bench.patience.pulse_s is not None:
        expected = replace(expected, within_s=bench.patience.pulse_s)
    names = " or ".join(f"'{probe}'" for _, probe in expected.answering)
    bench.person.tell(f"  {names} should rise {expected.rise_k:g} K within {spoken(expected.within_s)}")
    heat(bench)
    began_s, before = report_of(stand).arrived_s, _values(stand, expected)
    try:
        _wait_for_answer(bench, expected, before, began_s)
        finding = _judge(bench, expected, before, stand.clock.now().mono_s - began_s)
        if stand.enclosure.heater.kind is HeaterKind.AIR_HEATER:
            finding = criteria.risen(finding, max(_slopes(bench), default=0.0))
    finally:
        stand.wish = Wish.ARMED
    opened(bench)
    return finding


def _slopes(bench: Bench) -> Iterator[float]:
    """Heat on, and yield how steeply [K/min] the air probes rise: the case and they have to grow warm first."""
    stand = bench.stand
    bench.person.tell(f"  {spoken(bench.patience.slope_s)} more, for how steeply the air rises")
    end_s = stand.clock.now().mono_s + bench.patience.slope_s
    while stand.clock.now().mono_s < end_s:
        stand.turn()
        if stand.is_tripped:
            raise StepError(stand.order.because)
        rises = (stand.keeper.state.probes[each.name].rise_k_per_min for each in stand.plan.air)
        yield from (each for each in rises if each is not None)


def _values(stand: Stand, expected: Expected) -> dict[Place, float]:
    """Return what the probes say, of those that say anything."""
    places = (*expected.answering, *expected.rivals)
    return {place: value for place in places if (value := stand.value(*place)) is not None}


def _rises(stand: Stand, places: tuple[Place, ...], before: dict[Place, float]) -> Iterator[tuple[float, Place]]:
    for place in places:
        value = stand.value(*place)
        if value is not None and place in before:
            yield value - before[place], place


def _most(stand: Stand, places: tuple[Place, ...], before: dict[Place, float]) -> tuple[float, Place]:
    """Return the largest rise [K] and where; none at all is no rise."""
    return max(_rises(stand, places, before), default=(-math.inf, ("", "")))


def _wait_for_answer(bench: Bench, expected: Expected, before: dict[Place, float], began_s: float) -> None:
    stand, told_s = bench.stand, began_s
    while (elapsed_s := stand.clock.now().mono_s - began_s) < expected.within_s:
        stand.wish = Wish.HEAT if _may_heat(stand, elapsed_s) else Wish.ARMED
        stand.turn()
        rise_k, (_, probe) = _most(stand, (*expected.answering, *expected.rivals), before)
        if rise_k >= expected.rise_k or stand.is_tripped:
            return
        if stand.clock.now().mono_s - told_s >= TELL_EVERY_S:
            told_s = stand.clock.now().mono_s
            bench.person.tell(f"  {spoken(elapsed_s)}: '{probe}' has risen most, {rise_k:.2f} K")


def _may_heat(stand: Stand, elapsed_s: float) -> bool:
    """Not longer in one piece than a contact may be closed, and never above the highest set point."""
    part_s = elapsed_s % (limits.LONGEST_CLOSING_S + limits.REST_AFTER_LONGEST_S)
    soil = [value for each in stand.plan.soil if (value := stand.value(stand.plan.name, each.name)) is not None]
    return part_s < limits.LONGEST_CLOSING_S - 2 * limits.RENEW_EVERY_S and all(
        value < stand.plan.highest_set_point_c for value in soil
    )


def _judge(bench: Bench, expected: Expected, before: dict[Place, float], lag_s: float) -> Finding:
    stand = bench.stand
    rise_k, (_, probe) = _most(stand, expected.answering, before)
    rival_k, (where, rival) = _most(stand, expected.rivals, before)
    names = " or ".join(f"'{each}'" for _, each in expected.answering)
    if rival_k >= rise_k and rival_k >= expected.rise_k:
        raise StepError(
            f"probe '{rival}' of {where} rose {rival_k:.2f} K and {names} no more than {max(rise_k, 0.0):.2f} K: "
            "probes, relays or names are crossed"
        )
    if rise_k < expected.rise_k:
        why = "" if stand.order.armed else f"; {stand.order.because}"
        raise StepError(f"{names} rose {max(rise_k, 0.0):.2f} K in {spoken(lag_s)}, not {expected.rise_k:g} K{why}")
    return criteria.answered(probe, rise_k, lag_s, figure_of(bench.last, PULSE, "lag_s"))


def over_limit(bench: Bench) -> Finding:
    """A limit tightened for the rehearsal alone is passed by a probe in the hand; the trip is forgotten with it."""
    stand, probe = bench.stand, nearest_soil(bench.stand.enclosure).name
    task = (
        f"Uncover soil probe '{probe}' so that you can take it between two fingers, then leave it alone for a minute."
    )
    bench.person.do(task, stand.turn)
    heat(bench)
    limit_c = _tighten(stand, probe)
    try:
        bench.person.tell(f"  > Warm '{probe}' between your fingers until you are told to let go.")
        opened_s = _open_after_over(bench, probe, limit_c)
        stand.until(lambda: bool(_rehearsed(stand).standing.trips) or stand.is_tripped, bench.patience.warm_s)
        trips = _rehearsed(stand).standing.trips
        if stand.is_tripped or not trips:
            why = stand.order.because if stand.is_tripped else "one reading over the limit, and no second one"
            raise StepError(f"the rehearsed trip did not latch: {why}")
        off_a = amps(bench, fresh_report(bench, SETTLES_S), "which is off now")
        return criteria.over_limit(opened_s, off_a, limit_c, trips[0].value or limit_c)
    finally:
        stand.wish, stand.rehearsal = Wish.DISARMED, None
        bench.person.tell("  > Let go of it, and bury it where it was.")


def _tighten(stand: Stand, probe: str) -> float:
    """Begin the rehearsal: a copy of the state under a plan whose one limit is just over the reading; never higher."""
    plan, watch = stand.plan, stand.plan.watches[probe]
    now_c = stand.value(plan.name, probe)
    if now_c is None or watch.over is None:
        raise StepError(f"probe '{probe}' has not been heard")
    tight: Watch = replace(watch, over=min(now_c + REHEARSE_ABOVE_K, watch.over))
    rehearsed = replace(plan, watches={**plan.watches, probe: tight})
    stand.rehearsal = Keeper(rehearsed, stand.keeper.state.copy(), stand.keeper.heater)
    return tight.over or watch.over


def _rehearsed(stand: Stand) -> State:
    if stand.rehearsal is None:
        raise StepError("no rehearsal is going on")
    return stand.rehearsal.state


def _open_after_over(bench: Bench, probe: str, limit_c: float) -> float:
    """Return [s] from the first reading over the limit to the report of an open contact."""
    stand = bench.stand
    stand.until(lambda: _rehearsed(stand).probes[probe].over or stand.is_tripped, bench.patience.warm_s)
    seen = _rehearsed(stand).probes[probe]
    if not seen.over:
        why = (
            stand.order.because
            if stand.is_tripped
            else f"it reads {stand.value(stand.plan.name, probe) or 0.0:.1f} Cel"
        )
        raise StepError(f"'{probe}' did not pass {limit_c:.1f} Cel in time: {why}")
    opened(bench)
    return max(0.0, report_of(stand).arrived_s - seen.over_s)
