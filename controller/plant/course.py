"""What a simulated stretch of days came to: its samples beside the weather, day by day, and in a few sentences."""

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import groupby, pairwise
from zoneinfo import ZoneInfo

from controller.control.contact_life import life_words
from controller.plant.simulate import Ticked, Trace
from controller.plant.weather import Weather
from controller.settings import Site

BELOW_K = 0.5
"""[K] under its set point from which soil counts as too cold: a probe's own accuracy."""


@dataclass(frozen=True, slots=True)
class Course:
    """A trace, what was outside [Cel] at each of its samples, when it began, and the energy it took [J].

    `locked` says when a trip latched and why, or nothing: nobody is there to reset it, so no heat follows.
    """

    trace: Trace
    outside_c: list[float]
    start_ms: int
    tick_s: float
    energy_j: float
    locked: str = ""

    def local(self, site: Site, at_s: float) -> datetime:
        """Return the site's time `at_s` [s] after the start."""
        return (datetime.fromtimestamp(self.start_ms / 1000, UTC) + timedelta(seconds=at_s)).astimezone(site.zone)

    @property
    def below_h(self) -> float:
        """[h] the soil stood more than 0.5 K under its set point."""
        pairs = zip(self.trace.soil_c, self.trace.set_point_c, strict=True)
        return sum(soil < asked - BELOW_K for soil, asked in pairs) * self.tick_s / 3600.0

    @property
    def cycles(self) -> int:
        """Closings of the contact."""
        on = self.trace.heater_on
        return int(on[0]) + sum(after and not before for before, after in pairwise(on))


class Watcher:
    """Says when a simulated day has passed, and keeps when and why heat was first locked off."""

    def __init__(self, days: float, zone: ZoneInfo, say: Callable[[int, float], None]) -> None:
        self._days, self._zone, self._say = days, zone, say
        self._said, self.locked = 0, ""

    def hear(self, ticked: Ticked) -> None:
        """Take one tick in."""
        if ticked.now.mono_s >= (self._said + 1) * 86_400.0:
            self._said += 1
            self._say(self._said, self._days)
        if ticked.state.standing.trips and not self.locked:
            at = datetime.fromtimestamp(ticked.now.utc_ms / 1000, UTC).astimezone(self._zone)
            self.locked = f"no heat after {at:%Y-%m-%d %H:%M}: {ticked.state.standing.trips[0].detail}"


def course_of(trace: Trace, weather: Weather, start_ms: int, tick_s: float, energy_j: float, locked: str) -> Course:
    """Return a trace beside its weather."""
    outside_c = [weather.at(start_ms + round(at_s * 1000)).outside_c for at_s in trace.at_s]
    return Course(trace, outside_c, start_ms, tick_s, energy_j, locked)


def day_lines(course: Course, site: Site) -> Iterator[str]:
    """Yield a table of days in plain text; [Cel], [h]."""
    yield f"{'day':<10}  {'outside':>13}  {'air':>13}  {'soil':>13}  {'asked':>5}  {'heat h':>6}"
    trace = course.trace
    days: Callable[[int], date] = lambda place: course.local(site, trace.at_s[place] - course.tick_s).date()  # noqa: E731
    for day, places in groupby(range(len(trace.at_s)), days):
        rows = list(places)
        heat_h = sum(trace.heater_on[i] for i in rows) * course.tick_s / 3600.0
        spans = "  ".join(_span([values[i] for i in rows]) for values in (course.outside_c, trace.air_c, trace.soil_c))
        asked = trace.set_point_c[rows[-1]]
        yield f"{day}  {spans}  {'off' if math.isnan(asked) else f'{asked:.1f}':>5}  {heat_h:6.1f}"


def _span(values: list[float]) -> str:
    known = [value for value in values if not math.isnan(value)]
    return f"{min(known):5.1f} to {max(known):4.1f}" if known else f"{'none':>13}"


def summary_lines(course: Course, site: Site) -> Iterator[str]:
    """Yield energy and cost, time too cold, cycles, and the coldest soil, a sentence each."""
    if course.locked:
        yield course.locked
    days = len(course.trace.at_s) * course.tick_s / 86_400.0
    kwh = course.energy_j / 3.6e6
    cost = f", {kwh * site.price_per_kwh:.2f} {site.currency}" if site.price_per_kwh else ""
    yield f"energy: {kwh:.1f} kWh in {days:g} days{cost}"
    yield f"too cold: {course.below_h:.1f} h more than {BELOW_K:g} K below the set point"
    yield f"cycles: {course.cycles}, {life_words(course.cycles / days)}"
    known = [
        (soil, at_s) for soil, at_s in zip(course.trace.soil_c, course.trace.at_s, strict=True) if not math.isnan(soil)
    ]
    if known:
        soil_c, at_s = min(known)
        yield f"coldest soil: {soil_c:.1f} Cel, {course.local(site, at_s):%Y-%m-%d %H:%M}"
    else:
        yield "coldest soil: never known"
