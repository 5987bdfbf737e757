"""What only a VictoriaMetrics that is stopped and started can show: away for a day, and the roll-ups as written."""

import shutil
from contextlib import closing
from pathlib import Path

import pytest

from api.review.kept import Kept, KeptError, Run
from api.review.victoria import Victoria as Reader
from controller.clock import Clock
from controller.forwarder import Forwarder
from controller.heater_log import LET_GO
from controller.settings import Remote
from controller.store import shelves
from controller.store.connection import open_writer
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.runs import RunBegan, RunEnded, RunEnergy, RunExplained
from controller.store.told import told
from tests.remote.conftest import (
    HOUR_MS,
    START_MS,
    Keep,
    Send,
    Victoria,
    forwarder_of,
    local,
    many,
    said,
    send_all,
    settle,
)

pytestmark = pytest.mark.parametrize("remote", ["victoria-metrics"], indirect=True)


def test_a_store_that_was_away_gets_everything_and_the_oldest_first(
    folder: Path, keep: Keep, victoria: Victoria, forwarder: Forwarder, kept: Kept, remote: Remote
) -> None:
    """Away for what two probes say in a day: readings come in order over both, none is missing."""
    victoria.stop()
    keep(*many("bed", 8640, 4), *many("deep", 8640, 5))
    pauses = [forwarder.turn() for _ in range(4)]
    assert pauses == [1.0, 2.0, 4.0, 8.0]
    word = told(folder)
    assert word is not None
    assert word.oldest_ms == START_MS
    assert "cannot be reached" in word.trouble
    victoria.start()
    end_ms = START_MS + 25 * HOUR_MS
    reached = []
    while forwarder.turn() == 0.0:
        settle(remote)
        there = kept.series(remote.site, "larch", START_MS, end_ms, 1500)
        reached.append([each.rows[-1].start_ms for each in there])
    assert len(reached) > 2
    assert all(abs(bed - deep) <= 60_000 for bed, deep in reached)
    settle(remote)
    there = kept.series(remote.site, "larch", START_MS, end_ms, 1)
    assert [each.rows[0].count for each in there] == [each.rows[0].count for each in local(folder, end_ms, 1)]
    word = told(folder)
    assert word is not None
    assert (word.oldest_ms, word.trouble) == (None, "")


def test_minutes_and_hours_are_sent_once_they_have_passed(keep: Keep, send: Send, remote: Remote) -> None:
    """A minute that is still running is not there; it follows once it is over."""
    keep(*(said("bed", START_MS + 10_000 * number, 10.0 + number) for number in range(9)))
    send()
    assert rolled(remote, "reading_minute_most") == {START_MS: 15.0}
    keep(*(said("bed", START_MS + 10_000 * number, 10.0 + number) for number in range(9, 370)))
    send()
    assert len(rolled(remote, "reading_minute_most")) == 61
    assert rolled(remote, "reading_hour_count") == {START_MS: 360.0}
    assert rolled(remote, "reading_hour_mean") == {START_MS: pytest.approx(10 + 359 / 2)}


def rolled(remote: Remote, name: str) -> dict[int, float]:
    """Return every point of one series."""
    reader = Reader(remote)
    return {at_ms: value for _, at_ms, value in reader._export(name, START_MS, START_MS + 20 * HOUR_MS)}


def test_the_newest_buckets_are_their_own(folder: Path, keep: Keep, tmp_path: Path, remote: Remote) -> None:
    """As it comes, the store gives an older bucket again in place of those of the last half minute, least and all."""
    store = Victoria(tmp_path / "as-it-comes", **{"search.latencyOffset": "30s"})
    store.start()
    now_ms = Clock().now().utc_ms
    keep(*(said("bed", now_ms - 1000 * number, float(number)) for number in range(120)))
    remote = remote.model_copy(update={"url": store.url})
    try:
        with closing(forwarder_of(folder, remote)) as forwarder:
            send_all(forwarder, remote)
        (bed,) = Reader(remote).series(remote.site, "larch", now_ms - 119_999, now_ms + 1, 12)
        (last,) = Reader(remote).latest(now_ms + 500)
    finally:
        store.stop()
    assert [(row.least, row.most, row.count) for row in bed.rows[-3:]] == [(20, 29, 10), (10, 19, 10), (0, 9, 10)]
    assert (last.value, last.at_ms) == (0.0, now_ms)


def test_new_words_make_no_second_run(keep: Keep, send: Send, remote: Remote) -> None:
    """Whoever adds up seconds or energy there, with tools of their own, counts each run once."""
    ended = RunEnded("larch", START_MS + 60_000, "node silent")
    keep(RunBegan("larch", START_MS), RunEnergy("larch", 3.6e6), ended)
    send()
    keep(RunExplained("larch", LET_GO))
    send()
    reader = Reader(remote)
    found = [
        (told["__name__"], told["ended_by"], value)
        for told, _, value in reader._export('{__name__=~"heater_run_.*"}', START_MS, START_MS + HOUR_MS)
    ]
    assert sorted(found) == [
        ("heater_run_energy_j", "node silent", 3.6e6),
        ("heater_run_explained", "node silent" + LET_GO, 1.0),
        ("heater_run_seconds", "node silent", 60.0),
    ]


def test_the_last_words_of_a_run_stand_though_they_are_fewer(
    folder: Path, keep: Keep, send: Send, remote: Remote
) -> None:
    """Their number tells, not their length."""
    keep(RunBegan("larch", START_MS), RunEnded("larch", START_MS + 60_000, "node silent"))
    send()
    for words in ("the node was silent; it let go by itself, it says", "let go"):
        with closing(open_writer(folder / "readings.db", READINGS)) as record:
            record.execute("UPDATE heater_run SET ended_by = ?", (words,))
            record.execute("INSERT INTO explained (run_id) SELECT max(id) FROM heater_run")
        send()
    assert [run.ended_by for run in Reader(remote).runs(remote.site, "larch", START_MS, START_MS + HOUR_MS)] == [
        "let go"
    ]


def test_a_run_cut_short_by_a_backup_put_back_is_shown_whole_and_once(
    folder: Path, keep: Keep, send: Send, remote: Remote
) -> None:
    """It was open then, and is ended and sent anew: its seconds stood beside the few joules of the backup."""
    keep(RunBegan("larch", START_MS), RunEnergy("larch", 1e5))
    shutil.copy(folder / "readings.db", folder / "backup")
    keep(RunEnergy("larch", 9e5), RunEnded("larch", START_MS + 600_000, "duty is over"))
    keep(RunBegan("larch", START_MS + 700_000), RunEnded("larch", START_MS + 760_000, "duty is over"))
    send()
    shutil.copy(folder / "backup", folder / "readings.db")
    keep(RunEnded("larch", START_MS + 15_000, "controller stopped"))
    send()
    whole, later = Run(START_MS, 600.0, 1e6, "duty is over"), Run(START_MS + 700_000, 60.0, None, "duty is over")
    assert Reader(remote).runs(remote.site, "larch", START_MS, START_MS + HOUR_MS) == [whole, later]


def test_a_store_that_is_no_store_is_named(victoria: Victoria, kept: Kept) -> None:
    """Reading back from nothing says where it looked."""
    victoria.stop()
    with pytest.raises(KeptError, match=rf"{victoria.port} cannot be reached"):
        kept.enclosures()


def test_minutes_whose_readings_are_gone_are_sent_as_well(folder: Path, keep: Keep, send: Send, remote: Remote) -> None:
    """Readings that retention took away have left their minutes and hours: they go, some at a time, and only once."""
    keep(*(said("bed", START_MS + 10_000 * number, 10.0) for number in range(4000)))
    with closing(open_writer(folder / "readings.db", READINGS)) as connection:
        kept = Keeping(connection)
        kept.pack_all()
        while kept.pack(START_MS + 36 * HOUR_MS):
            pass
        connection.execute("DELETE FROM block WHERE id < ?", (shelves.block_id(START_MS + 10 * HOUR_MS, 0),))
    send()
    assert len(rolled(remote, "reading_minute_most")) == 666
    assert len(rolled(remote, "reading_hour_most")) == 10 + 1
