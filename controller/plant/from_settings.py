"""A simulated enclosure from the settings of a real one."""

from controller.enclosure_settings import Enclosure
from controller.plant import construction
from controller.plant.construction import TEXTURES, Construction
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.sites import Site
from controller.plant.weather import Weather

COVERS: dict[str, dict[str, float]] = {
    "thin film": {"film_u_w_m2k": 6.8, "light_transmission": 0.88, "longwave_transmission": 0.75},
    "film": {"film_u_w_m2k": 6.2, "light_transmission": 0.85, "longwave_transmission": 0.6},
    "double film": {"film_u_w_m2k": 3.7, "light_transmission": 0.75, "longwave_transmission": 0.4},
    "glass": {"film_u_w_m2k": 6.0, "light_transmission": 0.85, "longwave_transmission": 0.01},
    "twin-wall": {"film_u_w_m2k": 3.6, "light_transmission": 0.78, "longwave_transmission": 0.05},
    "opaque": {"film_u_w_m2k": 1.5, "light_transmission": 0.01, "longwave_transmission": 0.01},
}
"""U within the ranges of extension handbooks (5.7-6.8 single, 3.4-4.0 double W/m2K)."""

SOILS = {"sand": "sand-moist", "loam": "clay-wet", "clay": "clay-moist", "peat": "peat-moist"}


def construction_of(enclosure: Enclosure) -> Construction:
    """Return the construction that an enclosure's shape, cover, soil and heater describe."""
    shape, heater = enclosure.shape, enclosure.heater
    return Construction(
        length_m=shape.length_m,
        width_m=shape.width_m,
        height_m=shape.height_m,
        shape=construction.Shape(shape.kind),
        texture=TEXTURES[SOILS[shape.soil]],
        heater=construction.HeaterKind(heater.kind.value),
        rated_w=heater.rated_w,
        cable_depth_m=max(heater.depth_m or 0.12, 0.03),
        **COVERS[shape.cover],
    )


def plant_of(
    enclosure: Enclosure, weather: Weather, start_ms: int, seed: int = 0, built: Construction | None = None
) -> EnclosurePlant:
    """Return a simulated enclosure with every probe the settings name, starting at [ms UTC].

    Parameters
    ----------
    built
        What it is made of, where that is not as the settings say.
    """
    sites = {each.name: Site(each.quantity, each.level_m) for each in enclosure.probe}
    return EnclosurePlant(built or construction_of(enclosure), weather, sites, start_ms, seed=seed)
