"""Units: what a payload may be in, and how a person may write a temperature."""

import math
import re

FAHRENHEIT_PER_K = 1.8
ZERO_CELSIUS_K = 273.15
"""[K] 0 Cel (SI Brochure, 9th edition, 2.3.4.1)."""

_WRITTEN = re.compile(r"^\s*([+-]?\d+(?:\.\d+)?)\s*(?:°\s*)?(C|Cel|F|K)\s*$")


def fahrenheit_to_c(value: float) -> float:
    """Return [Cel] for degrees Fahrenheit."""
    return (value - 32.0) / FAHRENHEIT_PER_K


def c_to_fahrenheit(value_c: float) -> float:
    """Return degrees Fahrenheit for [Cel]."""
    return value_c * FAHRENHEIT_PER_K + 32.0


def percent(part: float, digits: int = 0) -> str:
    """Say a part (0-1) in percent, the sign parted from the number. Source: SI Brochure, 9th edition, 5.4.7."""
    return f"{100.0 * part:.{digits}f} %"


def temperature_c(written: str | float) -> float:
    """Read a temperature as a person writes it: a number in Cel, or text with its unit ("65 F").

    Raises
    ------
    ValueError
        If it is not finite, not a number, or its unit is not C, Cel, F or K.
    """
    if isinstance(written, bool) or not isinstance(written, int | float | str):
        raise ValueError('write a number in Cel, or text with its unit, such as "65 F"')
    if not isinstance(written, str):
        try:
            value = float(written)
        except OverflowError:
            value = math.inf
        if not math.isfinite(value):
            raise ValueError("must be a finite number")
        return value
    match = _WRITTEN.match(written)
    if match is None:
        raise ValueError('write a number in Cel, or text with its unit, such as "65 F" or "18 C"')
    value, unit = float(match[1]), match[2]
    if unit == "F":
        return fahrenheit_to_c(value)
    if unit == "K":
        return value - ZERO_CELSIUS_K
    return value
