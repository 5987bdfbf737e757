"""The real tick against a simulated enclosure, on a manual clock: the door for every claim about control."""

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import TYPE_CHECKING, Final

from controller import enclosure as tick
from controller.clock import Moment
from controller.control.foresight import Foresight
from controller.control.outlook import Forecaster, Outlook
from controller.enclosure_settings import Enclosure
from controller.plan import Plan, plan_for
from controller.plant import Plant
from controller.probe import Quantity, Reading
from controller.settings import Settings
from controller.standing import Standing
from controller.state import Inputs, NodeReport, State
from controller.store.requests import Request

if TYPE_CHECKING:
    from controller.planning.rehearsal import Rehearsal

FLICKER, FLICKER_EVERY_S = 1e-4, 600.0
"""[K] and [s]: far below a sensor's step, and a whole number of the grid that a record keeps values on."""


@dataclass(frozen=True, slots=True)
class Trace:
    """What happened, sample by sample; all arrays have one length. Times [s] from the start, temperatures [Cel]."""

    at_s: list[float] = field(default_factory=list)
    set_point_c: list[float] = field(default_factory=list)
    soil_c: list[float] = field(default_factory=list)
    air_c: list[float] = field(default_factory=list)
    duty: list[float] = field(default_factory=list)
    heater_on: list[bool] = field(default_factory=list)


@dataclass(slots=True)
class Ticked:
    """One tick of a run: when, what was decided, the state after it, and what the probes said."""

    now: Final[Moment]
    decision: Final[tick.Decision]
    state: Final[State]
    values: Final[Mapping[str, float]]
    report: Final[NodeReport]


class Run:
    """A simulated enclosure and its controller, ticking together.

    Parameters
    ----------
    start
        First instant; both clocks are manual.
    standing
        Armed or not, latched trips; by default armed.
    """

    def __init__(
        self, plan: Plan, plant: Plant, start: Moment, standing: Standing | None = None, tick_s: float = 10.0
    ) -> None:
        self.plan, self.plant, self.now, self.tick_s = plan, plant, start, tick_s
        self.state = tick.start(plan, standing if standing is not None else Standing(armed=True))
        self.on = False
        self.armed = False
        self.foresight: Foresight | None = None
        self._exact = {name for name, watch in plan.watches.items() if watch.quantity is Quantity.CONTACT}
        self._full_a = plan.rated_w / plan.volts

    def once(self, requests: tuple[Request, ...] = ()) -> Ticked:
        """Advance the plant by one tick, read its probes, and decide."""
        self.plant.advance(self.tick_s, self.on)
        now = self.now = self.now.later(self.tick_s)
        values = said = self.plant.probes()
        name, mono_s, utc_ms = self.plan.name, now.mono_s, now.utc_ms
        # A plant's thermometers may be perfect; a trembling of the fourth digit keeps them from looking stuck.
        if mono_s % FLICKER_EVERY_S < self.tick_s:
            said = {probe: value if probe in self._exact else value + FLICKER for probe, value in values.items()}
        readings = [Reading(name, probe, value, utc_ms, utc_ms, mono_s) for probe, value in said.items()]
        amps, left_s = (self._full_a, 15.0) if self.on else (0.0, 0.0)
        report = NodeReport(mono_s, utc_ms, self.on, self.armed, left_s, amps, 0, mono_s)
        self.state, decision = tick.step(
            self.plan, self.state, Inputs(tuple(readings), (report,), requests, foresight=self.foresight), now
        )
        self.on, self.armed = decision.order.on, decision.order.armed
        return Ticked(now, decision, self.state, values, report)

    def many(self, seconds: float) -> Iterator[Ticked]:
        """Tick for `seconds` [s]."""
        for _ in range(round(seconds / self.tick_s)):
            yield self.once()


def coarse(plan: Plan, tick_s: float) -> Plan:
    """Return the plan with probes that speak as often as a coarse tick, so that none looks stale or hurried."""
    watches = {
        name: replace(watch, period_s=tick_s, stale_after_s=max(watch.stale_after_s, 3 * tick_s + 5))
        for name, watch in plan.watches.items()
    }
    return replace(plan, watches=watches)


def simulate(
    settings: Settings,
    enclosure: str | Enclosure,
    plant: Plant,
    start: int | datetime,
    seconds: float,
    tick_s: float = 10.0,
    forecast: Outlook | Forecaster | None = None,
    foresight: bool = True,
    heard: Callable[[Ticked], None] | None = None,
) -> Trace:
    """Run the real tick against a plant.

    Parameters
    ----------
    start
        [ms] UTC, or a time with an offset.
    seconds, tick_s
        [s] how long, and the time between ticks.
    forecast
        What is expected outside: a series, or a function of the time [ms UTC] that gives what is known of it then.
    foresight
        Whether the planner works, learning nightly and planning every half hour; without it the loop is alone.
    heard
        Told of every tick.
    """
    chosen = settings.named(enclosure) if isinstance(enclosure, str) else enclosure
    if chosen is None:
        raise KeyError(f"no enclosure {enclosure!r} in settings")
    start_ms = start if isinstance(start, int) else round(start.timestamp() * 1000)
    plan = coarse(plan_for(settings, chosen, tick_s), tick_s)
    run = Run(plan, plant, Moment(0.0, start_ms), tick_s=tick_s)
    air = next((each.name for each in chosen.of(Quantity.AIR)), None)
    rehearsal = _rehearsal(chosen, plan, forecast) if foresight else None
    trace = Trace()
    for ticked in run.many(seconds):
        if rehearsal is not None:
            run.foresight = rehearsal.after(ticked)
        _note(trace, ticked, air)
        if heard is not None:
            heard(ticked)
    return trace


def _rehearsal(enclosure: Enclosure, plan: Plan, forecast: Outlook | Forecaster | None) -> "Rehearsal":
    from controller.planning.rehearsal import Rehearsal  # numpy and scipy only where someone plans

    return Rehearsal(enclosure, plan, forecast)


def _note(trace: Trace, ticked: Ticked, air: str | None) -> None:
    state, missing = ticked.state, math.nan
    trace.at_s.append(ticked.now.mono_s)
    trace.set_point_c.append(missing if state.asked_c is None else state.asked_c)
    trace.soil_c.append(missing if state.soil_c is None else state.soil_c)
    trace.air_c.append(missing if air is None else ticked.values[air])
    trace.duty.append(state.duty)
    trace.heater_on.append(ticked.decision.order.on)
