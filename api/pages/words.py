"""Words for numbers: temperatures in the chosen unit, ages, dates as people say them."""

import re
from datetime import UTC, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from controller.clock import from_rfc3339
from controller.units import FAHRENHEIT_PER_K, c_to_fahrenheit, percent

MINUS = "\N{MINUS SIGN}"
_SPACE = "\N{NO-BREAK SPACE}"
_NUMBER = r"[-\N{MINUS SIGN}]?\d+(?:\.\d+)?"
_CELSIUS = re.compile(rf"(?<![\w.])((?:{_NUMBER}(?:, | and | to | or ))*){_NUMBER}(?=\s(?:Cel|°C)\b)")
_STAMP = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?:\.\d+)?Z")
_BARE = re.compile(rf"(?<![\w.]){_NUMBER}")
_NAMES = {
    "soil": "soil",
    "air": "air",
    "outside": "outside",
    "humidity": "humidity",
    "light": "light",
    "heater-surface": "heater surface",
    "current": "current",
    "contact": "contact",
}
_SIGNS = {"%RH": "%", "W/m2": "W/m²", "A": "A", "/": ""}


class Unit(StrEnum):
    """What temperatures are shown in."""

    C = "C"
    F = "F"

    @property
    def sign(self) -> str:
        """The unit as it is written after a number."""
        return "°C" if self is Unit.C else "°F"

    def shown(self, value_c: float) -> float:
        """Return the temperature `value_c` [Cel] in this unit."""
        return value_c if self is Unit.C else c_to_fahrenheit(value_c)


def number(value: float, digits: int = 1) -> str:
    """Write a number with a true minus sign; never "-0"."""
    rounded = round(value, digits)
    text = f"{abs(rounded):.{digits}f}"
    return (MINUS if rounded < 0 else "") + text


def temperature(value_c: float | None, unit: Unit) -> str:
    """Write [Cel] in the chosen unit without its sign; an em dash for no value."""
    return "—" if value_c is None else number(unit.shown(value_c))


def temperature_said(value_c: float | None, unit: Unit) -> str:
    """Write [Cel] with the unit's sign, "no value" for None."""
    return "no value" if value_c is None else f"{temperature(value_c, unit)}{_SPACE}{unit.sign}"


def reading(value: float | None, si_unit: str, unit: Unit) -> str:
    """Write a value of any quantity with its unit; temperatures (`si_unit` "Cel") follow `unit`."""
    if value is None:
        return "no value"
    if si_unit == "Cel":
        return temperature_said(value, unit)
    if si_unit == "/":
        return "closed" if value >= 0.5 else "open"
    digits = 0 if si_unit in ("%RH", "W/m2") else 2
    return f"{number(value, digits)}{_SPACE}{_SIGNS.get(si_unit, si_unit)}"


def _converted(match: re.Match[str]) -> str:
    value_c = float(match[0].replace(MINUS, "-"))
    decimals = len(match[0].partition(".")[2])
    return number(c_to_fahrenheit(value_c), decimals)


def said(text: str, unit: Unit) -> str:
    """Return a sentence of the controller with every "x Cel" in the chosen unit.

    Notes
    -----
    "a to b Cel" and "a, b and c Cel" are converted as a whole. Differences are written in K and stay as they are.
    """
    if unit is Unit.C:
        return re.sub(r"\bCel\b", "°C", text)
    changed = _CELSIUS.sub(lambda found: _BARE.sub(_converted, found[0]), text)
    return re.sub(r"\bCel\b|°C", "°F", changed)


def sentence(text: str, unit: Unit) -> str:
    """Return what the controller says as a sentence: a capital, a full stop, temperatures in the chosen unit.

    What stands between backticks is a command to be typed; a page quotes it.
    """
    whole = re.sub(r"`([^`]*)`", r"“\1”", said(text.strip(), unit))
    return capital(whole) + ("" if whole.endswith((".", "!", "?")) else ".")


def capital(text: str) -> str:
    """Begin a sentence with a capital; the name of a file, or of a setting, stays as it is written."""
    first = text.partition(" ")[0].rstrip(".:")
    return text if "." in first or "_" in first else text[:1].upper() + text[1:]


def chance_said(chance: float) -> str:
    """Say a chance in percent; what is possible is never said to be none, nor what is not certain to be sure."""
    if 0.0 < chance < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < chance < 1.0 else percent(chance)


def kelvin(unit: Unit) -> tuple[float, str]:
    """Return what a difference of one kelvin is in the reader's unit, and its sign."""
    return (FAHRENHEIT_PER_K, "°F") if unit is Unit.F else (1.0, "K")


def unbroken(text: str) -> str:
    """Return the text with a no-break space between each number and its unit."""
    return re.sub(r"(?<=\d) (?=(?:°[CF]|%|kWh|kg|cm|mm|K|W|h|min)(?!\w))", _SPACE, text)


def duration(seconds: float) -> str:
    """Write a length of time in at most two parts: "40 s", "12 min", "2 h 5 min", "3 days"."""
    whole = max(0, round(seconds))
    if whole < 90:
        return f"{whole} s"
    minutes = round(whole / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, rest = divmod(minutes, 60)
    if hours < 3:
        return f"{hours} h {rest} min" if rest else f"{hours} h"
    if hours < 48:
        return f"{round(minutes / 60)} h"
    return f"{round(hours / 24)} days"


def ago(seconds: float | None) -> str:
    """Write an age [s]; "never heard" for None."""
    return "never heard" if seconds is None else f"{duration(seconds)} ago"


def moment(utc_ms: int, now_ms: int, zone: ZoneInfo) -> str:
    """Write a time as people say it: "04:12", "yesterday 04:00", "Tuesday 04:00", "3 March 04:00".

    Parameters
    ----------
    utc_ms, now_ms
        [ms] UTC; the time, and the present that "yesterday" counts from.
    zone
        Time zone of the site.
    """
    then, now = _local(utc_ms, zone), _local(now_ms, zone)
    clock = f"{then:%H:%M}"
    days = (now.date() - then.date()).days
    near = {0: clock, 1: f"yesterday {clock}", -1: f"tomorrow {clock}"}
    if days in near:
        return near[days]
    if 1 < days < 7:
        return f"{then:%A} {clock}"
    year = f" {then.year}" if then.year != now.year else ""
    return f"{then.day} {then:%B}{year} {clock}"


def dated(text: str, now_ms: int, zone: ZoneInfo) -> str:
    """Return a sentence with every time in it as people of the site say it; what only looks like one stays."""

    def said_there(found: re.Match[str]) -> str:
        try:
            return moment(from_rfc3339(found[0]), now_ms, zone)
        except ValueError:
            return found[0]

    return _STAMP.sub(said_there, text)


def day(utc_ms: int, now_ms: int, zone: ZoneInfo) -> str:
    """Write a day: "today", "yesterday", "Tue 3 Mar", with its year if it is another."""
    then, now = _local(utc_ms, zone), _local(now_ms, zone)
    days = (now.date() - then.date()).days
    year = f" {then.year}" if then.year != now.year else ""
    return {0: "today", 1: "yesterday"}.get(days, f"{then:%a} {then.day} {then:%b}{year}")


def exact(utc_ms: int, zone: ZoneInfo) -> str:
    """Write a time to the second with its offset."""
    return _local(utc_ms, zone).isoformat(sep=" ", timespec="seconds")


def level(level_m: float | None) -> str:
    """Write where a probe sits: "10 cm deep", "80 cm up", "at the ground"; empty for None."""
    if level_m is None:
        return ""
    if abs(level_m) < 0.005:
        return "at the ground"
    return f"{length(abs(level_m))} {'up' if level_m > 0 else 'deep'}"


def length(length_m: float) -> str:
    """Write a length: centimetres below 1 m, else metres."""
    if length_m < 0.995:
        return f"{round(length_m * 100)}{_SPACE}cm"
    return f"{length_m:.1f}".removesuffix(".0") + f"{_SPACE}m"


def quantity(name: str) -> str:
    """Return the grower's word for a quantity."""
    return _NAMES.get(name, name.replace("-", " "))


def _local(utc_ms: int, zone: ZoneInfo) -> datetime:
    at = datetime.fromtimestamp(utc_ms / 1000, UTC)
    try:
        return at.astimezone(zone)
    except OverflowError:
        return at  # the calendar's last hours, which somebody may have written for "never", have no local ones
