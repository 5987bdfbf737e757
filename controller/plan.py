"""One enclosure's settings, made ready for the tick."""

import math
import statistics
from dataclasses import dataclass, field

from controller.control.cycle import CycleTimes
from controller.control.model_of import model_of
from controller.control.pid import Gains
from controller.control.schedule import Schedule, starts_of
from controller.control.tuned import Tuned, tuned_by
from controller.enclosure_settings import Control, Enclosure, ProbeSettings
from controller.expected import Expected, expected_of
from controller.pairs import pairs_of
from controller.plant.construction import USUAL_DEPTH_M
from controller.plant.from_settings import construction_of
from controller.probe import Quantity
from controller.probe_state import Watch
from controller.safety import limits
from controller.safety.interlock import Permissive, held
from controller.settings import Settings

CONTROL_PERIOD_S = 30.0
"""[s] How often the duty is computed, and heat compared with warmth. Soil answers in hours; a window of half an hour
takes a duty of its own instant. Source: engineering judgement."""
SHY_OF_TRIP_K = 1.0
"""[K] No soil is heated so near its trip, which settings may have lowered: what a cable still holds must not latch.
Source: engineering judgement."""

_BY_QUANTITY = {
    "soil": Quantity.SOIL,
    "air": Quantity.AIR,
    "surface": Quantity.HEATER_SURFACE,
    "outside": Quantity.OUTSIDE,
    "light": Quantity.LIGHT,
}


@dataclass(frozen=True, slots=True)
class Plan:
    """What the tick needs and never changes while it runs.

    Parameters
    ----------
    tick_s
        [s] nominal time between ticks; a gap is three of these, at least 3 s.
    tuned
        The model from geometry, and what follows from it, until the planner has learnt a better one.
    own_gains
        Gains that settings name; they go before the model's.
    steepest_k_per_min
        [K/min] that air may rise with heat on, by what a proof test measured; None: only the fixed limit holds.
    soil, air, surface, outside, light, pairs, telling
        The watches by what they watch, those that should agree, and those that tell whether the heater is on.
    warmed
        Those of what the heater warms: soil, air and its own surface.
    permitting
        Permissives that hold while one at least of these watches is heard and believed.
    warmest_c
        [Cel] above which soil is not heated: so near the lowest of its trips.
    longest_gap_s
        [s] A longer time between ticks means control was away.
    """

    name: str
    tick_s: float
    latitude: float
    longitude: float
    rated_w: float
    volts: float
    lease_s: float
    node_reports: bool
    watches: dict[str, Watch]
    expected: Expected
    proof_every_days: float
    air_no_heat_c: float
    highest_set_point_c: float
    floor_c: float
    tuned: Tuned
    own_gains: Gains | None
    ramp_k_per_h: float
    times: CycleTimes
    schedule: Schedule
    steepest_k_per_min: float | None = None
    soil: tuple[Watch, ...] = field(init=False)
    air: tuple[Watch, ...] = field(init=False)
    surface: tuple[Watch, ...] = field(init=False)
    outside: tuple[Watch, ...] = field(init=False)
    light: tuple[Watch, ...] = field(init=False)
    pairs: tuple[tuple[Watch, Watch], ...] = field(init=False)
    warmed: tuple[Watch, ...] = field(init=False)
    telling: tuple[Watch, ...] = field(init=False)
    permitting: tuple[tuple[Permissive, tuple[Watch, ...]], ...] = field(init=False)
    warmest_c: float = field(init=False)
    longest_gap_s: float = field(init=False)

    def __post_init__(self) -> None:
        watches = self.watches.values()
        for name, quantity in _BY_QUANTITY.items():
            object.__setattr__(self, name, tuple(each for each in watches if each.quantity is quantity))
        object.__setattr__(self, "pairs", pairs_of(watches))
        object.__setattr__(self, "warmed", (*self.soil, *self.air, *self.surface))
        telling = tuple(each for each in watches if each.quantity in (Quantity.CONTACT, Quantity.CURRENT))
        object.__setattr__(self, "telling", telling)
        surfaces = ((held(f"{each.name} heard"), (each,)) for each in self.surface)
        air = ((held("air heard"), self.air),) if self.air else ()
        object.__setattr__(self, "permitting", ((held("soil heard"), self.soil), *surfaces, *air))
        trips_c = [each.over - SHY_OF_TRIP_K for each in self.soil if each.over is not None]
        object.__setattr__(self, "warmest_c", min(trips_c, default=math.inf))
        object.__setattr__(self, "longest_gap_s", max(limits.LONGEST_GAP_S, 3 * self.tick_s))


def plan_for(settings: Settings, enclosure: Enclosure, tick_s: float = limits.TICK_S) -> Plan:
    """Prepare the plan of one enclosure."""
    watches = {each.name: _watch(enclosure, each) for each in enclosure.probe}
    control = enclosure.control
    depths_m = _soil_depths_m(enclosure)
    built = construction_of(enclosure)
    tuned = tuned_by(model_of(built, control_depth_m(enclosure)))
    longest = limits.LONGEST_CLOSING_S - 2 * limits.RENEW_EVERY_S
    return Plan(
        name=enclosure.name,
        tick_s=tick_s,
        latitude=settings.site.latitude,
        longitude=settings.site.longitude,
        rated_w=enclosure.heater.rated_w,
        volts=enclosure.heater.volts,
        lease_s=enclosure.heater.lease_s,
        node_reports=enclosure.heater.relay == "node",
        watches=watches,
        expected=expected_of(built, depths_m),
        proof_every_days=enclosure.limits.proof_every_days,
        air_no_heat_c=enclosure.limits.air_no_heat,
        highest_set_point_c=enclosure.limits.highest_set_point,
        floor_c=control.floor,
        tuned=tuned,
        own_gains=_own_gains(control, tuned.gains),
        ramp_k_per_h=control.ramp_k_per_h,
        times=CycleTimes(
            control.window_s, control.least_on_s, control.least_off_s, longest, limits.REST_AFTER_LONGEST_S, tick_s
        ),
        schedule=_schedule(settings, enclosure),
    )


def _schedule(settings: Settings, enclosure: Enclosure) -> Schedule:
    entries = tuple((starts_of(each.starts), each.set_point, each.ramp_h) for each in enclosure.schedule)
    return Schedule(entries, settings.site.zone)


def _own_gains(control: Control, usual: Gains) -> Gains | None:
    """Return the gains that settings name, each alone or both, or None."""
    if control.gain_per_k is None and control.integral_h is None:
        return None
    integral_s = usual.integral_s if control.integral_h is None else control.integral_h * 3600
    return Gains(control.gain_per_k or usual.gain_per_k, integral_s)


def control_depth_m(enclosure: Enclosure) -> float:
    """[m] where the control value is measured."""
    depths_m = _soil_depths_m(enclosure)
    return statistics.median(depths_m) if depths_m else USUAL_DEPTH_M


def _soil_depths_m(enclosure: Enclosure) -> list[float]:
    """[m] depths of the soil probes."""
    return [each.depth_m for each in enclosure.of(Quantity.SOIL) if each.depth_m is not None]


def _watch(enclosure: Enclosure, probe: ProbeSettings) -> Watch:
    own = enclosure.limits
    over = {
        Quantity.SOIL: (own.soil_trip, min(limits.SOIL_TRIP_AT_ONCE_C, own.soil_trip + 5)),
        Quantity.AIR: (own.air_fire, None),
        Quantity.HEATER_SURFACE: (own.heater_surface, None),
    }.get(probe.quantity, (None, None))
    return Watch(probe.name, probe.quantity, probe.level_m, probe.period_s, probe.stale_after_s, *over)
