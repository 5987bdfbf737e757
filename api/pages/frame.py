"""The frame of a cross-section: metres and temperatures to drawing units, and the outline of the enclosure."""

import math
from collections.abc import Iterable
from dataclasses import dataclass

from controller.enclosure_settings import Enclosure, HeaterKind, Shape

WIDTH = 360.0
GUTTER = 54.0
RIGHT = 12.0
_LEAST_SPAN_C = 12.0


@dataclass(frozen=True, slots=True)
class Size:
    """How large a section is drawn, in drawing units, and how much it says."""

    air: float
    soil: float
    names: bool


SMALL = Size(air=124.0, soil=118.0, names=False)
LARGE = Size(air=196.0, soil=172.0, names=True)


@dataclass(frozen=True, slots=True)
class Frame:
    """Scales of one drawing. Heights are [m] above ground, negative below; temperatures are [Cel]."""

    top: float
    ground: float
    bottom: float
    air_per_m: float
    soil_per_m: float
    least_c: float
    most_c: float
    middle: float

    def y(self, level_m: float) -> float:
        """Return the drawing's y of a level [m]."""
        scale = self.air_per_m if level_m > 0 else self.soil_per_m
        return min(max(self.ground - level_m * scale, self.top), self.bottom - 4)

    def x(self, value_c: float) -> float:
        """Return the drawing's x of a temperature [Cel], held inside the drawing."""
        share = (value_c - self.least_c) / (self.most_c - self.least_c)
        return GUTTER + 12 + min(max(share, 0.0), 1.0) * (WIDTH - RIGHT - GUTTER - 24)

    @property
    def stretch(self) -> float:
        """How many times deeper the soil is drawn than the air above it."""
        return self.soil_per_m / self.air_per_m


@dataclass(frozen=True, slots=True)
class Tick:
    """One mark of a scale: a position and its word."""

    at: float
    text: str


def frame(enclosure: Enclosure, temperatures_c: Iterable[float], size: Size) -> Frame:
    """Fit an enclosure and the temperatures [Cel] to be shown into a drawing of this size."""
    shape = enclosure.shape
    levels = [p.level_m for p in enclosure.probe if p.level_m is not None]
    depths = [-level for level in levels if level < 0] + [enclosure.heater.depth_m or 0.0]
    deepest = max([*depths, 0.12]) * 1.22
    tallest = max([shape.height_m, *levels])
    widest = WIDTH - GUTTER - RIGHT - 40
    air_per_m = min(size.air / tallest, max(widest / shape.width_m, 0.6 * size.air / tallest))
    soil_per_m = min(max(air_per_m, 0.72 * size.soil / deepest), size.soil / deepest)
    top = 30.0
    ground = top + tallest * air_per_m
    least_c, most_c = _span(list(temperatures_c), 0.34 if size.names else 0.2)
    bottom = ground + deepest * soil_per_m
    return Frame(top, ground, bottom, air_per_m, soil_per_m, least_c, most_c, (GUTTER + WIDTH - RIGHT) / 2)


def _span(values_c: list[float], spare: float) -> tuple[float, float]:
    """Return a range of round temperatures [Cel] that holds all values and some room to the right for numbers."""
    finite = [v for v in values_c if math.isfinite(v)] or [0.0, 20.0]
    least, most = min(finite), max(finite)
    missing = max(0.0, _LEAST_SPAN_C - (most - least))
    room = (most - least + missing) * spare
    return least - missing / 2, most + missing / 2 + room


def outline(shape: Shape, drawn: Frame) -> tuple[str, ...]:
    """Return SVG paths of the cover: a hoop, a pitched house or a box; two for a double cover."""
    layers = 2 if shape.cover in ("double film", "twin-wall") else 1
    return tuple(_cover(shape, drawn, 4.0 * layer) for layer in range(layers))


def half_width(shape: Shape, drawn: Frame) -> float:
    """Return half the enclosure's width in drawing units, at most what the drawing holds."""
    return min(shape.width_m * drawn.air_per_m, WIDTH - GUTTER - RIGHT - 16) / 2


def _cover(shape: Shape, drawn: Frame, inset: float) -> str:
    half = half_width(shape, drawn) - inset
    left, right, ground = drawn.middle - half, drawn.middle + half, drawn.ground
    ridge = ground - shape.height_m * drawn.air_per_m + inset
    if shape.kind == "tunnel":
        lift = (ground - ridge) * 0.28
        return (
            f"M{left:.1f} {ground:.1f}V{ground - lift:.1f}"
            f"A{half:.1f} {ground - lift - ridge:.1f} 0 0 1 {right:.1f} {ground - lift:.1f}V{ground:.1f}"
        )
    eaves = ridge + (ground - ridge) * (0.36 if shape.kind == "glasshouse" else 0.12)
    return f"M{left:.1f} {ground:.1f}V{eaves:.1f}L{drawn.middle:.1f} {ridge:.1f}L{right:.1f} {eaves:.1f}V{ground:.1f}"


def stones(drawn: Frame) -> tuple[tuple[float, float, float], ...]:
    """Return (x, y, radius) of the flecks that make the ground look like ground; the same every time."""
    golden, width, depth = 0.618034, WIDTH - GUTTER - RIGHT, drawn.bottom - drawn.ground
    return tuple(
        (
            round(GUTTER + (n * golden % 1.0) * width, 1),
            round(drawn.ground + 5 + ((n + 0.5) / 34) ** 0.8 * (depth - 8), 1),
            0.8 + (n * 0.37 % 1.0) * 1.3,
        )
        for n in range(34)
    )


def heater_marks(enclosure: Enclosure, drawn: Frame) -> tuple[tuple[float, float], ...]:
    """Return where the heater is cut: one point per run of cable, or the one place of an air heater."""
    half = half_width(enclosure.shape, drawn)
    if enclosure.heater.kind is HeaterKind.SOIL_CABLE:
        y = drawn.y(-(enclosure.heater.depth_m or 0.12))
        runs = max(4, min(9, round(2 * half / 26)))
        gap = (2 * half - 20) / (runs - 1)
        return tuple((drawn.middle - half + 10 + n * gap, y) for n in range(runs))
    return ((drawn.middle - half + 22, drawn.ground - 11),)
