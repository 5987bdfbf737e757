"""Nights in a simulated enclosure: its physics under the real tick, and faults between heater, soil and probes."""

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import Any

from controller import enclosure
from controller.clock import Moment
from controller.plan import Plan, plan_for
from controller.plant.construction import Construction
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.from_settings import construction_of
from controller.plant.simulate import coarse
from controller.plant.sites import Site
from controller.plant.weather import WeatherNow
from controller.probe import Reading
from controller.proving.commissioned import Answer, judged_by
from controller.safety.trip import Trip
from controller.standing import Standing
from controller.state import Inputs, NodeReport, State
from controller.store.journal import Entry
from tests.core_site import settings_of

DUSK_MS = round(datetime(2026, 12, 1, 16, tzinfo=UTC).timestamp() * 1000)
"""A quarter of an hour after sunset at Tarn Hollow; the sun is down for 15 h."""
NOON_MS = round(datetime(2026, 3, 10, 11, 30, tzinfo=UTC).timestamp() * 1000)

SOIL: dict[str, Any] = {"name": "soil", "quantity": "soil", "depth_m": 0.10}
DEEP: dict[str, Any] = {"name": "deep", "quantity": "soil", "depth_m": 0.25}
AIR: dict[str, Any] = {"name": "air", "quantity": "air", "height_m": 0.10}
OUTSIDE: dict[str, Any] = {"name": "outside", "quantity": "outside", "height_m": 1.5}
CASE: dict[str, Any] = {"name": "case", "quantity": "heater-surface"}
CABLE: dict[str, Any] = {"kind": "soil-cable", "rated_w": 600.0, "depth_m": 0.14}
FAN: dict[str, Any] = {"kind": "air-heater", "rated_w": 1500.0}
GLASS: dict[str, Any] = {"kind": "glasshouse", "length_m": 2.4, "width_m": 1.8, "height_m": 2.1, "cover": "glass"}

TICK_S = 30


@dataclass(slots=True)
class Outdoors:
    """Weather by functions of the hours since the start; steady, dark and overcast unless told."""

    outside_c: Callable[[float], float] = lambda _: 0.0
    ghi_w_m2: Callable[[float], float] = lambda _: 0.0
    cloud: float = 0.7
    wind_m_s: float = 2.0
    humidity_pct: float = 85.0
    start_ms: int = DUSK_MS

    def at(self, utc_ms: int) -> WeatherNow:
        """Return the weather at [ms] UTC."""
        hours = (utc_ms - self.start_ms) / 3_600_000
        return WeatherNow(self.outside_c(hours), self.ghi_w_m2(hours), self.wind_m_s, self.humidity_pct, self.cloud)


@dataclass(slots=True)
class Bed:
    """An enclosure's physics and its controller, in ticks of 30 s; no current sensor, so the node sees no faults.

    Parameters
    ----------
    soil_c, before
        [Cel] soil a while ago, and how many hours it has been heated since at which steady duty.
    says
        By probe: what it says instead, given what all probes would say; None for silence.
    heats
        Whether the heater really heats, given whether it is ordered to.
    happens
        What else befalls the plant, given the hours since the start.
    answer
        How the heat pulse of its last proof test was answered.
    """

    heater: dict[str, Any] = field(default_factory=lambda: dict(CABLE))
    shape: dict[str, Any] = field(default_factory=dict)
    probes: tuple[dict[str, Any], ...] = (SOIL, AIR, OUTSIDE)
    weather: Outdoors = field(default_factory=Outdoors)
    made: Callable[[Construction], Construction] = lambda built: built
    asked_c: float = 16.0
    soil_c: float = 8.0
    before: tuple[float, float] = (24.0, 0.5)
    noise_k: float = 0.02
    start_ms: int = DUSK_MS
    says: dict[str, Callable[[dict[str, float]], float | None]] = field(default_factory=dict)
    heats: Callable[[bool], bool] = lambda ordered: ordered
    happens: Callable[["Bed", float], None] = lambda _bed, _hours: None
    amps: float | None = None
    answer: Answer | None = None
    second: int = 0
    on_s: list[int] = field(default_factory=list)
    duties: list[float] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    plant: EnclosurePlant = field(init=False)
    plan: Plan = field(init=False)
    state: State = field(init=False)

    def __post_init__(self) -> None:
        settings = settings_of(*self.probes, heater=self.heater, shape=self.shape, control={"ramp_k_per_h": 20.0})
        chosen = settings.enclosure[0]
        self.plan = judged_by(coarse(plan_for(settings, chosen, float(TICK_S)), float(TICK_S)), chosen, self.answer)
        self.weather.start_ms = self.start_ms
        sites = {each.name: Site(each.quantity, each.level_m) for each in chosen.probe}
        hours, duty = self.before
        self.plant = EnclosurePlant(
            self.made(construction_of(chosen)), self.weather, sites, self.start_ms - round(hours * 3_600_000), seed=5,
            noise_k=self.noise_k, soil_c=self.soil_c, deep_c=9.0,
        )  # fmt: skip
        for minute in range(round(hours * 60)):
            self.plant.advance(60.0, (minute * duty) % 1.0 < duty)
        self.state = enclosure.start(self.plan, Standing(armed=True, override_c=self.asked_c))

    @property
    def hours(self) -> float:
        """[h] since the start."""
        return self.second / 3600

    @property
    def trips(self) -> tuple[Trip, ...]:
        """What is latched."""
        return self.state.standing.trips

    def ask(self, set_point_c: float) -> None:
        """Change what a person asks for."""
        self.state.standing = replace(self.state.standing, override_c=set_point_c)

    def run(self, hours: float) -> "Bed":
        """Tick on."""
        for _ in range(round(hours * 3600 / TICK_S)):
            self.tick()
        return self

    def tick(self) -> None:
        """Advance physics and controller by one tick."""
        ordered = self.state.order.on
        self.happens(self, self.hours)
        self.plant.advance(TICK_S, self.heats(ordered))
        self.second += TICK_S
        now = Moment(1000.0 + self.second, self.start_ms + self.second * 1000)
        real = self.plant.probes()
        told = {name: self.says[name](real) if name in self.says else value for name, value in real.items()}
        readings = tuple(
            Reading("larch", name, value, now.utc_ms, now.utc_ms, now.mono_s)
            for name, value in told.items() if value is not None
        )  # fmt: skip
        report = NodeReport(now.mono_s, now.utc_ms, ordered, True, 15.0 * ordered, self.amps, 0, now.mono_s)
        self.state, decision = enclosure.step(self.plan, self.state, Inputs(readings, (report,)), now)
        self.entries.extend(decision.entries)
        self.duties.append(self.state.duty)
        if decision.order.on:
            self.on_s.append(self.second)
