"""Twelve tunnels, three of each kind, and what a grower would write of them: the outline measured, the rest guessed."""

from typing import Any

from controller.settings import Settings
from tests.bench.control.eyes import EVERY_EYE, Eyes
from tests.bench.control.lab_plant import Built


def _told(cover: str, soil: str, depth: float | None, **measured: float) -> dict[str, Any]:
    return {"cover": cover, "soil": soil, "depth": depth, **measured}


CABLE_SHORT = (
    Built("alder", 5.6, 0.95, 0.55, 3.1, 1.15, 2.6e6, 310.0, 18.0, _told("double film", "loam", 0.13), cable_at=0.135,
          edge=0.95),
    Built("beech", 7.5, 1.2, 0.6, 3.0, 1.3, 2.9e6, 525.0, 18.0, _told("double film", "clay", 0.15), cable_at=0.155,
          probe_at=0.11, edge=1.1, near_s=2100.0),
    Built("cedar", 4.2, 0.8, 0.42, 3.4, 0.95, 2.35e6, 200.0, 18.0, _told("double film", "loam", 0.11), cable_at=0.12,
          probe_at=0.08, edge=0.8, lets_sun=0.72, stands_c=9.2),
)  # fmt: skip
CABLE_AMPLE = (
    Built("alder", 5.6, 0.95, 0.55, 3.9, 1.15, 2.6e6, 560.0, 18.0, _told("film", "loam", 0.13), cable_at=0.135),
    Built("beech", 7.5, 1.2, 0.6, 3.8, 1.3, 2.9e6, 960.0, 18.0, _told("film", "clay", 0.15), cable_at=0.155,
          probe_at=0.11, edge=0.9, near_s=900.0),
    Built("cedar", 4.2, 0.8, 0.42, 4.5, 0.95, 2.35e6, 385.0, 18.0, _told("thin film", "loam", 0.11), cable_at=0.12,
          probe_at=0.08, edge=0.55, lets_sun=0.72, stands_c=9.2, near_s=700.0),
)  # fmt: skip
AIR_AMPLE = (
    Built("hazel", 5.6, 0.95, 0.55, 3.9, 1.15, 2.6e6, 1250.0, 18.0, _told("film", "loam", None), near_s=80.0),
    Built("larch", 7.5, 1.2, 0.65, 3.9, 1.3, 2.9e6, 2100.0, 18.0, _told("film", "clay", None), probe_at=0.09,
          edge=0.9, near_s=110.0, leaks_per_h=0.7),
    Built("maple", 4.2, 0.8, 0.45, 4.6, 0.95, 2.35e6, 820.0, 18.0, _told("thin film", "loam", None), probe_at=0.08,
          edge=0.55, lets_sun=0.75, stands_c=9.2, near_s=60.0),
)  # fmt: skip
AIR_SHORT = (
    Built("hazel", 5.6, 0.95, 0.55, 3.9, 1.15, 2.6e6, 740.0, 15.0, _told("film", "loam", None), near_s=80.0),
    Built("larch", 7.5, 1.2, 0.65, 3.9, 1.3, 2.9e6, 1150.0, 15.0, _told("film", "clay", None), probe_at=0.09,
          edge=0.9, near_s=110.0, leaks_per_h=0.7),
    Built("maple", 4.2, 0.8, 0.45, 4.6, 0.95, 2.35e6, 470.0, 15.0, _told("thin film", "loam", None), probe_at=0.08,
          edge=0.55, lets_sun=0.75, stands_c=9.2, near_s=60.0),
)  # fmt: skip


def settings_of(built: Built, set_point_c: float, place: tuple[float, float], eyes: Eyes = EVERY_EYE) -> Settings:
    """Return what a grower would write."""
    told = built.told
    probes: list[dict[str, Any]] = [
        {"name": "soil", "quantity": "soil", "depth_m": built.probe_at},
        {"name": "air", "quantity": "air", "height_m": 0.2},
        *([{"name": "outside", "quantity": "outside", "height_m": 1.5}] if eyes.outside else []),
        *([{"name": "soil-two", "quantity": "soil", "depth_m": built.probe_at}] if eyes.loses_soil else []),
        *([{"name": "light", "quantity": "light"}] if eyes.light else []),
    ]
    kind = "air-heater" if built.cable_at is None else "soil-cable"
    enclosure = {
        "name": built.name,
        "shape": {
            "length_m": built.length, "width_m": built.width, "height_m": built.height,
            "cover": told["cover"], "soil": told["soil"],
        },
        "heater": {"kind": kind, "rated_w": built.rated_w, "depth_m": told["depth"]},
        "probe": probes,
        "schedule": [{"from": "01-01", "set_point": set_point_c}],
    }  # fmt: skip
    site = {"name": "Lab", "time_zone": "UTC", "latitude": place[0], "longitude": place[1]}
    return Settings.model_validate({"site": site, "enclosure": [enclosure]})
