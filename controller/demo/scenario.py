"""Tarn Hollow: the demo's invented site. Prices, weather and faults here are made by seed, and its name says so."""

import random
from dataclasses import replace

from controller.demo.season import STATION_FILE
from controller.enclosure_settings import Enclosure
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.from_settings import construction_of, plant_of
from controller.plant.weather import SpringWeather

HISTORY_DAYS = 21
OPENED_ABOVE_C, OPENED_PER_K, WIDE_OPEN = 20.0, 5.0, 150.0
"""[Cel], [1/h per K] and [1/h]: the warmer it is under the film, the wider somebody opens it."""
TICK_S = 120.0
"""[s] Tick of the computed history: coarser than live, the same code."""
SEED = 462
LATITUDE, LONGITUDE = 46.2, 8.4
ZONE = "Europe/Zurich"
COLD_SNAP = (12.0, 15.0, 7.0)
SUNNY_DAYS = (6, 17)
COVERED_NIGHT = 13
"""Day of the history in whose small hours leaves lie on the glasshouse heater's intake."""
SHUT_DAY = 6
"""Sunny day on which nobody opens larch and it gets too warm."""
DAY_MS = 86_400_000

_PROBES = """
[[enclosure.probe]]
name = "soil-10"
quantity = "soil"
depth_m = 0.10
[[enclosure.probe]]
name = "soil-25"
quantity = "soil"
depth_m = 0.25
[[enclosure.probe]]
name = "air-low"
quantity = "air"
height_m = 0.10
[[enclosure.probe]]
name = "air-ridge"
quantity = "air"
height_m = {ridge}
[[enclosure.probe]]
name = "outside"
quantity = "outside"
height_m = 1.5
[[enclosure.probe]]
name = "{surface}"
quantity = "heater-surface"
{surface_place}
[[enclosure.probe]]
name = "current"
quantity = "current"
[[enclosure.probe]]
name = "contact"
quantity = "contact"
"""

FIRST_LINE = "# Tarn Hollow, an invented site: weather, prices and events are made up."
"""What a demo's settings begin with, and are known again by."""

_HEAD = """
[site]
name = "Tarn Hollow (invented)"
time_zone = "{zone}"
latitude = {latitude}
longitude = {longitude}
altitude_m = 640
price_per_kwh = 0.31
currency = "EUR"

[broker]
kind = "embedded"
port = {broker_port}

[store]
folder = "."
journal_key_file = "keys/journal.key"

[web]
port = {web_port}

[season]
station_file = "{station_file}"
"""

_ENCLOSURE = """
[[enclosure]]
name = "{name}"
title = "{title}"
[enclosure.shape]
kind = "{shape}"
length_m = {length}
width_m = {width}
height_m = {height}
cover = "{cover}"
soil = "loam"
[enclosure.heater]
kind = "{kind}"
rated_w = {watts}
key_file = "keys/{name}.key"
{depth}
{limits}
[[enclosure.schedule]]
from = "01-01"
set_point = {set_point}
"""

ENCLOSURES: tuple[dict[str, object], ...] = (
    {
        "name": "larch", "title": "young figs", "shape": "tunnel", "length": 6.0, "width": 0.9, "height": 0.8,
        "cover": "film", "kind": "soil-cable", "watts": 600, "depth": "depth_m = 0.14", "set_point": 16.0,
        "limits": "[enclosure.limits]\nair_no_heat = 35.0",
    },
    {
        "name": "elder", "title": "figs trained low", "shape": "tunnel", "length": 7.0, "width": 1.0, "height": 0.6,
        "cover": "thin film", "kind": "soil-cable", "watts": 700, "depth": "depth_m = 0.14", "set_point": 14.0,
        "limits": "",
    },
    {
        "name": "southwall", "title": "sweet-potato slips and a potted lemon", "shape": "glasshouse", "length": 2.4,
        "width": 1.8, "height": 2.1, "cover": "glass", "kind": "air-heater", "watts": 1500, "depth": "",
        "set_point": 13.0, "limits": "",
    },
)  # fmt: skip


def settings_text(broker_port: int, web_port: int) -> str:
    """Write the demo's `soilward.toml`."""
    ports = {"broker_port": broker_port, "web_port": web_port}
    text = FIRST_LINE + _HEAD.format(
        zone=ZONE, latitude=LATITUDE, longitude=LONGITUDE, station_file=STATION_FILE, **ports
    )
    for each in ENCLOSURES:
        cable = each["kind"] == "soil-cable"
        text += _ENCLOSURE.format(**each)
        text += _PROBES.format(
            ridge=round(float(str(each["height"])) - 0.1, 2),
            surface="cable" if cable else "heater-case",
            surface_place="depth_m = 0.14" if cable else "height_m = 0.4",
        )
    return text


def weather(start_ms: int) -> SpringWeather:
    """Return the site's weather from the start of the history [ms UTC] on: always an early spring."""
    return SpringWeather(
        SEED, LATITUDE, LONGITUDE, start_ms, season_day=70.0, cold_snap=COLD_SNAP, sunny_days=SUNNY_DAYS
    )


def plant_for(enclosure: Enclosure, start_ms: int) -> EnclosurePlant:
    """Return the simulated enclosure as it stands at the start of the history [ms UTC]."""
    built = construction_of(enclosure)
    if enclosure.name == "larch":
        # Dark mulch, dry, and opened by hand: what a tunnel needs to get too warm on a bright day.
        built = replace(built, vent_opens_c=None, contents_light=0.75, soil_light=0.2, wet_fraction=0.0)
    return plant_of(enclosure, weather(start_ms), start_ms, seed_for(enclosure.name), built)


def let_happen(name: str, plant: EnclosurePlant, start_ms: int) -> None:
    """Let the story act on a plant: leaves on an intake one night, a tunnel that nobody opens one sunny day."""
    days = plant.utc_ms // DAY_MS - start_ms // DAY_MS
    hour = plant.utc_ms % DAY_MS / 3_600_000
    since_start = (plant.utc_ms - start_ms) // DAY_MS
    if name == "southwall":
        plant.airflow = 0.04 if days == COVERED_NIGHT and 1.0 <= hour < 6.0 else 1.0
    if name == "larch":
        opened = min(max(OPENED_PER_K * (plant.air_c - OPENED_ABOVE_C), 0.0), WIDE_OPEN)
        plant.vent = 0.0 if since_start == SHUT_DAY else opened


def keeper_comes(plant: EnclosurePlant, start_ms: int) -> bool:
    """Whether the keeper stands in front of the heater now: breakfast after the night of the leaves."""
    days = plant.utc_ms // DAY_MS - start_ms // DAY_MS
    return days == COVERED_NIGHT and 6.5 <= plant.utc_ms % DAY_MS / 3_600_000 < 6.6


def seed_for(name: str) -> int:
    """Return the noise seed of one enclosure's probes."""
    return random.Random(f"{SEED} {name}").randrange(2**31)
