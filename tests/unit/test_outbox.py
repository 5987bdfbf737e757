"""What is left to send, told from the files alone."""

import re
import sqlite3
from collections import Counter
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.errors import StoreError
from controller.settings import RemoteKind
from controller.store import comparing, journal, runs
from controller.store.connection import open_reader, open_writer, transaction
from controller.store.journal import Entry
from controller.store.keeping import Keeping
from controller.store.migrations import JOURNAL, READINGS
from controller.store.outbox import Outbox
from controller.store.points import Points
from controller.store.readings import MINUTE_MS, StoredReading
from controller.store.sums import DAY_MS

T0 = 1_772_000_000_000


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    """Yield the outbox of a folder with an empty record."""
    open_writer(tmp_path / "readings.db", READINGS).close()
    one = Outbox(tmp_path, Points(RemoteKind.INFLUXDB_2, "hollow"))
    yield one
    one.close()


def enter(folder: Path, why: str, count: int, start_ms: int = T0) -> None:
    """Write journal entries."""
    with closing(open_writer(folder / "journal.db", JOURNAL)) as written:
        journal.append(written, [Entry("answer", "larch", "keeper", why, {}, start_ms + n) for n in range(count)])


def send(outbox: Outbox) -> int:
    """Take all that waits as sent; returns how many points that were."""
    count = 0
    while (batch := outbox.next()) is not None:
        outbox.done(batch)
        count += len(batch.points)
    return count


def test_a_journal_begun_anew_is_sent_from_its_beginning(outbox: Outbox, tmp_path: Path) -> None:
    """The old one was damaged and is put away; the numbers of the new one have been given before."""
    enter(tmp_path, "the old one", 5)
    assert (send(outbox), send(outbox)) == (5, 0)
    (tmp_path / "journal.db").rename(tmp_path / "journal.db.away")
    enter(tmp_path, "the new one", 3)
    assert (send(outbox), send(outbox)) == (3, 0)
    enter(tmp_path, "more of it", 1)
    assert send(outbox) == 1


def heat(folder: Path, count: int, start_ms: int) -> None:
    """Keep heater runs, and say more of the last one's end."""
    with closing(open_writer(folder / "readings.db", READINGS)) as record, transaction(record):
        for at_ms in range(start_ms, start_ms + count * 1000, 1000):
            runs.begin(record, "larch", at_ms)
            runs.finish(record, "larch", at_ms + 500, "node silent")
        runs.explain(record, "larch", "; it let go by itself")


@pytest.mark.parametrize("count", [3, 7])
def test_what_is_entered_after_a_backup_was_put_back_is_sent(outbox: Outbox, tmp_path: Path, count: int) -> None:
    """It counts on from the backup's last number; what had been sent beyond that was taken for what came after it.

    Also where it has counted on beyond all that was sent, before the store was there again.
    """
    enter(tmp_path, "before the backup", 5)
    heat(tmp_path, 5, T0)
    for name in ("journal.db", "readings.db"):
        (tmp_path / f"{name}.backup").write_bytes((tmp_path / name).read_bytes())
    enter(tmp_path, "lost", 5, T0 + 100_000)
    heat(tmp_path, 5, T0 + 100_000)
    sent_lines(outbox)
    for name in ("journal.db", "readings.db"):
        (tmp_path / f"{name}.backup").rename(tmp_path / name)
    enter(tmp_path, "after it", count, T0 + 200_000)
    heat(tmp_path, count, T0 + 200_000)
    lines = sent_lines(outbox)
    assert sum("after it" in line for line in lines) == count
    begun = {f"{(T0 + 200_000 + n * 1000) * 1_000_000}" for n in range(count)}
    assert begun <= {line.rpartition(" ")[2] for line in lines}
    assert sent_lines(outbox) == []


def test_a_contact_that_stays_closed_holds_up_no_other_run(outbox: Outbox, tmp_path: Path) -> None:
    """Welded, for days: it goes once it has ended, and what was said of it meanwhile is in its words."""
    open_writer(tmp_path / "journal.db", JOURNAL).close()
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        runs.begin(record, "elder", T0)
    for number in range(3):
        heat(tmp_path, 2000, T0 + number * 10_000_000)
    lines = set(sent_lines(outbox))
    assert (len(lines), any("elder" in line for line in lines)) == (6000, False)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        runs.begin(record, "ash", T0 + 40_000_000)
        runs.finish(record, "elder", T0 + 50_000_000, "node silent")
        record.execute("UPDATE heater_run SET ended_by = 'let go' WHERE enclosure = 'elder'")
        record.execute("INSERT INTO explained (run_id) VALUES (1)")
    (elder,) = set(sent_lines(outbox))
    assert (elder.startswith("heater_run,enclosure=elder"), '"let go"' in elder) == (True, True)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        runs.finish(record, "ash", T0 + 60_000_000, "node silent")
    assert len(sent_lines(outbox)) == 1


def test_what_is_sent_is_not_looked_through_again(
    outbox: Outbox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A look each ten seconds took a tenth of a second more with each hundred thousand runs on record."""
    steps: list[int] = []

    def counted(file: Path) -> sqlite3.Connection:
        record = open_reader(file)
        record.set_progress_handler(lambda: steps.append(100), 100)
        return record

    monkeypatch.setattr("controller.store.outbox.open_reader", counted)
    open_writer(tmp_path / "journal.db", JOURNAL).close()
    looks = []
    for number in range(2):
        heat(tmp_path, 2000, T0 + number * 10_000_000)
        sent_lines(outbox)
        steps.clear()
        assert outbox.next() is None
        looks.append(sum(steps))
    assert looks[1] <= looks[0] + 200


def test_a_node_s_backlog_goes_in_few_batches(outbox: Outbox, tmp_path: Path) -> None:
    """To look at all probes takes longer than to send hundreds of readings: thousands go at a time."""
    early = StoredReading("larch", "soil", "soil", "Cel", 15.0, T0, T0, "good")
    open_writer(tmp_path / "journal.db", JOURNAL).close()
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        keeping = Keeping(record)
        keeping.add([early, early._replace(taken_ms=T0 + DAY_MS)])
        send(outbox)
        keeping.add([early._replace(taken_ms=T0 + 10_000 * number) for number in range(1, 2001)])
    (turn,) = readings_sent(outbox, 9)
    assert len(turn) == 2000


def test_a_damaged_journal_keeps_no_reading_back(outbox: Outbox, tmp_path: Path) -> None:
    """Nothing heats then: whoever looks from elsewhere must see how cold it gets. It is told with each batch."""
    enter(tmp_path, "before", 200)
    count = say(tmp_path, 2, 1, 3)
    with (tmp_path / "journal.db").open("r+b") as raw:
        raw.seek(4096)
        raw.write(b"\xa5" * ((tmp_path / "journal.db").stat().st_size - 4096))
    batch = outbox.next()
    assert batch is not None
    assert sum(each.to_line_protocol().startswith("reading,") for each in batch.points) == count
    assert batch.trouble.startswith("journal.db is damaged; ")
    outbox.done(batch)
    with pytest.raises(StoreError, match=r"journal\.db is damaged; without a journal there is no heat: stop Soilward"):
        outbox.next()


@pytest.mark.parametrize(("table", "lost"), [("block", 60), ("hours", 0), ("minutes", 0)])
def test_what_a_card_has_spoilt_is_told_and_keeps_nothing_else_back(
    outbox: Outbox, tmp_path: Path, table: str, lost: int
) -> None:
    """One hour of a probe, or a day of its roll-ups, while the store was away: nothing behind it ever went, nor of the
    other probes. Roll-ups that are made anew follow; until then nobody looks for them again and again without a rest.
    """
    enter(tmp_path, "entered", 1)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        keeping, first_ms = Keeping(record), T0 - T0 % DAY_MS
        moments = range(first_ms, first_ms + 4 * DAY_MS, MINUTE_MS)
        for name in ("soil", "air"):
            keeping.add([StoredReading("larch", name, name, "Cel", 15.0, at, at, "good") for at in moments])
        keeping.pack_all()
        record.execute(f"UPDATE {table} SET packed = substr(packed, 1, 40) WHERE id = (SELECT min(id) FROM {table})")
        lines, troubles = list[str](), set[str]()
        while (batch := outbox.next()) is not None and batch.points:
            outbox.done(batch)
            lines += [each.to_line_protocol() for each in batch.points]
            troubles.add(batch.trouble)
        assert not (batch and batch.full)
        kinds = Counter(re.split("[, ]", line)[0] for line in lines)
        assert (kinds["reading"], kinds["journal"]) == (2 * len(moments) - lost, 1)
        assert any(("put back" if lost else "verify --mend") in each for each in troubles)
        for day in comparing.closed_days(record):
            comparing.mend(record, day, comparing.compare(record, day, 0))
    hours = kinds["reading_hour"] + sum(line.startswith("reading_hour,") for line in sent_lines(outbox))
    assert hours == 2 * 95


def sent_lines(outbox: Outbox) -> list[str]:
    """Take all that waits as sent; returns it in line protocol."""
    lines = list[str]()
    while (batch := outbox.next()) is not None:
        outbox.done(batch)
        lines += [each.to_line_protocol() for each in batch.points]
    return lines


def test_what_has_arrived_is_not_sent_again_after_a_restart(outbox: Outbox, tmp_path: Path) -> None:
    """How far it was sent is on disk: else each start would send years of record."""
    enter(tmp_path, "once", 3)
    assert send(outbox) == 3
    outbox.close()
    with closing(Outbox(tmp_path, Points(RemoteKind.INFLUXDB_2, "hollow"))) as again:
        assert again.next() is None


@pytest.mark.parametrize(
    ("kind", "more"),
    [(RemoteKind.INFLUXDB_2, ["reading_hour 19.0 2", "reading_minute 19.0 1"]), (RemoteKind.VICTORIA_METRICS, [])],
)
def test_what_comes_late_goes_once_more_with_its_minute_and_hour(
    tmp_path: Path, kind: RemoteKind, more: list[str]
) -> None:
    """Where a point written anew replaces the old one; elsewhere a second one of its stamp would stand beside it."""
    late, early = T0 - T0 % DAY_MS + 5 * MINUTE_MS, T0 - T0 % DAY_MS + 9 * MINUTE_MS
    open_writer(tmp_path / "journal.db", JOURNAL).close()
    with (
        closing(open_writer(tmp_path / "readings.db", READINGS)) as record,
        closing(Outbox(tmp_path, Points(kind, "hollow"))) as outbox,
    ):
        said = StoredReading("larch", "soil", "soil", "Cel", 15.0, early, early, "good")
        keeping = Keeping(record)
        keeping.add([said, said._replace(taken_ms=early + DAY_MS)])
        send(outbox)
        keeping.add([said._replace(taken_ms=late, value=19.0)])
        batch = outbox.next()
        assert batch is not None
        points = [(each._name, each._fields) for each in batch.points]
        assert points[0] == ("reading", {"value": 19.0})
        assert [f"{name} {fields['most']} {fields['count']}" for name, fields in points[1:]] == more
        outbox.done(batch)
        assert outbox.next() is None


ROUND_MS = 10_000


def say(folder: Path, probes: int, quick: int, rounds: int) -> int:
    """Keep what probes say each ten seconds, and one more that says `quick` readings in that time; returns how many."""
    with (
        closing(open_writer(folder / "journal.db", JOURNAL)),
        closing(open_writer(folder / "readings.db", READINGS)) as record,
    ):
        keeping = Keeping(record)
        for start_ms in range(T0, T0 + rounds * ROUND_MS, ROUND_MS):
            said = [(f"p{number}", start_ms + number * ROUND_MS // probes) for number in range(probes)]
            said += [("quick", start_ms + number * ROUND_MS // quick) for number in range(quick)]
            keeping.add([StoredReading("larch", name, "soil", "Cel", 15.0, at, at, "good") for name, at in said])
    return rounds * (probes + quick)


def readings_sent(outbox: Outbox, most: int) -> list[list[tuple[int, str]]]:
    """Take what waits as sent, in some turns at most; returns when [ns UTC] and by whom each reading was taken.

    Every turn but the last must say that more waits, or ten seconds are spent in vain.
    """
    turns = list[list[tuple[int, str]]]()
    were_full: list[bool] = []
    while len(turns) < most and (batch := outbox.next()) is not None:
        outbox.done(batch)
        lines = [each.to_line_protocol().split(" ") for each in batch.points]
        turns.append([(int(at), tags) for tags, _, at in lines if tags.startswith("reading,")])
        were_full.append(batch.full)
    assert all(were_full[:-1]), f"{were_full}; sent {[len(turn) for turn in turns]}"
    return turns


@pytest.mark.parametrize(
    ("probes", "quick", "turns"), [(4200, 0, 3), (4200, 20, 3), (400, 20, 3), (3, 2000, 15), (1, 20, 1)]
)
def test_however_many_probes_and_however_quick_one_a_batch_holds_enough(
    outbox: Outbox, tmp_path: Path, probes: int, quick: int, turns: int
) -> None:
    """Three minutes of a site are sent in a few turns, oldest first over all probes, each reading once."""
    count = say(tmp_path, probes, quick, 18)
    sent = readings_sent(outbox, turns)
    together = [each for turn in sent for each in turn]
    assert [at for at, _ in together] == sorted(at for at, _ in together)
    assert len(together) == len(set(together)) == count
    assert max(map(len, sent)) <= 16 * (probes + 1) + 4000
    assert outbox.next() is None


def test_who_keeps_up_with_many_probes_rests_between_two_looks(outbox: Outbox, tmp_path: Path) -> None:
    """Six hundred readings of the last ten seconds, and as many minutes, are all there is: nothing more is waiting."""
    say(tmp_path, 600, 1, 7)
    send(outbox)
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record:
        later = [StoredReading("larch", f"p{n}", "soil", "Cel", 15.0, T0 + 121_000, T0, "good") for n in range(600)]
        Keeping(record).add(later)
    batch = outbox.next()
    assert batch is not None
    assert len(batch.points) >= 600
    assert not batch.full


def test_what_many_probes_and_enclosures_have_left_over_goes_in_pieces(outbox: Outbox, tmp_path: Path) -> None:
    """Minutes whose readings are long gone, and runs of a season, told to a store that was named today."""
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as record, transaction(record):
        keeping = Keeping(record)
        moments = range(T0, T0 + 2 * DAY_MS, MINUTE_MS)
        for probe in range(12):
            said = [StoredReading("larch", f"p{probe}", "soil", "Cel", 15.0, at, at, "good") for at in moments]
            keeping.add([*said, said[-1]._replace(taken_ms=T0 + 3 * DAY_MS)])
        keeping.pack_all()
        record.execute("DELETE FROM block WHERE taken_most_ms < ?", (T0 + 3 * DAY_MS,))
        for number in range(300 * 40):
            runs.begin(record, f"bed-{number % 300}", T0 + number)
            runs.finish(record, f"bed-{number % 300}", T0 + number, "duty")
    open_writer(tmp_path / "journal.db", JOURNAL).close()
    sizes, lines = list[int](), list[str]()
    while (batch := outbox.next()) is not None:
        outbox.done(batch)
        sizes.append(len(batch.points))
        lines += [each.to_line_protocol() for each in batch.points]
        assert batch.full or outbox.next() is None
    kinds = Counter(re.split("[, ]", line)[0] for line in lines)
    assert kinds == {"reading": 12, "reading_minute": 12 * 2 * 1440, "reading_hour": 12 * 49, "heater_run": 12_000}
    assert len(set(lines)) == len(lines)
    assert max(sizes) < 15_000
