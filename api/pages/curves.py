"""What a chart draws of one probe: a line through its means, within a band from its least to its most."""

from collections.abc import Sequence
from dataclasses import dataclass

from api.pages import words
from api.pages.words import Unit
from controller.store.readings import ProbeSeries


@dataclass(frozen=True, slots=True)
class Curve:
    """One series: `points` are ([ms] UTC, [Cel]) in order; `kind` is soil, air, outside or asked.

    `reach` is the least and the most [Cel] of each point, where a point is a mean: what was met stays to be seen,
    however long ago and short.
    """

    kind: str
    name: str
    points: tuple[tuple[int, float], ...]
    reach: tuple[tuple[float, float], ...] = ()

    @property
    def values_c(self) -> list[float]:
        """All it comes to [Cel]."""
        return [value for both in self.reach for value in both] or [value for _, value in self.points]


def curve_of(kind: str, said: ProbeSeries) -> Curve:
    """Return what a probe said, each bucket at its middle."""
    half_ms = said.bucket_ms // 2
    points = tuple((row.start_ms + half_ms, row.mean) for row in said.rows)
    return Curve(kind, said.probe, points, tuple((row.least, row.most) for row in said.rows))


def range_c(curves: Sequence[Curve]) -> tuple[float, float]:
    """Return from where to where [Cel] curves are drawn."""
    values = [value for curve in curves for value in curve.values_c] or [0.0, 20.0]
    least, most = min(values), max(values)
    spare = max(0.0, 6.0 - (most - least)) / 2 + 0.04 * (most - least)
    return least - spare, most + spare


def spoken(curves: Sequence[Curve], unit: Unit) -> str:
    """Say from where to where each went."""
    parts = []
    for curve in curves:
        if curve.points:
            low, high = (words.temperature(end(curve.values_c), unit) for end in (min, max))
            parts.append(f"{curve.name} from {low} to {high}")
    return f"Temperatures in {unit.sign}: " + ("; ".join(parts) or "nothing recorded yet")
