"""A record told in any order, packed whenever, reads back as a plain dictionary of the same readings would."""

import random
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.store import comparing, reading_back
from controller.store.connection import open_writer
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.readings import HOUR_MS, MINUTE_MS, Bucket, StoredReading, borders
from controller.store.sums import DAY_MS
from tests import kept

T0 = 1_772_000_000_000 - 1_772_000_000_000 % DAY_MS
GRADES = ("good", "good", "history", "doubted", "refused")

Plain = dict[int, tuple[float, str]]


def batches(draw: random.Random) -> Iterator[tuple[int, list[StoredReading]]]:
    """Yield (now [ms UTC], batch): mostly new, some late by minutes, hours or days, some twice."""
    now_ms = T0 + draw.randrange(DAY_MS)
    for _ in range(draw.randrange(5, 30)):
        now_ms += draw.choice((1000, MINUTE_MS, HOUR_MS, 5 * HOUR_MS, DAY_MS))
        late_ms = (0, 0, 0, draw.randrange(2 * MINUTE_MS), draw.randrange(3 * HOUR_MS), draw.randrange(3 * DAY_MS))
        times = [max(now_ms - draw.choice(late_ms), T0) for _ in range(draw.randrange(1, 40))]
        values = (draw.randrange(-160, 320) / 16, draw.uniform(-30, 30), -0.0)
        yield (
            now_ms,
            [
                StoredReading("larch", "soil", "soil", "Cel", draw.choice(values), at_ms, now_ms, draw.choice(GRADES))
                for at_ms in times
            ],
        )


def told(connection: sqlite3.Connection, draw: random.Random) -> tuple[Plain, int]:
    """Keep batches and pack now and then; returns what was told first of each instant, and when [ms UTC] it ends."""
    keeping, plain, now_ms = Keeping(connection), Plain(), T0
    for now_ms, batch in batches(draw):
        new = len({item.taken_ms for item in batch} - plain.keys())
        for item in batch:
            plain.setdefault(item.taken_ms, (item.value, item.grade))
        assert keeping.add(batch) == new
        for _ in range(draw.choice((0, 3, 100))):
            keeping.pack(now_ms)
        if draw.random() < 0.1:
            keeping.pack_all()
            keeping = Keeping(connection)
    return plain, now_ms


def by_hand(plain: Plain, start_ms: int, end_ms: int, points: int) -> list[Bucket]:
    """Return the buckets of a chart, counted one by one."""
    lie, found = borders(start_ms, end_ms, points), dict[int, list[float]]()
    for at_ms, (value, grade) in plain.items():
        if start_ms <= at_ms < end_ms and grade != "refused":
            found.setdefault((at_ms - lie.first_ms) // lie.width_ms * lie.width_ms + lie.first_ms, []).append(value)
    return [
        Bucket(at_ms, min(all_), sum(all_) / len(all_), max(all_), len(all_)) for at_ms, all_ in sorted(found.items())
    ]


@pytest.mark.parametrize("seed", range(12))
def test_whatever_the_order_a_chart_is_what_counting_gives(tmp_path: Path, seed: int) -> None:
    """Any range, often one that ends beside a reading, and any points; every reading is there
    once; and the roll-ups are what the readings come to."""
    draw = random.Random(seed)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as connection:
        plain, now_ms = told(connection, draw)
        for _ in range(30):
            anywhere_ms, near_ms = T0 + draw.randrange(now_ms - T0 + DAY_MS), draw.choice(list(plain))
            start_ms = draw.choice((anywhere_ms, max(near_ms - draw.randrange(2 * MINUTE_MS), 0)))
            end_ms = start_ms + draw.randrange(1, draw.choice((2 * MINUTE_MS, HOUR_MS, DAY_MS, 20 * DAY_MS)))
            points = draw.choice((1, 7, 100, 1500))
            (found,) = reading_back.series(connection, "larch", None, start_ms, end_ms, points)
            said = by_hand(plain, start_ms, end_ms, points)
            assert [(*row[:2], *row[3:]) for row in found.rows] == [(*row[:2], *row[3:]) for row in said]
            assert [row.mean for row in found.rows] == pytest.approx([row.mean for row in said])
        assert [row[1] for row in kept.rows(connection)] == sorted(plain)
        compared = [comparing.compare(connection, one, 0) for one in comparing.closed_days(connection)]
        assert [each.tables for each in compared if each.tables or each.unread] == []
