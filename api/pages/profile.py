"""The line of temperature against height and depth, and the band it moved in."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

from api.pages import words
from api.pages.frame import Frame
from api.pages.words import Unit

Band = tuple[float, float]
"""[Cel] least and most of one probe over the last 24 h."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One probe in the drawing; `age` says how old its number is where that is not fresh."""

    probe: str
    kind: str
    x: float
    y: float
    level_m: float
    value_c: float | None
    fresh: bool
    age: str


def _profile(marks: Sequence[Mark], drawn: Frame) -> list[tuple[float, float]]:
    """Return (y, x) by depth, one point per level, values of one level averaged."""
    levels: dict[float, list[float]] = {}
    for mark in marks:
        if mark.value_c is not None:
            levels.setdefault(mark.y, []).append(mark.x)
    return sorted((y, sum(xs) / len(xs)) for y, xs in levels.items())


def _split(points: list[tuple[float, float]], ground: float) -> tuple[list[tuple[float, float]], ...]:
    """Cut a profile at the ground: what is above, and what is below with the point where it crosses."""
    above, below = [p for p in points if p[0] <= ground], [p for p in points if p[0] > ground]
    if above and below:
        (y0, x0), (y1, x1) = above[-1], below[0]
        crossing = (ground, x0 + (x1 - x0) * (ground - y0) / (y1 - y0))
        return [*above, crossing], [crossing, *below]
    return above, below


def _path(points: Sequence[tuple[float, float]]) -> str:
    """Return an SVG path through (y, x) points: upright tangents, so it never swings past a reading."""
    if len(points) < 2:
        return ""
    text = f"M{points[0][1]:.1f} {points[0][0]:.1f}"
    for (y0, x0), (y1, x1) in pairwise(points):
        bend = (y1 - y0) * 0.4
        text += f"C{x0:.1f} {y0 + bend:.1f} {x1:.1f} {y1 - bend:.1f} {x1:.1f} {y1:.1f}"
    return text


def temperature_lines(marks: Sequence[Mark], drawn: Frame) -> tuple[str, str]:
    """Return the line through what is fresh, as SVG paths: above the ground and below it."""
    above, below = _split(_profile([m for m in marks if m.fresh], drawn), drawn.ground)
    return _path(above), _path(below)


def ranges_drawn(marks: Sequence[Mark], bands: Mapping[str, Band], drawn: Frame) -> tuple[str, str]:
    """Return the bands of the last 24 h, as closed SVG paths: above the ground and below it."""
    least = [(m.y, drawn.x(bands[m.probe][0])) for m in marks if m.probe in bands]
    most = [(m.y, drawn.x(bands[m.probe][1])) for m in marks if m.probe in bands]
    parts = zip(_split(sorted(least), drawn.ground), _split(sorted(most), drawn.ground), strict=True)
    air, soil = (_closed(low, high) for low, high in parts)
    return air, soil


def _closed(low: Sequence[tuple[float, float]], high: Sequence[tuple[float, float]]) -> str:
    if len(low) < 2 or len(high) < 2:
        return ""
    back = _path([(-y, x) for y, x in reversed(high)])
    return f"{_path(low)}L{high[-1][1]:.1f} {high[-1][0]:.1f}{_mirrored(back)}Z"


def _mirrored(path: str) -> str:
    """Return the curves of a path that was made upside down, with every y turned back and no first move."""
    curves = path.partition("C")[2].split("C")
    turned = ""
    for curve in curves:
        numbers = [float(part) for part in curve.split()]
        turned += "C" + " ".join(f"{-n if index % 2 else n:.1f}" for index, n in enumerate(numbers))
    return turned


def spoken(marks: Sequence[Mark], asked: str, heater: str, unit: Unit) -> str:
    """Return the drawing in words, for those who hear the page: what is old is said to be, as it is struck for others.

    `asked` is what is asked for, "" for nothing; `heater` what the heater does.
    """
    parts = [
        f"{mark.kind} {words.level(mark.level_m)} {words.temperature(mark.value_c, unit)}".replace("  ", " ")
        + ("" if mark.fresh else f", old: {mark.age or 'not heard lately'}")
        for mark in marks
        if mark.value_c is not None
    ]
    told = [*(parts or ["no numbers"]), *([asked] if asked else []), heater]
    return f"Temperature by height and depth in {unit.sign}: {'; '.join(told)}"
