"""The fields of a sizing: what may be written in each, and what is said of what may not. Pure."""

import math
import re
from dataclasses import dataclass
from datetime import date

from api.season.sizing import CABLE_FROM_M, CABLE_TO_M, SizingError
from controller.plant import construction
from controller.plant.construction import HeaterKind
from controller.plant.from_settings import COVERS, SOILS
from controller.safety import limits
from controller.units import c_to_fahrenheit, fahrenheit_to_c, temperature_c

CELSIUS, FAHRENHEIT = "C", "F"
Value = float | str | tuple[int, int] | None
_MONTH_DAY = re.compile(r"(\d{1,2})-(\d{1,2})")


@dataclass(frozen=True, slots=True)
class Field:
    """One thing that may be asked otherwise: a number within bounds, a temperature, a day, or one of some words.

    Parameters
    ----------
    unit
        "Cel" for a temperature, which may be written with its unit; "day" for a day of any year.
    optional
        Whether it may be left open.
    """

    name: str
    label: str
    unit: str = ""
    lowest: float = -math.inf
    highest: float = math.inf
    choices: tuple[str, ...] = ()
    optional: bool = False


ROOTS = Field("roots", "Depth of roots and probe", "m", 0.04, 0.6)
FIELDS = (
    Field("shape", "Shape", choices=tuple(construction.Shape)),
    Field("cover", "Cover", choices=tuple(COVERS)),
    Field("length", "Length", "m", 0.2, 200.0),
    Field("width", "Width", "m", 0.2, 50.0),
    Field("height", "Height", "m", 0.2, 15.0),
    Field("air_changes", "Air changes per hour", "1/h", 0.0, 60.0),
    Field("soil", "Soil", choices=tuple(SOILS)),
    ROOTS,
    Field("cable_depth", "Cable depth", "m", CABLE_FROM_M, CABLE_TO_M),
    Field("deep", "Ground far below", "Cel", -10.0, 30.0),
    Field("set_point", "Soil asked for", "Cel", -5.0, limits.HIGHEST_SET_POINT_C),
    Field("coldest", "Coldest night outside", "Cel", -60.0, 30.0, optional=True),
    Field("first", "Heat from, month-day", "day"),
    Field("last", "Heat until, month-day", "day"),
    Field("mean", "Mean outside, if no record is to count", "Cel", -60.0, 50.0, optional=True),
    Field("heater", "Heater", choices=tuple(HeaterKind)),
    Field("watts", "Heater at hand", "W", 0.1, 20_000.0),
    Field("volts", "Mains", "V", 12.0, 480.0),
    Field("price", "Price per kWh", "", 0.0, 100.0),
)
NAMES = tuple(each.name for each in FIELDS)


def written_c(value_c: float, unit: str) -> str:
    """Write a temperature [Cel] as a field has it, a bare number in `unit`."""
    return f"{round(value_c if unit == CELSIUS else c_to_fahrenheit(value_c), 1):g}"


def value_of(field: Field, written: str, unit: str) -> Value:
    """Return what is written in a field: a word, a number (temperatures in `unit` as [Cel]), a day, or None.

    Raises
    ------
    SizingError
        Naming the field, the value, the bound and the remedy.
    """
    if field.choices and written not in field.choices:
        raise SizingError(f"{field.name}: {written[:40]!r} is not known; choose {', '.join(field.choices)}")
    if field.choices:
        return written
    if field.unit == "day":
        return _month_day(field.name, written)
    if field.optional and not written:
        return None
    value = _temperature(field, written, unit) if field.unit == "Cel" else _number(field, written)
    if field.lowest <= value <= field.highest:
        return value
    raise SizingError(f"{field.name}: {_outside(field, value, unit)}")


def _outside(field: Field, value: float, unit: str) -> str:
    said, low, high = (_said(field, each, unit) for each in (value, field.lowest, field.highest))
    sign = "°F" if field.unit == "Cel" and unit == FAHRENHEIT else field.unit
    hint = "write its unit if it is another, such as 65 F" if field.unit == "Cel" else "write a number between them"
    if field.unit == "m":
        hint = "write metres, such as 0.15 for 15 cm"
    return f"{said} {sign} is outside {low} to {high} {sign}".replace("  ", " ").rstrip() + f"; {hint}"


def _said(field: Field, value: float, unit: str) -> str:
    return written_c(value, unit) if field.unit == "Cel" else f"{value:g}"


def _number(field: Field, written: str) -> float:
    try:
        value = float(written.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        bounds = f"{field.lowest:g} to {field.highest:g} {field.unit}".rstrip()
        raise SizingError(f"{field.name}: {written[:40]!r} is no number; write one from {bounds}")
    return value


def _temperature(field: Field, written: str, unit: str) -> float:
    try:
        return temperature_c(written)
    except ValueError:
        value = _number(field, written)
        return fahrenheit_to_c(value) if unit == FAHRENHEIT else value


def _month_day(name: str, written: str) -> tuple[int, int]:
    found = _MONTH_DAY.fullmatch(written)
    try:
        # A leap year lets 02-29 pass; other years count it as 02-28.
        on = date(2024, int(found[1]), int(found[2])) if found else None
    except ValueError:
        on = None
    if on is None:
        raise SizingError(f"{name}: {written[:40]!r} is no day of the year; write month and day, such as 02-15")
    return on.month, on.day
