"""Readings: kept once, rolled up, and read back exactly."""

import math
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from controller.errors import StoreError
from controller.store import blocks
from controller.store.connection import open_writer
from controller.store.keeping import Keeping, add
from controller.store.migrations import READINGS
from controller.store.reading_back import hours, means, series
from controller.store.readings import Bucket, StoredReading
from tests import kept

T0 = 1_772_000_000_123
DAY_MS = 86_400_000


@pytest.fixture
def store(tmp_path: Path) -> Iterator[sqlite3.Connection]:
    connection = open_writer(tmp_path / "readings.db", READINGS)
    yield connection
    connection.close()


def soil(
    value: float, taken_ms: int, *, probe: str = "soil-10", grade: str = "good", unit: str = "Cel"
) -> StoredReading:
    return StoredReading("north", probe, "soil", unit, value, taken_ms, taken_ms + 40, grade)


def number_kept(store: sqlite3.Connection) -> int:
    return len(kept.rows(store))


def test_a_redelivered_reading_is_kept_once_and_counted_once(store: sqlite3.Connection) -> None:
    """Neither the readings nor the roll-ups see it twice, in the same batch or later, and the first telling stays."""
    assert add(store, [soil(18.0, T0), soil(18.0, T0), soil(19.0, T0 + 1)]) == 2
    assert add(store, [soil(99.0, T0), soil(20.0, T0 + 2)]) == 1
    assert add(store, [soil(99.0, T0 + 2)]) == 0
    assert number_kept(store) == 3
    assert series(store, "north", None, T0, T0 + 3, 1)[0].rows == [Bucket(T0, 18.0, 19.0, 20.0, 3)]


def test_what_waited_before_a_restart_is_known_whatever_came_first(store: sqlite3.Connection) -> None:
    """A broker tells new readings first, and then those whose acknowledgement was lost."""
    add(store, [soil(18.0, T0), soil(19.0, T0 + 1)])
    keeping = Keeping(store)
    assert [keeping.add([soil(20.0, T0 + after_ms)]) for after_ms in (2, 0, 1)] == [1, 0, 0]


def test_a_late_reading_is_known_once_it_is_packed(store: sqlite3.Connection) -> None:
    """Its hour was looked up as it came, and it was not there."""
    keeping = Keeping(store)
    keeping.add([soil(18.0, T0), soil(18.0, T0 + 100)])
    for _ in range(2):
        keeping.pack_all()
        keeping.add([soil(19.0, T0 + 50)])
    assert number_kept(store) == 3


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, -273.16, 1_000_001.0])
def test_a_value_that_cannot_be_is_refused_with_its_batch(store: sqlite3.Connection, value: float) -> None:
    """All or none, and never silently dropped."""
    with pytest.raises(StoreError, match=r"'soil-10': value .* is outside -273\.15\.\.1e\+06; correct"):
        add(store, [soil(18.0, T0), soil(value, T0 + 1)])
    assert number_kept(store) == 0
    assert add(store, [soil(-273.15, T0), soil(1e6, T0 + 1)]) == 2


def test_what_waits_is_unpacked_once_for_all_who_read_it_and_anew_after_a_commit(
    store: sqlite3.Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The page of forty enclosures unpacked all their probes' rows twice for each; each reads through its own."""
    unpacked: list[bytes] = []
    unpack = blocks.unpack
    monkeypatch.setattr(blocks, "unpack", lambda packed: unpacked.append(packed) or unpack(packed))
    for second in range(3):
        batch = [soil(18.0 + second, T0 + second), soil(5.0, T0 + second)._replace(enclosure="south")]
        add(store, batch)
        unpacked.clear()
        for _ in range(2):
            (north,), (south,) = (series(store, name, None, T0, T0 + 9, 1) for name in ("north", "south"))
        assert (north.rows[0].most, south.rows[0].most) == (18.0 + second, 5.0)
        assert (north.rows[0].count, len(unpacked)) == (second + 1, second + 1)


def test_a_grade_that_nobody_gives_is_refused(store: sqlite3.Connection) -> None:
    """A block has no room for another word; the batch is refused, not the whole record."""
    with pytest.raises(StoreError, match="'soil-10': grade 'fine' is none of doubted, good, history, refused"):
        add(store, [soil(18.0, T0), soil(18.0, T0 + 1, grade="fine")])
    assert number_kept(store) == 0


def test_a_probe_that_changes_its_unit_is_refused(store: sqlite3.Connection) -> None:
    """Two units under one name would draw one false line."""
    add(store, [soil(18.0, T0)])
    with pytest.raises(StoreError, match=r"'soil-10': kept in 'Cel' so far and now reports 'A'; give"):
        add(store, [soil(2.0, T0 + 1, unit="A")])


def test_a_refused_reading_is_kept_but_not_drawn(store: sqlite3.Connection) -> None:
    """A sensor's error code is in the record and in no extreme, from readings and roll-ups alike."""
    hour = T0 - T0 % 3_600_000
    add(store, [soil(18.0, hour), soil(85.0, hour + 1, grade="refused"), soil(-127.0, hour + 2, grade="refused")])
    assert number_kept(store) == 3
    for width_ms in (10, 60_000, 3_600_000):
        assert series(store, "north", None, hour, hour + width_ms, 1)[0].rows == [Bucket(hour, 18.0, 18.0, 18.0, 1)]


def test_a_gap_stays_a_gap(store: sqlite3.Connection) -> None:
    """An empty bucket is absent, not zero and not bridged."""
    add(store, [soil(18.0, T0), soil(19.0, T0 + 90)])
    rows = series(store, "north", None, T0, T0 + 100, 10)[0].rows
    assert [row.start_ms for row in rows] == [T0, T0 + 90]


def test_a_range_holds_its_start_and_not_its_end(store: sqlite3.Connection) -> None:
    """Neighbouring ranges share no reading and lose none."""
    add(store, [soil(18.0, T0 - 1), soil(19.0, T0), soil(20.0, T0 + 10)])
    assert [row.mean for row in series(store, "north", None, T0, T0 + 10, 1)[0].rows] == [19.0]


def test_probes_are_chosen_by_name(store: sqlite3.Connection) -> None:
    """None means all in order of name; a name never heard of is left out; other enclosures are not shown."""
    add(store, [soil(18.0, T0, probe="soil-20"), soil(17.0, T0)])
    assert [one.probe for one in series(store, "north", None, T0, T0 + 1, 5)] == ["soil-10", "soil-20"]
    assert [one.probe for one in series(store, "north", ["soil-20", "none"], T0, T0 + 1, 5)] == ["soil-20"]
    assert series(store, "north", [], T0, T0 + 1, 5) == []
    assert series(store, "southwall", None, T0, T0 + 1, 5) == []


def test_a_probe_that_never_spoke_has_neither_means_nor_hours(store: sqlite3.Connection) -> None:
    """As one that settings name since today."""
    add(store, [soil(18.0, T0)])
    assert means(store, "north", "soil-20", 0, T0 + DAY_MS) == []
    assert hours(store, "north", "soil-20", 0) == []


@pytest.mark.parametrize("points", [-1, 0, 1501])
def test_points_are_bounded(store: sqlite3.Connection, points: int) -> None:
    """No request can ask for an answer of any size."""
    with pytest.raises(ValueError, match=r"outside 1\.\.1500"):
        series(store, "north", None, T0, T0 + 1, points)


@pytest.mark.parametrize(("points", "width_h"), [(1, 31), (3, 11), (31, 1)])
def test_a_range_that_begins_within_an_hour_has_no_bucket_more(
    store: sqlite3.Connection, points: int, width_h: int
) -> None:
    """They lie on whole hours, so the first one begins before it: counted from the start, they would be one more."""
    start_ms = T0 - T0 % 3_600_000 + 1_800_000
    add(store, [soil(18.0, start_ms), soil(19.0, start_ms + 30 * 3_600_000 - 1)])
    (found,) = series(store, "north", None, start_ms, start_ms + 30 * 3_600_000, points)
    assert (found.bucket_ms, len(found.rows)) == (width_h * 3_600_000, min(points, 2))


@pytest.mark.parametrize("length_ms", [0, -1])
def test_an_empty_range_is_refused(store: sqlite3.Connection, length_ms: int) -> None:
    """A swapped start and end is said, not answered with nothing."""
    with pytest.raises(ValueError, match="swap"):
        series(store, "north", None, T0, T0 + length_ms, 1)


def test_where_readings_are_gone_a_range_ends_with_whole_minutes(store: sqlite3.Connection) -> None:
    """Hours and minutes of old days stay; nothing is drawn twice and nothing outside the range."""
    day_ms = T0 - T0 % DAY_MS
    keeping = Keeping(store)
    keeping.add([soil(float(number % 7), day_ms + 10_000 * number) for number in range(3 * 8640)])
    keeping.pack_all()
    start_ms, end_ms = day_ms + 3_600_000 + 90_000, day_ms + DAY_MS + 4 * 3_600_000 + 150_000
    before = series(store, "north", None, start_ms, end_ms, 10)[0].rows
    store.execute("DELETE FROM block")
    after = series(store, "north", None, start_ms, end_ms, 10)[0].rows
    assert after[1:-1] == before[1:-1]
    # The first half minute and the last one are gone: of 90 s after the hour on, what begins at 120 s.
    assert before[0].count - after[0].count == 3
    assert after[-1].count - before[-1].count == 3


@given(
    said=st.lists(st.tuples(st.integers(0, 4 * DAY_MS), st.floats(-60, 120)), min_size=1, max_size=60),
    packed=st.integers(0, 60),
    offset_ms=st.integers(-DAY_MS, DAY_MS),
    length_ms=st.one_of(st.integers(1, 5 * DAY_MS), st.integers(1, 400_000)),
    points=st.one_of(st.integers(1, 1500), st.integers(1, 12)),
)
@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_series_equals_counting_by_hand(
    store: sqlite3.Connection,
    said: list[tuple[int, float]],
    packed: int,
    offset_ms: int,
    length_ms: int,
    points: int,
) -> None:
    """Whatever the width and however ragged the borders, roll-ups give what the readings give, within `points`.

    Some are packed and their days closed, the others come later and wait.
    """
    for table in ("late", "resumed", "probe", "tail", "block", "hours", "tens", "minutes"):
        store.execute(f"DELETE FROM {table}")
    by_hand = {T0 + at_ms: value for at_ms, value in reversed(said)}
    keeping = Keeping(store)
    keeping.add([soil(value, T0 + at_ms) for at_ms, value in said[:packed]])
    keeping.pack_all()
    keeping.add([soil(value, T0 + at_ms) for at_ms, value in said[packed:]])
    start_ms, end_ms = T0 + offset_ms, T0 + offset_ms + length_ms
    (found,) = series(store, "north", ["soil-10"], start_ms, end_ms, points)
    short = length_ms <= 26 * 3_600_000
    unit_ms = (
        1 if short else next((each for each in (3_600_000, 600_000, 60_000) if -(-length_ms // points) >= each), 1)
    )
    first_ms = start_ms - start_ms % unit_ms
    hand: dict[int, list[float]] = {}
    for at_ms, value in by_hand.items():
        if start_ms <= at_ms < end_ms:
            hand.setdefault(first_ms + (at_ms - first_ms) // found.bucket_ms * found.bucket_ms, []).append(value)
    assert found.bucket_ms % unit_ms == 0
    assert [(row.start_ms, row.least, row.most, row.count) for row in found.rows] == [
        (at_ms, min(values), max(values), len(values)) for at_ms, values in sorted(hand.items())
    ]
    for row in found.rows:
        assert row.mean == pytest.approx(math.fsum(hand[row.start_ms]) / row.count, abs=1e-9)
        assert row.least <= row.mean <= row.most
    assert -(-(end_ms - first_ms) // found.bucket_ms) <= points
