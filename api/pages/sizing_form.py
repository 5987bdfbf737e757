"""The form of the page about sizing: what stands in each field, in the reader's unit."""

from collections.abc import Mapping
from dataclasses import dataclass

from api.pages.words import Unit
from api.season.site_sizing import Sized
from api.season.sizing_asked import filled_in
from api.season.sizing_fields import CELSIUS, FIELDS, Field, written_c
from controller.enclosure_settings import Enclosure
from controller.settings import Site

_GROUPS = (
    ("The enclosure", ("shape", "cover", "length", "width", "height", "air_changes")),
    ("The soil", ("soil", "roots", "cable_depth", "deep")),
    ("What is asked", ("set_point", "coldest", "first", "last", "mean")),
    ("The heater", ("heater", "watts", "volts", "price")),
)
_BY_NAME = {each.name: each for each in FIELDS}


@dataclass(frozen=True, slots=True)
class FieldShown:
    """One field of the form: its label, what stands in it, and the words it offers."""

    name: str
    label: str
    value: str
    choices: tuple[tuple[str, str], ...]


def form(
    enclosure: Enclosure, site: Site, query: Mapping[str, str], unit: Unit, found: Sized | None
) -> list[tuple[str, list[FieldShown]]]:
    """Return the form's groups: what was written, else the settings, else what the record said."""
    settled = filled_in(enclosure, site, unit.value)
    same_unit = (query.get("unit") or CELSIUS) == unit.value
    if found is not None:
        settled["coldest"] = written_c(found.coldest_c, unit.value)
    values = {name: _kept(_BY_NAME[name], query.get(name, ""), same_unit) or settled[name] for name in settled}
    if found is not None and not same_unit:
        values |= _converted(found, unit)
    return [(title, [_field(_BY_NAME[name], values[name], unit, site) for name in names]) for title, names in _GROUPS]


def _kept(field: Field, written: str, same_unit: bool) -> str:
    """Return what was written, but for bare temperatures in the other unit."""
    return "" if field.unit == "Cel" and not same_unit else written.strip()[:60]


def _converted(found: Sized, unit: Unit) -> dict[str, str]:
    asked = found.asked
    kelvins = {"set_point": asked.soil_c, "deep": asked.bed.deep_c, "coldest": found.coldest_c, "mean": asked.mean_c}
    return {name: written_c(value, unit.value) for name, value in kelvins.items() if value is not None}


def _field(field: Field, value: str, unit: Unit, site: Site) -> FieldShown:
    sign = {"Cel": unit.sign, "1/h": "", "day": ""}.get(field.unit, field.unit)
    if field.name == "price":
        sign = site.currency
    label = f"{field.label}, {sign}" if sign else field.label
    return FieldShown(field.name, label, value, tuple((each, each.replace("-", " ")) for each in field.choices))
