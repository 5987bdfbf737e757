"""Probes and what they say."""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Quantity(StrEnum):
    """What a probe reports; the word is also what settings and the API call it."""

    SOIL = "soil"
    AIR = "air"
    OUTSIDE = "outside"
    HUMIDITY = "humidity"
    LIGHT = "light"
    HEATER_SURFACE = "heater-surface"
    CURRENT = "current"
    CONTACT = "contact"


SI_UNIT: dict[Quantity, str] = {
    Quantity.SOIL: "Cel",
    Quantity.AIR: "Cel",
    Quantity.OUTSIDE: "Cel",
    Quantity.HUMIDITY: "%RH",
    Quantity.LIGHT: "W/m2",
    Quantity.HEATER_SURFACE: "Cel",
    Quantity.CURRENT: "A",
    Quantity.CONTACT: "/",
}
"""The one unit each quantity is kept in (names from RFC 8428, section 12.1)."""

TEMPERATURES = frozenset(q for q, unit in SI_UNIT.items() if unit == "Cel")


@dataclass(slots=True)
class Reading:
    """One value from one probe.

    Parameters
    ----------
    enclosure, probe
        Names from settings.
    value
        In the quantity's SI unit, finite.
    taken_ms
        [ms] UTC stamp the probe gave, or None if it gave none.
    arrived_ms, arrived_s
        [ms] UTC and [s] monotonic at our receipt.
    source
        Who says so: the resolved SenML name, or "" when the payload names nobody.
    retained
        A retained message is history, whatever it says.
    """

    enclosure: Final[str]
    probe: Final[str]
    value: Final[float]
    taken_ms: Final[int | None]
    arrived_ms: Final[int]
    arrived_s: Final[float]
    source: Final[str] = ""
    retained: Final[bool] = False

    @property
    def stamp_ms(self) -> int:
        """[ms] UTC the reading is filed under: the probe's stamp, else our receipt."""
        return self.arrived_ms if self.taken_ms is None else self.taken_ms
