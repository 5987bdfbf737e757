"""Tarn Hollow's plants, harvests and weather station: invented by seed, said to be, and dated relative to today."""

import csv
import io
import math
import random
from collections.abc import Collection, Iterator
from datetime import date, timedelta

SEED = 11
YEARS = 30
STATION_FILE = "station-invented.csv"

_FIELDS = ("plant", "kind", "cultivar", "place", "enclosure", "protection", "stands", "planted", "scale", "active",
           "day", "code", "share_pct", "count", "grams", "crop", "words")  # fmt: skip
_BEDS: tuple[tuple[str, str, str, str, int, int, float], ...] = (
    # bed, enclosure, protection, stands, how many, days later than the warmest, part of shoots lost
    ("larch", "larch", "tunnel with heat", "ground", 4, 0, 4.0),
    ("elder", "elder", "tunnel with heat", "ground", 3, 3, 6.0),
    ("yard", "", "wrapped", "ground", 4, 19, 22.0),
    ("slope", "", "open", "ground", 3, 31, 55.0),
    ("cellar", "", "winter store", "container", 3, 12, 3.0),
)
YEAR_BEFORE_D = 6
"""[d] by which everything came later in the season before the last."""


def station_csv(today: date) -> str:
    """Return thirty years of daily lowest and highest up to yesterday, as of a hillside at 46 N."""
    draw, lines, drift = random.Random(SEED), ["date,tmin_c,tmax_c"], 0.0
    day = date(today.year - YEARS, 1, 1)
    while day < today:
        drift = 0.8 * drift + draw.gauss(0.0, 2.0)
        mean_c = 8.5 - 10.5 * math.cos(2 * math.pi * (day.timetuple().tm_yday - 20) / 365.25) + drift
        lines.append(f"{day},{mean_c - 4.5:.1f},{mean_c + 5.5:.1f}")
        day += timedelta(days=1)
    return "\n".join(lines) + "\n"


def plants_csv(today: date, known: Collection[str] = ()) -> str:
    """Return the plants, what was seen on them in the last two whole seasons, and their stage now.

    Parameters
    ----------
    known
        Names of plants that are left out: what became of them is not ours to say.
    """
    rows: list[dict[str, object]] = []
    draw, year = random.Random(SEED), today.year if today.month >= 11 else today.year - 1
    for bed, enclosure, protection, stands, count, later, lost in _BEDS:
        for number in range(1, count + 1):
            name = f"{bed} {number}"
            cultivar = "brown fig" if number % 2 else "green fig"
            rows.append({
                "plant": name, "kind": "plant", "cultivar": cultivar, "place": bed,
                "enclosure": enclosure, "protection": protection, "stands": stands, "planted": year - 4, "scale": "fig",
                "active": "yes",
            })  # fmt: skip
            for before in (1, 0):
                for note in _notes(draw, year - before, later + YEAR_BEFORE_D * before, lost):
                    rows.append({"plant": name, **note})
            rows.append({"plant": name, "kind": "stage", "day": str(today - timedelta(days=2)), "code": "0"})
    written = io.StringIO()
    out = csv.DictWriter(written, _FIELDS, restval="")
    out.writeheader()
    out.writerows(each for each in rows if each["plant"] not in known)
    return written.getvalue()


def _notes(draw: random.Random, year: int, later: int, lost: float) -> Iterator[dict[str, str]]:
    """Yield one tree's year: buds, leaves, damage, first and main crop."""
    spring = date(year, 3, 8) + timedelta(days=later + draw.randrange(5))
    yield {"kind": "stage", "day": str(spring), "code": "7"}
    yield {"kind": "stage", "day": str(spring + timedelta(days=16)), "code": "11"}
    share = min(max(lost + draw.gauss(0.0, lost / 3), 0.0), 95.0)
    yield {"kind": "damage", "day": str(spring + timedelta(days=30)), "share_pct": f"{share:.0f}"}
    first = date(year, 7, 1) + timedelta(days=later // 2 + draw.randrange(6))
    for pick in range(3):
        count = max(round(draw.gauss(9.0, 2.0) * (1.0 - share / 100)), 1)
        yield _harvest(first + timedelta(days=6 * pick), count, draw.gauss(62.0, 4.0), "first")
    main = date(year, 8, 20) + timedelta(days=later + draw.randrange(8))
    for pick in range(4):
        day = main + timedelta(days=9 * pick)
        if day < date(year, 10, 20):
            yield _harvest(
                day, max(round(draw.gauss(22.0, 5.0) * (1.2 - later / 60)), 1), draw.gauss(41.0, 3.0), "main"
            )


def _harvest(day: date, count: int, each_g: float, crop: str) -> dict[str, str]:
    return {"kind": "harvest", "day": str(day), "count": str(count), "grams": f"{count * each_g:.0f}", "crop": crop}
