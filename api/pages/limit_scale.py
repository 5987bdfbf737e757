"""The hot limits on one scale, hottest on top: each at its height, with its name, and what settings tighten."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from api.pages import words
from api.pages.words import Unit

KINDS: Mapping[str, str] = {
    "HEATER_SURFACE_C": "heat",
    "AIR_FIRE_C": "air",
    "AIR_NO_HEAT_C": "air",
    "SOIL_TRIP_AT_ONCE_C": "soil",
    "SOIL_TRIP_C": "soil",
    "HIGHEST_SET_POINT_C": "asked",
}
"""Limits drawn, and the material each is drawn as."""

TOP, PER_K, LINE = 14.0, 5.2, 21.0
"""Units of the drawing: its upper edge, one K, and the least distance of two lines of words."""


@dataclass(frozen=True, slots=True)
class Hot:
    """A limit to be drawn; `where` is the enclosure that has it tighter, "" for the hard one."""

    name: str
    words: str
    value_c: float
    where: str = ""


@dataclass(frozen=True, slots=True)
class Mark:
    """A limit as drawn: `y` of its height, `text_y` of its words; pale where it is a tighter one."""

    y: float
    text_y: float
    kind: str
    figure: str
    said: str
    pale: bool


@dataclass(frozen=True, slots=True)
class Scale:
    """The drawing, in the units of its own box."""

    marks: tuple[Mark, ...]
    height: float
    spoken: str


def scale(found: Sequence[Hot], unit: Unit) -> Scale:
    """Draw the limits."""
    hot = sorted((each for each in found if each.name in KINDS), key=lambda each: -each.value_c)
    together = list(_together(hot))
    hottest_c = together[0][0].value_c if together else 0.0
    marks, last = [], TOP - LINE
    for group in together:
        first = group[0]
        y = TOP + (hottest_c - first.value_c) * PER_K
        last = max(y, last + LINE)
        figure, said = words.temperature_said(first.value_c, unit), ", ".join(map(_said, group))
        marks.append(Mark(y, last, KINDS[first.name], figure, said, bool(first.where)))
    spoken = "; ".join(f"{each.figure} {each.said}" for each in marks)
    return Scale(tuple(marks), last + TOP, f"Hot limits, hottest first: {spoken}.")


def _together(hot: Sequence[Hot]) -> Iterator[list[Hot]]:
    """Yield what stands at one height: one line of words serves all of it."""
    group: list[Hot] = []
    for each in hot:
        if group and (each.value_c, bool(each.where)) != (group[0].value_c, bool(group[0].where)):
            yield group
            group = []
        group.append(each)
    if group:
        yield group


def _said(hot: Hot) -> str:
    return f"{hot.words} at {hot.where}" if hot.where else hot.words
