"""A season of a sound enclosure: whatever latches in it is a nuisance, and so is a crowd of alerts."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from copy import deepcopy
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from controller import enclosure
from controller.clock import Moment
from controller.enclosure_settings import Enclosure
from controller.load_settings import check
from controller.plan import Plan, plan_for
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.from_settings import construction_of
from controller.plant.simulate import coarse
from controller.plant.sites import Site
from controller.plant.weather import SpringWeather
from controller.probe import Reading
from controller.proving.commissioned import Answer, judged_by
from controller.settings import Settings
from controller.standing import Standing
from controller.state import Inputs, NodeReport, State
from controller.store.journal import Entry

START_MS = round(datetime(2026, 2, 1, tzinfo=UTC).timestamp() * 1000)
START_DAY_OF_YEAR = 32.0
LATITUDE, LONGITUDE = 46.2, 8.4
TICK_S = 60.0
DAY_S = 86_400
MOST_ALERTS_A_DAY = 6
"""Fewer than this many alerts a day are bearable for people who do other work. Source: engineering judgement."""
NOISE_K = 0.06
"""[K] one step of the usual 12-bit probe. Source: engineering judgement."""
COLD_SNAP = (3.0, 5.0, 8.0)
SUNNY_DAYS = (2, 30, 55, 56, 80, 81, 110)

SOIL: dict[str, Any] = {"name": "soil", "quantity": "soil", "depth_m": 0.10}
DEEP: dict[str, Any] = {"name": "deep", "quantity": "soil", "depth_m": 0.25}
AIR: dict[str, Any] = {"name": "air", "quantity": "air", "height_m": 0.10}
RIDGE: dict[str, Any] = {"name": "ridge", "quantity": "air", "height_m": 0.5}
OUTSIDE: dict[str, Any] = {"name": "outside", "quantity": "outside", "height_m": 1.5}
CASE: dict[str, Any] = {"name": "case", "quantity": "heater-surface"}

CABLE: dict[str, Any] = {"kind": "soil-cable", "rated_w": 600.0, "depth_m": 0.14}
FAN: dict[str, Any] = {"kind": "air-heater", "rated_w": 1500.0}
GLASS: dict[str, Any] = {
    "kind": "glasshouse", "length_m": 2.4, "width_m": 1.8, "height_m": 2.1, "cover": "glass", "soil": "loam",
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Built:
    """One sound enclosure.

    Parameters
    ----------
    shut
        Nobody opens it and it has no vent: dark, dry mulch in a shut tunnel, as hot in the sun as one gets.
    noise_k
        [K] of its probes; without any, the steps of 1/16 K stand still for long.
    lag_s
        [s] after which the heat pulse of its proof test was answered; None: never proved.
    slope_k_per_min
        [K/min] the air's steepest rise in that pulse, of an air heater.
    """

    heater: Mapping[str, Any]
    set_point_c: float
    probes: tuple[Mapping[str, Any], ...]
    shape: Mapping[str, Any] = field(default_factory=dict)
    shut: bool = False
    noise_k: float = NOISE_K
    lag_s: float | None = None
    slope_k_per_min: float | None = None


BUILT: dict[str, Built] = {
    "cable-ample": Built(CABLE, 16.0, (SOIL, AIR, OUTSIDE, CASE), shut=True),
    "cable-proved": Built(CABLE, 16.0, (SOIL, AIR, OUTSIDE, CASE), shut=True, lag_s=3270.0),
    "cable-short-of-power": Built(
        {**CABLE, "rated_w": 200.0}, 20.0, (SOIL, DEEP, AIR, RIDGE, OUTSIDE), {"cover": "thin film"}
    ),
    "air-heater": Built(FAN, 14.0, (SOIL, AIR, RIDGE, OUTSIDE, CASE), GLASS),
    "air-heater-proved": Built(
        FAN, 14.0, (SOIL, AIR, RIDGE, OUTSIDE, CASE), GLASS, shut=True, lag_s=80.0, slope_k_per_min=1.5
    ),
    "cable-in-sand": Built(CABLE, 18.0, (SOIL, AIR), {"soil": "sand"}, shut=True),
    "cable-in-peat": Built({**CABLE, "rated_w": 400.0}, 15.0, (SOIL, DEEP, OUTSIDE), {"soil": "peat"}),
    "cable-and-quiet-probes": Built(CABLE, 14.0, (SOIL, AIR, OUTSIDE, CASE), noise_k=0.0),
    "cable-alone": Built({**CABLE, "rated_w": 300.0, "depth_m": 0.25}, 18.0, (SOIL,)),
    "air-heater-short-of-power": Built({**FAN, "rated_w": 500.0}, 18.0, (SOIL, AIR, OUTSIDE), GLASS),
    "store": Built(
        {**FAN, "rated_w": 400.0}, 8.0, (SOIL, AIR, OUTSIDE),
        {"kind": "store", "cover": "opaque", "length_m": 4.0, "width_m": 3.0, "height_m": 2.2},
    ),
}  # fmt: skip


@dataclass(slots=True)
class Found:
    """What a season brought: (day, trip in words), alerts by day, and the hottest air [Cel]."""

    trips: list[tuple[float, str]] = field(default_factory=list)
    alerts: Counter[int] = field(default_factory=Counter)
    alert_names: Counter[str] = field(default_factory=Counter)
    hottest_air_c: float = -99.0
    heated_share: float = 0.0
    full_share: float = 0.0


def settings_of(built: Built) -> Settings:
    """Return checked settings."""
    larch = {
        "name": "larch",
        "heater": dict(built.heater),
        "shape": dict(built.shape),
        "probe": [dict(each) for each in built.probes],
        "schedule": [{"from": "01-01", "set_point": built.set_point_c}],
    }
    site = {"name": "Tarn Hollow", "time_zone": "Europe/Zurich", "latitude": LATITUDE, "longitude": LONGITUDE}
    return check({"site": site, "enclosure": [larch]}, Path("soilward.toml"))


def plant_for(built: Built, chosen: Enclosure, seed: int, start_ms: int) -> EnclosurePlant:
    """Return the enclosure under a spring of its own seed."""
    made = construction_of(chosen)
    if built.shut:
        made = replace(made, vent_opens_c=None, contents_light=0.75, soil_light=0.2, wet_fraction=0.0)
    weather = SpringWeather(
        seed, LATITUDE, LONGITUDE, START_MS, season_day=START_DAY_OF_YEAR, cold_snap=COLD_SNAP, sunny_days=SUNNY_DAYS
    )
    sites = {each.name: Site(each.quantity, each.level_m) for each in chosen.probe}
    return EnclosurePlant(made, weather, sites, start_ms, seed=seed, noise_k=built.noise_k)


@dataclass(slots=True)
class Life:
    """An armed enclosure within its season; a trip is noted and taken away, so that the next is seen too."""

    plan: Plan
    plant: EnclosurePlant
    state: State
    start_ms: int
    ticks: int
    lived: int = 0
    found: Found = field(default_factory=Found)

    def until(self, tick: float, heats: bool = True) -> Found:
        """Go on until a tick, or the end; without `heats` the contact closes as ever and the heater gives nothing."""
        while self.lived < self.ticks and self.lived + 1 < tick:
            self.lived += 1
            self.plant.advance(TICK_S, heats and self.state.order.on)
            now = Moment(self.lived * TICK_S, self.start_ms + round(self.lived * TICK_S * 1000))
            told = heard(self.plan, self.plant, self.state.order.on, now)
            self.state, decision = enclosure.step(self.plan, self.state, told, now)
            _note(self.found, self.state, decision.entries, self.plant, now, self.ticks)
            self.state.standing = replace(self.state.standing, trips=())
        return self.found


def begun(built: Built, seed: int, days: float, start_day: int = 0) -> Life:
    """Return an armed enclosure at the beginning of its season."""
    settings = settings_of(built)
    chosen, start_ms = settings.enclosure[0], START_MS + start_day * DAY_S * 1000
    plan = coarse(plan_for(settings, chosen, TICK_S), TICK_S)
    if built.lag_s is not None:
        rated_a = chosen.heater.rated_w / chosen.heater.volts
        plan = judged_by(plan, chosen, Answer(built.lag_s, rated_a, built.slope_k_per_min))
    state = enclosure.start(plan, Standing(armed=True, proved_ms=start_ms))
    return Life(plan, plant_for(built, chosen, seed, start_ms), state, start_ms, round(days * DAY_S / TICK_S))


def season(built: Built, seed: int, days: float, start_day: int = 0) -> Found:
    """Let an armed enclosure live through its season."""
    return begun(built, seed, days, start_day).until(math.inf)


def sound_and_dead(built: Built, seed: int, days: float, dies_day: float) -> tuple[Found, Found]:
    """Return what a season brings with a sound heater, and with one that is dead from a day on: one run until then."""
    sound = begun(built, seed, days)
    sound.until(dies_day * DAY_S / TICK_S)
    dead = replace(sound, **{part: deepcopy(getattr(sound, part)) for part in ("plant", "state", "found")})
    return sound.until(math.inf), dead.until(math.inf, heats=False)


def _note(found: Found, state: State, entries: Sequence[Entry], plant: EnclosurePlant, now: Moment, ticks: int) -> None:
    found.heated_share += state.order.on / ticks
    found.full_share += (state.duty >= 0.99) / ticks
    found.hottest_air_c = max(found.hottest_air_c, plant.air_c)
    found.trips += [(now.mono_s / DAY_S, each.detail) for each in state.standing.trips]
    for entry in entries:
        if entry.kind == "alert":
            found.alerts[int(now.mono_s // DAY_S)] += 1
            found.alert_names[str(entry.body["alert"])] += 1


def heard(plan: Plan, plant: EnclosurePlant, on: bool, now: Moment) -> Inputs:
    """Return what probes and a node without a current sensor say."""
    readings = tuple(
        Reading(plan.name, probe, value, now.utc_ms, now.utc_ms, now.mono_s) for probe, value in plant.probes().items()
    )
    return Inputs(readings, (NodeReport(now.mono_s, now.utc_ms, on, True, 15.0 * on, None, 0, now.mono_s),))
