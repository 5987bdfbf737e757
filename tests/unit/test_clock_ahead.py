"""A clock that was ahead for a while, by hours or by decades, costs later no more than what it said meanwhile."""

import random
import shutil
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from sqlite3 import Connection

import pytest

from controller.settings import RemoteKind
from controller.store import blocks, rolled
from controller.store.connection import open_writer
from controller.store.keeping import Keeping
from controller.store.migrations import JOURNAL, READINGS
from controller.store.outbox import Outbox
from controller.store.points import Points
from controller.store.readings import HOUR_MS, MINUTE_MS, StoredReading
from controller.store.stretch import EVER_MS, Stretches
from controller.store.sums import DAY_MS
from tests import kept

T0 = 1_772_000_000_000 - 1_772_000_000_000 % DAY_MS
YEARS_MS = 29 * 365 * DAY_MS
EACH_MS = 10_000


@pytest.fixture
def record(tmp_path: Path) -> Iterator[Connection]:
    """Yield an empty record, with a journal beside it."""
    with (
        closing(open_writer(tmp_path / "journal.db", JOURNAL)),
        closing(open_writer(tmp_path / "readings.db", READINGS)) as connection,
    ):
        yield connection


def say(keeping: Keeping, start_ms: int, end_ms: int, probes: tuple[str, ...] = ("soil", "air")) -> None:
    """Keep what probes say by our clock from one instant on until another, three readings in each commit."""
    for at_ms in range(start_ms, end_ms, 3 * EACH_MS):
        moments = range(at_ms, min(at_ms + 3 * EACH_MS, end_ms), EACH_MS)
        keeping.add(
            [StoredReading("larch", p, p, "Cel", 15.0 + n % 7 / 16, n, n, "good") for n in moments for p in probes]
        )


def pack(keeping: Keeping, now_ms: int) -> None:
    """Do all that is due."""
    while keeping.pack(now_ms):
        pass


def count(record: Connection, table: str) -> int:
    """Return how many rows a table has."""
    return int(record.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


def test_what_comes_later_is_in_order_again(record: Connection) -> None:
    """A minute of 2055 costs a few notes of late readings, not one for each reading until then; also over restarts."""
    keeping = Keeping(record)
    say(keeping, T0, T0 + HOUR_MS)
    say(keeping, T0 + YEARS_MS, T0 + YEARS_MS + MINUTE_MS)
    for hour in range(1, 5):
        say(keeping, T0 + hour * HOUR_MS, T0 + (hour + 1) * HOUR_MS)
        keeping = Keeping(record)
    assert count(record, "late") <= 2 * 3 * 4
    assert count(record, "resumed") == 2
    assert len(kept.rows(record)) == 2 * (5 * 360 + 6)


def test_a_probe_goes_on_after_what_it_has_come_to(record: Connection) -> None:
    """Two days ahead, two days later: what fell in between is kept once each, and what follows is in order."""
    keeping, ahead_ms = Keeping(record), T0 + 3 * DAY_MS
    say(keeping, T0, T0 + MINUTE_MS)
    say(keeping, ahead_ms, ahead_ms + MINUTE_MS)
    for start_ms in (T0 + 2 * MINUTE_MS, ahead_ms - MINUTE_MS + 5):
        say(keeping, start_ms, start_ms + MINUTE_MS)
    say(keeping, ahead_ms + 5, ahead_ms + 10 * MINUTE_MS)
    assert count(record, "late") == 2 * (3 + 5)
    say(keeping, ahead_ms, ahead_ms + 10 * MINUTE_MS)
    assert len(kept.rows(record, "soil")) == 6 + 6 + 6 + 6 + 60 + 54


@pytest.mark.parametrize("late", [False, True])
def test_what_is_told_again_where_a_probe_goes_on_is_kept_once(record: Connection, late: bool) -> None:
    """The last reading, and those before it; also once one has come that lay before all of them."""
    keeping, now_ms = Keeping(record), T0 + 2 * HOUR_MS
    for start_ms in (T0, T0 + YEARS_MS, now_ms):
        say(keeping, start_ms, start_ms + MINUTE_MS)
    if late:
        say(keeping, T0 + HOUR_MS, T0 + HOUR_MS + EACH_MS)
    before = len(kept.rows(record))
    say(keeping, now_ms, now_ms + MINUTE_MS)
    assert len(kept.rows(record)) == before == 2 * (18 + late)


def test_a_clock_not_set_yet_opens_no_line_of_1970(record: Connection) -> None:
    """Machines without a battery begin there at each start: their few readings are noted as late."""
    keeping = Keeping(record)
    say(keeping, T0, T0 + MINUTE_MS)
    say(keeping, MINUTE_MS, 2 * MINUTE_MS)
    say(keeping, T0 + MINUTE_MS, T0 + 2 * MINUTE_MS)
    assert (count(record, "late"), count(record, "resumed")) == (12, 0)


def test_a_clock_days_behind_unpacks_no_hour_at_each_commit(
    record: Connection, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Among readings that are there already nobody goes on in order; it was looked for anew each time, in a block."""
    keeping = Keeping(record)
    say(keeping, T0, T0 + HOUR_MS // 2)
    say(keeping, T0 + 3 * DAY_MS, T0 + 3 * DAY_MS + MINUTE_MS)
    keeping.pack_all()
    unpacked: list[bytes] = []
    unpack = blocks.unpack
    monkeypatch.setattr(blocks, "unpack", lambda packed: unpacked.append(packed) or unpack(packed))
    say(keeping, T0 + 5, T0 + 10 * MINUTE_MS)
    assert (len(unpacked), count(record, "late"), count(record, "resumed")) == (2, 2 * 60, 0)


class Elsewhere:
    """A store elsewhere: what was told of each reading, minute and hour, the last word for each stamp."""

    def __init__(self, folder: Path, kind: RemoteKind) -> None:
        self._outbox = Outbox(folder, Points(kind, "hollow"))
        self.told: dict[tuple[str, str, int], str] = {}
        self.lines = 0

    def take(self, turns: int) -> None:
        """Take some batches."""
        for _ in range(turns):
            batch = self._outbox.next()
            if batch is None:
                return
            self._outbox.done(batch)
            for point in batch.points:
                tags, fields, at_ns = point.to_line_protocol().split(" ")
                kind, *rest = tags.split(",")
                (probe,) = (each for each in rest if each.startswith("probe="))
                self.told[kind, probe, int(at_ns) // 1_000_000] = fields
                self.lines += 1

    def close(self) -> None:
        """Let go."""
        self._outbox.close()


def live(record: Connection, elsewhere: Elsewhere, draw: random.Random) -> None:
    """Let a site go on for some days of which it says little, by a clock that leaps ahead and is set right again."""
    keeping, true_ms = Keeping(record), T0
    for _ in range(12):
        ahead_ms = draw.choice((0, 0, HOUR_MS, 2 * DAY_MS, 40 * DAY_MS, YEARS_MS, 2 * YEARS_MS))
        length_ms = draw.choice((MINUTE_MS, HOUR_MS // 2, 5 * HOUR_MS // 4))
        now_ms = true_ms + ahead_ms
        say(keeping, now_ms, now_ms + length_ms)
        true_ms += length_ms + draw.choice((0, EACH_MS // 2, 9 * HOUR_MS))
        if draw.random() < 0.6:
            pack(keeping, now_ms + length_ms)
        if draw.random() < 0.3:
            keeping = Keeping(record)
        elsewhere.take(draw.choice((0, 1, 50)))


@pytest.mark.parametrize("kind", [RemoteKind.INFLUXDB_2, RemoteKind.VICTORIA_METRICS])
@pytest.mark.parametrize("seed", range(5))
def test_a_store_elsewhere_gets_all_of_it(record: Connection, tmp_path: Path, kind: RemoteKind, seed: int) -> None:
    """Every reading, and every hour that is over, as it is on record; whatever had been sent as the clock was set."""
    draw, elsewhere = random.Random(seed), Elsewhere(tmp_path, kind)
    live(record, elsewhere, draw)
    elsewhere.take(1000)
    numbers = record.execute("SELECT id, name FROM probe").fetchall()
    rows = {(name, row[1]) for _, name in numbers for row in kept.rows(record, name)}
    hours = {
        (name, at_ms): f"count={many}i,"
        for number, name in numbers
        for at_ms, many, *_ in rolled.hours(Stretches(record), number, 0, EVER_MS).rows()
    }
    assert {(probe[6:], at_ms) for what, probe, at_ms in elsewhere.told if what == "reading"} == rows
    told = {(probe[6:], at_ms): said for (what, probe, at_ms), said in elsewhere.told.items() if what == "reading_hour"}
    # The last hour of each line is not over; one that it began in stays untold where it cannot be told anew.
    lines = len(numbers) + count(record, "resumed")
    assert len(hours.keys() - told.keys()) <= 2 * lines
    assert told.keys() <= hours.keys()
    if kind is RemoteKind.INFLUXDB_2:
        assert sum(not told.get(key, "").startswith(many) for key, many in hours.items()) <= lines
    elsewhere.close()


def test_what_is_told_elsewhere_is_told_once(record: Connection, tmp_path: Path) -> None:
    """Day after day behind a minute of 2055: nothing goes twice but what was late, and each hour as it came to be."""
    keeping, elsewhere = Keeping(record), Elsewhere(tmp_path, RemoteKind.INFLUXDB_2)
    say(keeping, T0, T0 + HOUR_MS // 2)
    say(keeping, T0 + YEARS_MS, T0 + YEARS_MS + MINUTE_MS)
    elsewhere.take(100)
    for hour in range(1, 30):
        say(keeping, T0 + hour * HOUR_MS, T0 + (hour + 1) * HOUR_MS)
        pack(keeping, T0 + (hour + 1) * HOUR_MS + 2 * MINUTE_MS)
        elsewhere.take(100)
    told = [key for key in elsewhere.told if key[0] == "reading"]
    assert len(told) == len(kept.rows(record))
    hours = sorted(key[2] for key in elsewhere.told if key[:2] == ("reading_hour", "probe=soil"))
    assert hours == [T0 + hour * HOUR_MS for hour in range(29)]
    for hour in range(1, 29):
        assert "count=360i" in elsewhere.told["reading_hour", "probe=soil", T0 + hour * HOUR_MS]
    assert elsewhere.lines - len(elsewhere.told) < 50
    elsewhere.close()


@pytest.mark.parametrize("was_ahead", [False, True])
def test_the_last_hour_of_a_stretch_that_is_over_is_told_as_well(
    record: Connection, tmp_path: Path, was_ahead: bool
) -> None:
    """What was taken in, days before all there is; or what a node tells behind two silent days, where a clock was ahead
    once. Nothing there ever passes it."""
    keeping, elsewhere, late_ms = Keeping(record), Elsewhere(tmp_path, RemoteKind.INFLUXDB_2), T0 + 3 * DAY_MS
    if was_ahead:
        say(keeping, T0 - DAY_MS, T0 - DAY_MS + MINUTE_MS)
        say(keeping, T0 + YEARS_MS, T0 + YEARS_MS + MINUTE_MS)
    say(keeping, late_ms, late_ms + MINUTE_MS)
    elsewhere.take(100)
    for at_ms in range(T0, T0 + 3 * HOUR_MS // 2, EACH_MS):
        keeping.add([StoredReading("larch", "soil", "soil", "Cel", 15.0, at_ms, at_ms, "good")])
    if was_ahead:
        say(keeping, late_ms + MINUTE_MS, late_ms + 2 * MINUTE_MS)
    else:
        keeping.pack_all()
    elsewhere.take(100)
    for at_ms, many in ((T0, 360), (T0 + HOUR_MS, 180)):
        assert elsewhere.told["reading_hour", "probe=soil", at_ms].startswith(f"count={many}i,")
    elsewhere.close()


@pytest.mark.parametrize("kind", [RemoteKind.INFLUXDB_2, RemoteKind.VICTORIA_METRICS])
def test_a_record_put_back_from_before_its_clock_was_ahead_is_told_on(tmp_path: Path, kind: RemoteKind) -> None:
    """What is elsewhere of 2055 is not on record any more: until then nothing of the site would have gone there."""
    open_writer(tmp_path / "journal.db", JOURNAL).close()
    file, backup = tmp_path / "readings.db", tmp_path / "backup"
    lives = [(T0, None), (T0 + YEARS_MS, backup), (T0 + HOUR_MS, None)]
    elsewhere = Elsewhere(tmp_path, kind)
    for start_ms, keep_as in lives:
        if keep_as is not None:
            shutil.copy(file, keep_as)
        with closing(open_writer(file, READINGS)) as record:
            say(Keeping(record), start_ms, start_ms + 2 * MINUTE_MS)
    elsewhere.take(100)
    backup.rename(file)
    with closing(open_writer(file, READINGS)) as record:
        say(Keeping(record), T0 + 2 * HOUR_MS, T0 + 3 * HOUR_MS + MINUTE_MS)
        elsewhere.take(100)
        rows = {row[1] for row in kept.rows(record, "soil")}
    told = {at_ms for what, probe, at_ms in elsewhere.told if (what, probe) == ("reading", "probe=soil")}
    assert rows <= told
    assert elsewhere.told["reading_hour", "probe=soil", T0 + 2 * HOUR_MS].startswith("count=360i,")
    elsewhere.close()
