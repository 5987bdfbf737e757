"""Response and fit as one drawing: the days as measured and as the model has them, and a day of full heat."""

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from html import escape
from itertools import groupby
from zoneinfo import ZoneInfo

import numpy as np

from controller.control.stepping import Array
from controller.plant.draw import STYLE
from controller.tuning.fit import Fit

WIDTH, HEIGHT = 900, 620
OWN_STYLE = """.found { stroke: var(--asked); stroke-width: 2; stroke-dasharray: 6 4; stroke-linecap: butt; }
.likely { fill: var(--asked); fill-opacity: .18; }"""


@dataclass(frozen=True, slots=True)
class Box:
    """A plot: [px] its sides, and the values at its foot and top; x runs from 0 to `most_x`."""

    left: float
    right: float
    top: float
    foot: float
    most_x: float
    low: float
    high: float

    def x(self, value: float) -> float:
        """[px]"""
        return self.left + (self.right - self.left) * value / self.most_x

    def y(self, value: float) -> float:
        """[px]"""
        return self.foot + (self.top - self.foot) * (value - self.low) / (self.high - self.low)

    def path(self, x: Array, y: Array) -> str:
        """Return points as a polyline has them."""
        return " ".join(f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in zip(x, y, strict=True))


def drawing(fit: Fit, title: str, zone: ZoneInfo) -> str:
    """Return an SVG document."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'role="img" aria-label="{escape(title)}: readings and model"><style>{STYLE}{OWN_STYLE}</style>',
        f'<rect class="paper" width="{WIDTH}" height="{HEIGHT}"/>',
        f'<text class="title" x="52" y="32">{escape(title)}: what its readings tell</text>',
        *_key((("soil", "soil, measured"), ("air", "air, measured"), ("found", "as the model found has them"))),
        *_days(fit, zone),
        *_response(fit),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _key(lines: tuple[tuple[str, str], ...]) -> Iterator[str]:
    for place, (name, words) in enumerate(lines):
        x = 52 + 170 * place
        yield f'<line class="line {name}" x1="{x}" x2="{x + 30}" y1="53" y2="53"/>'
        yield f'<text x="{x + 38}" y="58">{words}</text>'


def _days(fit: Fit, zone: ZoneInfo) -> Iterator[str]:
    """Soil and air as measured and as the model alone would have had them, and heat under them."""
    log, found = fit.log, fit.found
    hours = _hours(len(log), log.step_s)
    box = _box((52, 884, 74, 300), hours[-1], log.soil_c, log.air_c, found.soil_c, found.air_c)
    yield from _rules(box, "°C")
    yield from _midnights(box, log.ends_ms - round(1000 * len(log) * log.step_s), hours[-1], zone)
    for name, values in (("air", log.air_c), ("soil", log.soil_c), ("found", found.air_c), ("found", found.soil_c)):
        yield from _lines(box, name, hours, values)
    yield '<text class="small" x="44" y="323" text-anchor="end">heat</text>'
    wide = box.x(log.step_s / 3600.0) - box.left
    for hour, duty in zip(hours, log.duty, strict=True):
        if duty > 0.01:
            high = 14.0 * min(duty, 1.0)
            at = f'x="{box.x(hour):.2f}" y="{326.0 - high:.1f}"'
            yield f'<rect class="heat" {at} width="{wide:.2f}" height="{high:.1f}"/>'


def _response(fit: Fit) -> Iterator[str]:
    """How much warmer a day of full heat makes the soil, as now believed and as found, with what is likely."""
    present, found = fit.rises
    hours = _hours(len(present), 1800.0) + 0.5
    figure = fit.found.figures["rise_24h_k"]
    low, high = found * figure.low / figure.value, found * figure.high / figure.value
    box = _box((52, 884, 420, 570), 24.0, present, high, present * 0.0)
    yield '<text x="52" y="392">Soil warmer by full heat: model in use (solid), found (dashed, likely within)</text>'
    yield from _rules(box, "K")
    band = f"{box.path(hours, low)} {box.path(hours[::-1], high[::-1])}"
    yield f'<polygon class="likely" points="{band}"/>'
    yield from _lines(box, "soil", hours, present)
    yield from _lines(box, "found", hours, found)
    for hour in (2, 6, 12, 18, 24):
        anchor = "end" if hour == 24 else "middle"
        yield f'<text class="small" x="{box.x(hour):.1f}" y="590" text-anchor="{anchor}">{hour} h</text>'


def _hours(count: int, step_s: float) -> Array:
    return np.asarray(np.arange(count) * (step_s / 3600.0), dtype=np.float64)


def _box(sides: tuple[float, float, float, float], most_x: float, *series: Array) -> Box:
    known = [float(value) for values in series for value in values if math.isfinite(value)]
    step = 5 if max(known) - min(known) > 8.0 else 1
    low = math.floor(min(known) / step) * step
    return Box(*sides, most_x, low, max(math.ceil(max(known) / step) * step, low + step))


def _rules(box: Box, unit: str) -> Iterator[str]:
    step = 1 if box.high - box.low <= 8 else 5 if box.high - box.low <= 40 else 10
    for value in range(round(box.low), round(box.high) + 1, step):
        y, said = box.y(value), f"{value} {unit}" if value + step > box.high else f"{value}"
        yield f'<line class="rule" x1="{box.left}" x2="{box.right}" y1="{y:.1f}" y2="{y:.1f}"/>'
        yield f'<text class="small" x="{box.left - 8}" y="{y + 4.5:.1f}" text-anchor="end">{said}</text>'


def _midnights(box: Box, starts_ms: int, hours: float, zone: ZoneInfo) -> Iterator[str]:
    for hour in range(math.ceil(hours)):
        at = datetime.fromtimestamp(starts_ms / 1000 + hour * 3600, UTC).astimezone(zone)
        if at.hour == 0:
            x = box.x(hour - at.minute / 60)
            yield f'<line class="rule" x1="{x:.1f}" x2="{x:.1f}" y1="{box.top}" y2="330"/>'
            if x < box.right - 44:
                yield f'<text class="small" x="{x + 3:.1f}" y="346">{at.day} {at:%b}</text>'


def _lines(box: Box, name: str, x: Array, y: Array) -> Iterator[str]:
    """Draw what is known, with gaps where nothing is."""
    for is_known, run in groupby(zip(x, y, strict=True), lambda point: math.isfinite(point[1])):
        if is_known:
            path = " ".join(f"{box.x(a):.1f},{box.y(b):.1f}" for a, b in run)
            yield f'<polyline class="line {name}" points="{path}"/>'
