"""The chart drawn by the server: temperatures against time, with the hours of heat in a row beneath."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from api.pages import words
from api.pages.curves import Curve, range_c, spoken
from api.pages.frame import Tick
from api.pages.words import Unit

_DAY_MS = 86_400_000
BLOCK_WIDTH, BLOCK_HEIGHT = 2.0, 10.0
"""Drawing units: width of one stretch of the heat row, and its height where heat was on throughout."""


@dataclass(frozen=True, slots=True)
class Span:
    """[ms] UTC; a time with a beginning and an end."""

    start_ms: int
    end_ms: int


@dataclass(frozen=True, slots=True)
class Trace:
    """One curve as an SVG path, and its band as another where that is wide enough to be seen."""

    kind: str
    name: str
    path: str
    band: str


@dataclass(frozen=True, slots=True)
class Block:
    """Heat in one short stretch of time, as a block on a line under the chart: the longer it was on, the taller."""

    x: float
    width: float
    height: float


@dataclass(frozen=True, slots=True)
class Chart:
    """Everything the template draws, in drawing units."""

    width: float
    height: float
    left: float
    right: float
    top: float
    foot: float
    traces: tuple[Trace, ...]
    blocks: tuple[Block, ...]
    trips: tuple[Tick, ...]
    degrees: tuple[Tick, ...]
    times: tuple[Tick, ...]
    spoken: str
    heat: list[list[float]]

    @property
    def is_empty(self) -> bool:
        """Whether there is nothing to see."""
        return not any(trace.path for trace in self.traces if trace.kind != "asked")


@dataclass(frozen=True, slots=True)
class Paper:
    """The size of a chart and the margins round its field, in drawing units."""

    width: float
    height: float
    left: float = 34.0
    right: float = 6.0
    top: float = 12.0
    under: float = 38.0


SMALL = Paper(360.0, 132.0)
PHONE = Paper(300.0, 220.0)
LARGE = Paper(720.0, 320.0, left=44.0, top=16.0, under=44.0)


def chart(
    curves: Sequence[Curve],
    window: Span,
    unit: Unit,
    zone: ZoneInfo,
    runs: Sequence[Span] = (),
    trips: Sequence[int] = (),
    paper: Paper = SMALL,
) -> Chart:
    """Draw curves over a window of time.

    Parameters
    ----------
    curves
        Soil, air, outside and asked; a gap of more than a hundredth of the window is left open.
    window
        [ms] UTC from and to.
    runs
        [ms] UTC when the contact was closed, as the node reported it.
    trips
        [ms] UTC of each trip.
    """
    field = _Field(paper, window, *range_c(curves))
    shares = _shares(runs, window, round((paper.width - paper.left - paper.right) / BLOCK_WIDTH))
    legs = tuple(Trace(c.kind, c.name, _path(c, field), _band(c, field)) for c in curves)
    inside = [ms for ms in trips if window.start_ms <= ms <= window.end_ms]
    return Chart(
        paper.width,
        paper.height,
        paper.left,
        paper.width - paper.right,
        paper.top,
        field.foot,
        legs,
        tuple(_block(field, *each) for each in shares),
        tuple(Tick(field.x(ms), "trip") for ms in inside),
        _degrees(field, unit),
        _times(field, zone),
        spoken(curves, unit),
        [list(each) for each in shares],
    )


@dataclass(frozen=True, slots=True)
class _Field:
    paper: Paper
    window: Span
    least_c: float
    most_c: float

    @property
    def foot(self) -> float:
        return self.paper.height - self.paper.under

    def x(self, utc_ms: float) -> float:
        share = (utc_ms - self.window.start_ms) / max(1, self.window.end_ms - self.window.start_ms)
        inner = self.paper.width - self.paper.left - self.paper.right
        return self.paper.left + min(max(share, 0.0), 1.0) * inner

    def y(self, value_c: float) -> float:
        share = (value_c - self.least_c) / (self.most_c - self.least_c)
        return self.foot - share * (self.foot - self.paper.top)


def _path(curve: Curve, field: _Field) -> str:
    return "".join(_line([curve.points[number] for number in leg], field) for leg in _legs(curve, field.window))


def _band(curve: Curve, field: _Field) -> str:
    if not any(field.y(least_c) - field.y(most_c) >= 1.0 for least_c, most_c in curve.reach):
        return ""
    text = ""
    for leg in _legs(curve, field.window):
        most = [(curve.points[number][0], curve.reach[number][1]) for number in leg]
        least = [(curve.points[number][0], curve.reach[number][0]) for number in reversed(leg)]
        text += _line([*most, *least], field) + "Z"
    return text


def _line(points: Sequence[tuple[int, float]], field: _Field) -> str:
    return "M" + "L".join(f"{field.x(at_ms):.1f} {field.y(value_c):.1f}" for at_ms, value_c in points)


def _legs(curve: Curve, window: Span) -> list[list[int]]:
    """Return the numbers of a curve's points within the window, parted where nothing was said for long."""
    gap_ms = (window.end_ms - window.start_ms) / 100
    legs: list[list[int]] = []
    before = None
    for number, (at_ms, _) in enumerate(curve.points):
        if not window.start_ms <= at_ms <= window.end_ms:
            continue
        if before is None or (curve.kind != "asked" and at_ms - before > gap_ms):
            legs.append([])
        legs[-1].append(number)
        before = at_ms
    return legs


def _shares(runs: Sequence[Span], window: Span, bins: int) -> tuple[tuple[int, int, float], ...]:
    """Return ([ms] from, [ms] until, share of it with heat on 0..1) of each of `bins` equal parts that had any."""
    width_ms = max(1, (window.end_ms - window.start_ms) // bins)
    on_ms: dict[int, int] = {}
    for run in runs:
        start_ms, end_ms = max(run.start_ms, window.start_ms), min(run.end_ms, window.end_ms)
        while start_ms < end_ms:
            part = (start_ms - window.start_ms) // width_ms
            stop_ms = min(end_ms, window.start_ms + (part + 1) * width_ms)
            on_ms[part] = on_ms.get(part, 0) + stop_ms - start_ms
            start_ms = stop_ms
    return tuple(
        (window.start_ms + part * width_ms, window.start_ms + (part + 1) * width_ms, round(min(1.0, on / width_ms), 3))
        for part, on in sorted(on_ms.items())
    )


def _block(field: _Field, start_ms: int, end_ms: int, share: float) -> Block:
    x = field.x(start_ms)
    return Block(x, field.x(end_ms) - x, max(1.5, BLOCK_HEIGHT * share))


def _degrees(field: _Field, unit: Unit) -> tuple[Tick, ...]:
    least, most = unit.shown(field.least_c), unit.shown(field.most_c)
    lines = 3 if field.paper.height < 200 else 6
    step = next((s for s in (1, 2, 5, 10, 20, 50) if (most - least) / s <= lines + 0.5), 100)
    first = int(-(-least // step)) * step
    ticks = []
    for value in range(first, int(most // 1) + 1, step):
        share = (value - least) / (most - least)
        ticks.append(Tick(field.y(field.least_c + share * (field.most_c - field.least_c)), words.number(value, 0)))
    return tuple(ticks)


def _times(field: _Field, zone: ZoneInfo) -> tuple[Tick, ...]:
    """Return local clock hours within a day, midnights named by day beyond."""
    window = field.window
    narrow = field.paper.width < 500
    long = window.end_ms - window.start_ms > 1.5 * _DAY_MS
    span_days = (window.end_ms - window.start_ms) / _DAY_MS
    hours = (24 * max(1, round(span_days / (4 if narrow else 8)))) if long else (6 if narrow else 3)
    moment = datetime.fromtimestamp(window.start_ms / 1000, UTC).astimezone(zone)
    moment = moment.replace(hour=0, minute=0, second=0, microsecond=0)
    ticks: list[Tick] = []
    while (at_ms := moment.timestamp() * 1000) < window.end_ms:
        text = f"{moment:%a} {moment.day}" if long else f"{moment:%H:%M}"
        if at_ms >= window.start_ms and _fits(field, at_ms, text):
            ticks.append(Tick(field.x(at_ms), text))
        moment = _local_later(moment, hours)
    return (*ticks, Tick(field.paper.width - field.paper.right, "now"))


def _local_later(moment: datetime, hours: int) -> datetime:
    """Add wall-clock hours, so that midnights stay midnights when summer time begins or ends."""
    return (moment.replace(tzinfo=None) + timedelta(hours=hours)).replace(tzinfo=moment.tzinfo)


def _fits(field: _Field, at_ms: float, text: str) -> bool:
    half = len(text) * 7.5 / 2
    x = field.x(at_ms)
    return x - half > field.paper.left - 24 and x + half < field.paper.width - field.paper.right - 38
