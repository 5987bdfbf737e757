"""The simulated enclosure keeps its books, its direction and its word."""

import json
import math
from itertools import pairwise
from typing import Any

import pytest

from controller.plant import Plant
from controller.plant.construction import TEXTURES, Construction, HeaterKind, Shape
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.sites import Site
from controller.plant.soil import SoilColumn
from controller.plant.weather import HourlyWeather, SpringWeather, Weather, WeatherNow
from controller.probe import Quantity

START_MS = 1_774_000_000_000
DAY_MS = 86_400_000
CABLE = Construction()
AIR = Construction(heater=HeaterKind.AIR_HEATER, rated_w=1200.0)
SITES = {
    "bed": Site(Quantity.SOIL, -0.10),
    "shallow": Site(Quantity.SOIL, -0.05),
    "low": Site(Quantity.AIR, 0.05),
    "ridge": Site(Quantity.AIR, 0.45),
    "outdoors": Site(Quantity.OUTSIDE),
    "damp": Site(Quantity.HUMIDITY, 0.2),
    "sun": Site(Quantity.LIGHT),
    "sun-inside": Site(Quantity.LIGHT, 0.2),
    "case": Site(Quantity.HEATER_SURFACE),
    "amps": Site(Quantity.CURRENT),
    "relay": Site(Quantity.CONTACT),
}


class Steady:
    """Weather that never changes."""

    def __init__(self, outside_c: float = 0.0, ghi_w_m2: float = 0.0) -> None:
        self._now = WeatherNow(outside_c, ghi_w_m2, 3.0, 85.0, 0.5)

    def at(self, utc_ms: int) -> WeatherNow:
        """Return it."""
        return self._now


def spring(seed: int = 3, **more: Any) -> SpringWeather:
    """Return a spring at Tarn Hollow."""
    return SpringWeather(seed, 54.5, -3.0, START_MS, **more)


def plant(construction: Construction = CABLE, weather: Weather | None = None, **more: Any) -> EnclosurePlant:
    """Return an enclosure in steady cold unless told otherwise."""
    return EnclosurePlant(construction, weather or Steady(), SITES, START_MS, **more)


def run(subject: Plant, hours: float, step_s: float, heater_on: bool) -> None:
    """Advance in equal steps."""
    for _ in range(round(hours * 3600.0 / step_s)):
        subject.advance(step_s, heater_on)


@pytest.mark.parametrize("construction", [CABLE, AIR])
def test_energy_is_rated_power_times_time_on(construction: Construction) -> None:
    """Only time with the contact closed counts."""
    subject = plant(construction)
    run(subject, 1.0, 10.0, True)
    run(subject, 1.0, 10.0, False)
    assert subject.energy_j == pytest.approx(construction.rated_w * 3600.0, rel=1e-12)


def test_the_soil_column_conserves_energy() -> None:
    """What a column holds changes by what enters at skin and cable, less what leaves by edges and bottom."""
    soil = SoilColumn(1.4, 3.1e6, surface_c=4.0, deep_c=9.5, edge_w_m3k=6.0, cable_depth_m=0.12)
    soil.factor(10.0, 6.0, 3.0)
    soil.drive(-10.0, 3.0)
    before, entered = soil.content_j_m2(), 0.0
    for _ in range(8640):
        soil.eliminate(50.0, 80.0)
        soil.substitute(5.0)
        skin = 50.0 + 6.0 * (5.0 - soil.skin_c) + 3.0 * (-10.0 - soil.skin_c)
        entered += (skin + 80.0 - soil.lost_w_m2()) * 10.0
    assert abs(entered) > 1e5
    assert soil.content_j_m2() - before == pytest.approx(entered, rel=1e-3)


@pytest.mark.parametrize("construction", [CABLE, AIR])
def test_the_whole_enclosure_conserves_energy(construction: Construction) -> None:
    """Over two days of spring with the heater cycling, held heat changes by the sum of gains and losses."""
    subject = plant(construction, spring())
    before, gained, traffic = subject.content_j(), 0.0, 0.0
    for tick in range(2 * 8640):
        subject.advance(10.0, tick % 180 < 60)
        gained += subject.gained_w() * 10.0
        traffic += abs(subject.gained_w()) * 10.0
    assert subject.content_j() - before == pytest.approx(gained, abs=1e-3 * traffic)


@pytest.mark.parametrize("construction", [CABLE, AIR])
def test_heat_warms_soil_air_and_heater(construction: Construction) -> None:
    """After a night with heat every inside place is warmer than without."""
    warm, cold = plant(construction), plant(construction)
    run(warm, 12.0, 60.0, True)
    run(cold, 12.0, 60.0, False)
    assert warm.soil_c(0.1) > cold.soil_c(0.1) + 1.0
    assert warm.air_c > cold.air_c + 0.5
    assert warm.surface_c > cold.surface_c + 8.0


@pytest.mark.parametrize("construction", [CABLE, AIR, Construction(texture=TEXTURES["peat-dry"], cable_depth_m=0.05)])
@pytest.mark.parametrize("step_s", [1.0, 10.0, 60.0])
def test_every_step_length_gives_the_same_night(construction: Construction, step_s: float) -> None:
    """Six hours in 1, 10 or 60 s steps end within 0.2 K of 5 s steps."""
    subject, finer = plant(construction, spring()), plant(construction, spring())
    run(subject, 6.0, step_s, True)
    run(finer, 6.0, 5.0, True)
    assert subject.soil_c(0.1) == pytest.approx(finer.soil_c(0.1), abs=0.05)
    assert subject.air_c == pytest.approx(finer.air_c, abs=0.2)


def test_a_long_step_is_cut_up() -> None:
    """One step of an hour is sixty of a minute."""
    once, often = plant(), plant()
    once.advance(3600.0, True)
    run(often, 1.0, 60.0, True)
    assert once.soil_c(0.1) == often.soil_c(0.1)


@pytest.mark.parametrize("seconds", [0.0, -1.0, math.nan, math.inf])
def test_time_that_does_not_pass_is_refused(seconds: float) -> None:
    """Only a finite step above 0 is taken."""
    with pytest.raises(ValueError, match="cannot advance"):
        plant().advance(seconds, False)


@pytest.mark.parametrize("construction", [CABLE, AIR])
def test_a_restored_state_goes_on_identically(construction: Construction) -> None:
    """Through JSON text and in the middle of a minute, the twin gives the same readings bit for bit."""
    subject = plant(construction, spring(), seed=5)
    for tick in range(1003):
        subject.advance(10.0, tick % 3 == 0)
        subject.probes()
    subject.airflow, subject.vent = 0.6, 2.0
    subject.advance(10.0, True)
    twin = plant(construction, spring(), seed=5)
    twin.restore(json.loads(json.dumps(subject.state())))
    for tick in range(500):
        subject.advance(7.0, tick % 2 == 0)
        twin.advance(7.0, tick % 2 == 0)
        assert subject.probes() == twin.probes()
    assert subject.state() == twin.state()


def test_a_cable_of_450_watts_lifts_a_small_tunnel_by_about_ten_kelvin() -> None:
    """83 W/m2 in steady cold: 10 cm soil ends 8-13 K above the unheated twin, the sheath 8-20 K above its layer.

    Retail sizing tables promise 11-13 K for 78-111 W/m2.
    """
    warm, cold = plant(soil_c=5.0), plant(soil_c=5.0)
    run(warm, 14 * 24.0, 60.0, True)
    run(cold, 14 * 24.0, 60.0, False)
    assert 8.0 < warm.soil_c(0.10) - cold.soil_c(0.10) < 13.0
    assert 8.0 < warm.surface_c - warm.soil.cable_layer_c < 20.0


def test_a_fan_heater_case_runs_hot_only_without_air() -> None:
    """Normal: 20-30 K above the air. At a fifth of the airflow it passes 70 Cel within ten minutes."""
    subject = plant(AIR, Steady(8.0))
    run(subject, 1.0, 10.0, True)
    assert 20.0 < subject.surface_c - subject.air_c < 30.0
    subject.airflow = 0.2
    run(subject, 1 / 6, 10.0, True)
    assert subject.surface_c > 70.0


def test_a_vent_cools() -> None:
    """Ten more air changes an hour leave heated air colder."""
    shut, aired = plant(AIR), plant(AIR)
    aired.vent = 10.0
    run(shut, 2.0, 10.0, True)
    run(aired, 2.0, 10.0, True)
    assert aired.air_c < shut.air_c - 0.5


def test_on_a_clear_night_inside_may_be_colder_than_outside() -> None:
    """Under dry film the sky draws the unheated air below outdoors (Sugiyama 1967): no probe fault."""
    clear = HourlyWeather([START_MS], [5.0], latitude=0.0, longitude=0.0, cloud=[0.0])
    subject = EnclosurePlant(Construction(texture=TEXTURES["peat-moist"]), clear, SITES, START_MS, soil_c=5.0)
    start_c = min(_air_each_minute(subject, 1440))
    assert start_c < 5.0


def _air_each_minute(subject: EnclosurePlant, minutes: int) -> list[float]:
    air_c = []
    for _ in range(minutes):
        subject.advance(60.0, False)
        air_c.append(subject.air_c)
    return air_c


def test_the_same_seed_gives_the_same_day_and_another_does_not() -> None:
    """Weather and noise follow their seeds alone."""
    days = []
    for weather_seed, noise_seed in ((1, 1), (1, 1), (2, 1), (1, 2)):
        subject = plant(CABLE, spring(weather_seed), seed=noise_seed)
        run(subject, 24.0, 60.0, False)
        days.append(subject.probes())
    assert days[0] == days[1]
    assert spring(1).at(START_MS + DAY_MS // 2) != spring(2).at(START_MS + DAY_MS // 2)
    assert days[2] != days[0]
    assert days[3] != days[0]


def test_probes_speak_in_their_own_units_and_steps() -> None:
    """Every site is answered; temperatures come in steps of 1/16 K; current is power over 230 V."""
    subject = plant(CABLE, Steady(5.0, 400.0))
    subject.advance(10.0, True)
    readings = subject.probes()
    assert readings.keys() == SITES.keys()
    for name in ("bed", "shallow", "low", "ridge", "outdoors", "case"):
        assert readings[name] * 16.0 == round(readings[name] * 16.0)
    assert readings["amps"] == pytest.approx(450.0 / 230.0)
    assert (readings["relay"], readings["sun"], readings["sun-inside"]) == (1.0, 400.0, pytest.approx(340.0))
    assert 0.0 < readings["damp"] <= 100.0
    subject.advance(10.0, False)
    assert (subject.probes()["amps"], subject.probes()["relay"]) == (0.0, 0.0)


def test_sunny_air_is_warmer_under_the_ridge() -> None:
    """With sun the ridge probe reads above the low one, by less than 5 K."""
    subject = plant(CABLE, Steady(5.0, 600.0))
    run(subject, 2.0, 10.0, False)
    readings = subject.probes()
    assert 1.0 < readings["ridge"] - readings["low"] < 5.0


def test_a_soil_probe_lags_by_its_time_constant() -> None:
    """On a steady ramp a probe of 60 s is late by the ramp times 60 s."""
    subject = plant(AIR, noise_k=0.0)
    run(subject, 2.0, 10.0, True)
    before_c = subject.soil_c(0.05)
    run(subject, 1.0, 10.0, True)
    ramp_k_s = (subject.soil_c(0.05) - before_c) / 3600.0
    assert subject.soil_c(0.05) - subject.probes()["shallow"] == pytest.approx(60.0 * ramp_k_s, abs=0.04)


def test_spring_is_smooth_sunlit_by_day_and_dark_by_night() -> None:
    """Over a fortnight no minute jumps by more than 0.2 K or 40 W/m2, nights are dark, noons are not."""
    weather = spring(11)
    hours = [weather.at(START_MS + minute * 60_000) for minute in range(14 * 1440)]
    steps = list(pairwise(hours))
    assert max(abs(b.outside_c - a.outside_c) for a, b in steps) < 0.2
    assert max(abs(b.ghi_w_m2 - a.ghi_w_m2) for a, b in steps) < 40.0
    assert min(now.ghi_w_m2 for now in hours) == 0.0
    assert 300.0 < max(now.ghi_w_m2 for now in hours) < 900.0
    assert all(0.0 <= now.cloud <= 1.0 and now.wind_m_s > 0.0 and 0.0 < now.humidity_pct <= 100.0 for now in hours)
    assert -15.0 < sum(now.outside_c for now in hours) / len(hours) < 15.0


def test_a_cold_snap_and_sunny_days_come_when_asked() -> None:
    """Day 3-5 is 8 K colder than without; day 6 has hardly a cloud; other days are untouched."""
    plain, asked = spring(), spring(cold_snap=(3, 5, 8.0), sunny_days=(6,))
    four, six, nine = (START_MS + round(day * DAY_MS) for day in (4.0, 6.5, 9.0))
    assert plain.at(four).outside_c - asked.at(four).outside_c == pytest.approx(8.0)
    assert asked.at(six).cloud == pytest.approx(0.03)
    assert asked.at(nine) == plain.at(nine)


def test_hourly_records_are_joined_by_straight_lines_and_held_at_the_ends() -> None:
    """Half past is half way; before and after the records the nearest holds."""
    weather = HourlyWeather([0, 3_600_000], [2.0, 6.0], latitude=54.5, longitude=-3.0, humidity_pct=[80.0, 60.0])
    assert [weather.at(t).outside_c for t in (-5, 0, 1_800_000, 3_600_000, 9_000_000)] == [2.0, 2.0, 4.0, 6.0, 6.0]
    assert weather.at(1_800_000).humidity_pct == pytest.approx(70.0)


@pytest.mark.parametrize(
    ("times_ms", "outside_c"),
    [([], []), ([0, 0], [1.0, 2.0]), ([0, 1], [1.0]), ([0], [math.nan]), ([2, 1], [1.0, 1.0])],
)
def test_bad_hourly_records_are_refused(times_ms: list[int], outside_c: list[float]) -> None:
    """Records must exist, rise, match and be finite."""
    with pytest.raises(ValueError, match="weather"):
        HourlyWeather(times_ms, outside_c, latitude=54.5, longitude=-3.0)


@pytest.mark.parametrize(
    "fault",
    [
        {"length_m": 0.0},
        {"rated_w": math.nan},
        {"light_transmission": 1.1},
        {"film_u_w_m2k": 12.0},
        {"air_changes_h": -0.1},
        {"cable_depth_m": 0.02},
        {"cable_depth_m": 1.01},
        {"soil_light": 0.8, "contents_light": 0.3},
    ],
)
def test_an_impossible_construction_is_refused(fault: dict[str, float]) -> None:
    """Sizes are positive, fractions lie within 0-1, and the U value leaves room for its surface films."""
    with pytest.raises(ValueError, match="|".join(fault)):
        Construction(**fault)  # type: ignore[arg-type]


@pytest.mark.parametrize("shape", list(Shape))
@pytest.mark.parametrize("construction", [CABLE, AIR])
def test_every_shape_lives_through_a_fortnight(shape: Shape, construction: Construction) -> None:
    """Inside stays within believable bounds under an on/off thermostat in spring."""
    made = Construction(
        length_m=6.0,
        width_m=2.4,
        height_m=2.0,
        shape=shape,
        heater=construction.heater,
        rated_w=2000.0,
        film_u_w_m2k=3.5,
    )
    subject = plant(made, spring(4, cold_snap=(4, 8, 8.0)))
    for _ in range(14 * 1440):
        subject.advance(60.0, subject.soil_c(0.1) < 15.0)
        assert -20.0 < subject.air_c < 60.0
    assert 10.0 < subject.soil_c(0.1) < 25.0
