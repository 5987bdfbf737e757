"""What a person asks of a sizing: fields with bounds, filled in from an enclosure where nothing is written. Pure."""

import statistics
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from api.season.sizing import Bed, SizingError
from api.season.sizing_fields import CELSIUS, FAHRENHEIT, FIELDS, NAMES, ROOTS, Value, value_of, written_c
from controller.control.model_of import DEEP_C
from controller.enclosure_settings import Enclosure
from controller.plant import construction
from controller.plant.construction import TEXTURES, HeaterKind
from controller.plant.from_settings import COVERS, SOILS, construction_of
from controller.probe import Quantity
from controller.settings import Site

USUAL_ROOTS_M = 0.10
"""[m] depth of the roots where no soil probe has one."""
NORTH, SOUTH = ("02-15", "05-15"), ("08-15", "11-15")
"""First and last day of heat, by hemisphere, until somebody says otherwise (assumption: spring)."""


class SizingAskedError(SizingError):
    """Everything that cannot be taken as it is written, not only the first."""

    def __init__(self, faults: list[str]) -> None:
        super().__init__("; ".join(faults))
        self.faults = faults


@dataclass(frozen=True, slots=True)
class Asked:
    """What is to be sized; `coldest_c` and `mean_c` [Cel] are None where the record is to say."""

    enclosure: str
    bed: Bed
    heater: HeaterKind
    rated_w: float
    volts: float
    price_per_kwh: float
    soil_c: float
    coldest_c: float | None
    mean_c: float | None
    first: tuple[int, int]
    last: tuple[int, int]
    cover: str
    soil: str


def filled_in(enclosure: Enclosure, site: Site, unit: str = CELSIUS) -> dict[str, str]:
    """Return what the settings of an enclosure say for every field, temperatures in `unit`."""
    built = construction_of(enclosure)
    depths_m = [each.depth_m for each in enclosure.of(Quantity.SOIL) if each.depth_m is not None]
    first, last = NORTH if site.latitude >= 0.0 else SOUTH
    points_c = [each.set_point for each in enclosure.schedule if isinstance(each.set_point, float)]
    numbers = {
        "length": built.length_m,
        "width": built.width_m,
        "height": built.height_m,
        "air_changes": built.air_changes_h,
        "roots": min(max(statistics.median(depths_m or [USUAL_ROOTS_M]), ROOTS.lowest), ROOTS.highest),
        "cable_depth": built.cable_depth_m,
        "watts": built.rated_w,
        "volts": enclosure.heater.volts,
        "price": site.price_per_kwh,
    }
    kelvins = {"set_point": max(points_c, default=15.0), "deep": DEEP_C}
    words = {"shape": built.shape.value, "cover": enclosure.shape.cover, "soil": enclosure.shape.soil}
    return {
        **{name: f"{value:.6g}" for name, value in numbers.items()},
        **{name: written_c(value, unit) for name, value in kelvins.items()},
        **words,
        "heater": built.heater.value,
        "first": first,
        "last": last,
        "coldest": "",
        "mean": "",
    }


def asked_of(enclosure: Enclosure, site: Site, query: Mapping[str, str]) -> Asked:
    """Return what a query asks; what it leaves open or empty is as in the settings of the enclosure.

    Parameters
    ----------
    query
        By the names of `FIELDS`; `unit` "F" says that bare temperatures are Fahrenheit.

    Raises
    ------
    SizingAskedError
        Naming every field that cannot be taken, its value, the bound and the remedy.
    """
    unit = query.get("unit") or CELSIUS
    if unit not in (CELSIUS, FAHRENHEIT):
        raise SizingAskedError([f"unit: {unit[:40]!r} is not known; write C or F"])
    faults = list(_unknown(query))
    known = filled_in(enclosure, site, unit)
    values: dict[str, Value] = {}
    for each in FIELDS:
        try:
            values[each.name] = value_of(each, query.get(each.name, "").strip() or known[each.name], unit)
        except SizingError as fault:
            faults.append(str(fault))
    if faults:
        raise SizingAskedError(faults)
    return _asked(enclosure, values)


def _asked(enclosure: Enclosure, values: Mapping[str, Value]) -> Asked:
    number = {name: value for name, value in values.items() if isinstance(value, float)}
    word = {name: value for name, value in values.items() if isinstance(value, str)}
    day = {name: value for name, value in values.items() if isinstance(value, tuple)}
    cover = COVERS[word["cover"]]
    built = replace(
        construction_of(enclosure),
        shape=construction.Shape(word["shape"]),
        length_m=number["length"],
        width_m=number["width"],
        height_m=number["height"],
        air_changes_h=number["air_changes"],
        texture=TEXTURES[SOILS[word["soil"]]],
        cable_depth_m=number["cable_depth"],
        film_u_w_m2k=cover["film_u_w_m2k"],
        light_transmission=cover["light_transmission"],
        longwave_transmission=cover["longwave_transmission"],
    )
    return Asked(
        enclosure=enclosure.name,
        bed=Bed(built, number["roots"], number["deep"]),
        heater=HeaterKind(word["heater"]),
        rated_w=number["watts"],
        volts=number["volts"],
        price_per_kwh=number["price"],
        soil_c=number["set_point"],
        coldest_c=number.get("coldest"),
        mean_c=number.get("mean"),
        first=day["first"],
        last=day["last"],
        cover=word["cover"],
        soil=word["soil"],
    )


def _unknown(query: Mapping[str, str]) -> Iterator[str]:
    for name in query:
        if name not in NAMES and name not in ("enclosure", "unit"):
            yield f"{name[:40]!r} is no field of a sizing; known: {', '.join(NAMES)}"
