"""What is left to send, told from the files alone."""

from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from controller.settings import RemoteKind
from controller.store import journal
from controller.store.connection import open_writer
from controller.store.journal import Entry
from controller.store.migrations import JOURNAL, READINGS
from controller.store.outbox import Outbox
from controller.store.points import Points

T0 = 1_772_000_000_000


@pytest.fixture
def outbox(tmp_path: Path) -> Iterator[Outbox]:
    """Yield the outbox of a folder with an empty record."""
    open_writer(tmp_path / "readings.db", READINGS).close()
    one = Outbox(tmp_path, Points(RemoteKind.INFLUXDB_2, "hollow"))
    yield one
    one.close()


def enter(folder: Path, why: str, count: int) -> None:
    """Write journal entries."""
    with closing(open_writer(folder / "journal.db", JOURNAL)) as written:
        journal.append(written, [Entry("answer", "larch", "keeper", why, {}, T0 + n) for n in range(count)])


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
