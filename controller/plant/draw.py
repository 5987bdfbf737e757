"""A simulated stretch of days as a drawing: soil, air, outside and what was asked, and under them when heat was on."""

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from html import escape
from itertools import groupby

from controller.plant.course import Course, summary_lines
from controller.settings import Site

WIDTH, HEIGHT = 900, 540
LEFT, RIGHT, TOP, FOOT = 52, 884, 74, 400
"""[px] the plot; heat lies under it, then the days, then the words."""
HEAT_TOP, HEAT_HIGH = 414, 14
STYLE = """
svg { --paper: #f8f5ec; --ink: #1d211c; --quiet: #565b53; --rule: #d8d1c0; --soil: #85430f; --air: #1b5a7c;
  --outside: #5f5478; --asked: #2d5823; --heat: #9c3d09; font-family: system-ui, sans-serif; }
@media (prefers-color-scheme: dark) { svg { --paper: #141714; --ink: #eeece3; --quiet: #b0b4a9; --rule: #3a4038;
  --soil: #e6ab74; --air: #86c5e6; --outside: #bfb3dc; --asked: #a2d08c; --heat: #f59a60; } }
.paper { fill: var(--paper); } text { fill: var(--ink); font-size: 15px; font-variant-numeric: tabular-nums; }
.title { font-size: 20px; font-weight: 650; } .small { fill: var(--quiet); font-size: 13px; }
.rule { stroke: var(--rule); stroke-width: 1; } .line { fill: none; stroke-linejoin: round; stroke-linecap: round; }
.soil { stroke: var(--soil); stroke-width: 3.2; } .air { stroke: var(--air); stroke-width: 1.3; }
.outside { stroke: var(--outside); stroke-width: 2; stroke-dasharray: .1 4; }
.asked { stroke: var(--asked); stroke-width: 2; stroke-dasharray: 6 4; stroke-linecap: butt; }
.heat { fill: var(--heat); }
"""


def drawing(course: Course, site: Site, title: str) -> str:
    """Return an SVG document."""
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" '
        f'role="img" aria-label="{escape(title)}: simulated temperatures"><style>{STYLE}</style>',
        f'<rect class="paper" width="{WIDTH}" height="{HEIGHT}"/>',
        f'<text class="title" x="{LEFT}" y="32">{escape(title)}, simulated</text>',
        *_plot(course),
        *_days(course, site),
        *_heat(course),
        *_words(course, site),
        "</svg>",
    ]
    return "\n".join(parts) + "\n"


def _x(course: Course, at_s: float) -> float:
    return LEFT + (RIGHT - LEFT) * at_s / (len(course.trace.at_s) * course.tick_s)


def _plot(course: Course) -> Iterator[str]:
    trace = course.trace
    series = {
        "air": _thinned(course, trace.air_c),
        "outside": _thinned(course, course.outside_c),
        "asked": _thinned(course, trace.set_point_c),
        "soil": _thinned(course, trace.soil_c),
    }
    known = [value for points in series.values() for _, value in points if not math.isnan(value)]
    step = 5 if max(known) - min(known) < 40.0 else 10
    low, high = math.floor(min(known) / step) * step, math.ceil(max(known) / step) * step
    high = max(high, low + step)
    for celsius in range(low, high + 1, step):
        y = FOOT + (TOP - FOOT) * (celsius - low) / (high - low)
        yield f'<line class="rule" x1="{LEFT}" x2="{RIGHT}" y1="{y:.1f}" y2="{y:.1f}"/>'
        unit = " °C" if celsius == high else ""
        yield f'<text class="small" x="{LEFT - 8}" y="{y + 4.5:.1f}" text-anchor="end">{celsius}{unit}</text>'
    for name, points in series.items():
        for is_known, run in groupby(points, lambda point: not math.isnan(point[1])):
            if is_known:
                path = " ".join(f"{x:.1f},{FOOT + (TOP - FOOT) * (y - low) / (high - low):.1f}" for x, y in run)
                yield f'<polyline class="line {name}" points="{path}"/>'
    yield from _key()


def _key() -> Iterator[str]:
    for place, (name, words) in enumerate(
        (("soil", "soil"), ("asked", "asked"), ("air", "air inside"), ("outside", "outside"))
    ):
        x = LEFT + 118 * place
        yield f'<line class="line {name}" x1="{x}" x2="{x + 30}" y1="53" y2="53"/>'
        yield f'<text x="{x + 38}" y="58">{words}</text>'


def _thinned(course: Course, values: Sequence[float]) -> list[tuple[float, float]]:
    """Return one point per pixel: the mean of what falls on it."""
    group = max(len(values) // (RIGHT - LEFT), 1)
    points = []
    for first in range(0, len(values), group):
        part = [value for value in values[first : first + group] if not math.isnan(value)]
        x = _x(course, (first + group / 2.0) * course.tick_s)
        points.append((min(x, float(RIGHT)), sum(part) / len(part) if part else math.nan))
    return points


def _days(course: Course, site: Site) -> Iterator[str]:
    seconds = len(course.trace.at_s) * course.tick_s
    every = max(math.ceil(seconds / 86_400.0 / 14.0), 1)
    first = course.local(site, 0.0)
    day = datetime(first.year, first.month, first.day, tzinfo=site.zone)
    for number in range(math.ceil(seconds / 86_400.0) + 1):
        midnight = day + timedelta(days=number)
        at_s = midnight.timestamp() - course.start_ms / 1000.0
        if 0.0 <= at_s < seconds and number % every == 0:
            x = _x(course, at_s)
            yield f'<line class="rule" x1="{x:.1f}" x2="{x:.1f}" y1="{TOP}" y2="{HEAT_TOP + HEAT_HIGH + 6}"/>'
            if x > RIGHT - 44:
                continue
            yield f'<text class="small" x="{x + 3:.1f}" y="446">{midnight.day} {midnight:%b}</text>'


def _heat(course: Course) -> Iterator[str]:
    yield f'<text class="small" x="{LEFT - 8}" y="{HEAT_TOP + 11}" text-anchor="end">heat</text>'
    place = 0
    for is_on, run in groupby(course.trace.heater_on):
        count = len(list(run))
        if is_on:
            x, wide = _x(course, place * course.tick_s), _x(course, count * course.tick_s) - LEFT
            yield f'<rect class="heat" x="{x:.2f}" y="{HEAT_TOP}" width="{max(wide, 0.3):.2f}" height="{HEAT_HIGH}"/>'
        place += count


def _words(course: Course, site: Site) -> Iterator[str]:
    *locked, energy, cold, cycles, coldest = summary_lines(course, site)
    for line in locked:
        yield f'<text class="small" x="{LEFT}" y="466">{escape(line if len(line) < 128 else line[:126] + "…")}</text>'
    for row, beside in enumerate(((energy, coldest), (cold,), (cycles,))):
        for place, words in enumerate(beside):
            x, y = LEFT + (RIGHT - LEFT) // 2 * place, 484 + 22 * row
            yield f'<text x="{x}" y="{y}">{escape(words)}</text>'
