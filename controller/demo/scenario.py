"""Tarn Hollow: the demo's invented site. Prices, weather and faults here are made by seed, and the pages say so."""

import random

from controller.plant.weather import SpringWeather

HISTORY_DAYS = 21
TICK_S = 30.0
"""[s] Tick of the computed history: coarser than live, the same code."""
SEED = 462
LATITUDE, LONGITUDE = 46.2, 8.4
ZONE = "Europe/Zurich"
COLD_SNAP = (12.0, 15.0, 7.0)
SUNNY_DAYS = (6, 17)
INTAKE_COVERED_DAY = 16
"""Day on which leaves lie on the glasshouse heater's intake, until somebody has looked."""
SHUT_DAY = 6
"""Sunny day on which larch stays shut and gets too warm."""

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

_HEAD = """# Tarn Hollow, an invented site: weather, prices and events are made up.
[site]
name = "Tarn Hollow"
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

[web]
port = {web_port}
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
[[enclosure.schedule]]
from = "01-01"
set_point = {set_point}
"""

ENCLOSURES: tuple[dict[str, object], ...] = (
    {
        "name": "larch", "title": "young figs", "shape": "tunnel", "length": 6.0, "width": 0.9, "height": 0.8,
        "cover": "film", "kind": "soil-cable", "watts": 450, "depth": "depth_m = 0.14", "set_point": 16.0,
    },
    {
        "name": "elder", "title": "figs trained low", "shape": "tunnel", "length": 7.0, "width": 1.0, "height": 0.6,
        "cover": "thin film", "kind": "soil-cable", "watts": 400, "depth": "depth_m = 0.14", "set_point": 14.0,
    },
    {
        "name": "southwall", "title": "sweet-potato slips and a potted lemon", "shape": "glasshouse", "length": 2.4,
        "width": 1.8, "height": 2.1, "cover": "glass", "kind": "air-heater", "watts": 1500, "depth": "",
        "set_point": 13.0,
    },
)  # fmt: skip


def settings_text(broker_port: int, web_port: int) -> str:
    """Write the demo's `soilward.toml`."""
    text = _HEAD.format(zone=ZONE, latitude=LATITUDE, longitude=LONGITUDE, broker_port=broker_port, web_port=web_port)
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
        SEED, LATITUDE, LONGITUDE, start_ms, season_day=62.0, cold_snap=COLD_SNAP, sunny_days=SUNNY_DAYS
    )


def seed_for(name: str) -> int:
    """Return the noise seed of one enclosure's probes."""
    return random.Random(f"{SEED} {name}").randrange(2**31)
