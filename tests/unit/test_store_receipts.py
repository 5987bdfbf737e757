"""Receipts: which messages the last commits hold, for a broker that tells them again after a killed controller."""

from collections.abc import Sequence
from contextlib import closing
from pathlib import Path

import pytest

from controller.store.connection import open_reader, open_writer
from controller.store.keeping import Keeping
from controller.store.migrations import READINGS
from controller.store.readings import StoredReading
from controller.store.receipts import LATELY_MS, Receipt, lately

T0 = 1_772_000_000_000
FIRST, SECOND = Receipt(1, 0), Receipt(65_535, 0xFFFF_FFFF)


def soil(at_ms: int, probe: int = 0) -> StoredReading:
    """Return a bare number of some probe as it is kept."""
    return StoredReading("larch", f"soil-{probe}", "soil", "Cel", 15.5, at_ms, at_ms, "good")


def found_after(folder: Path, *commits: tuple[StoredReading, Sequence[Receipt]]) -> list[Receipt]:
    """Keep one after another, and return what somebody else finds then."""
    with closing(open_writer(folder / "readings.db", READINGS)) as connection:
        keeping = Keeping(connection)
        for reading, receipts in commits:
            keeping.add([reading], receipts)
    with closing(open_reader(folder / "readings.db")) as connection:
        return list(lately(connection))


def test_those_of_the_last_two_minutes_are_found_the_latest_last(tmp_path: Path) -> None:
    """Of an older commit all were acknowledged, and their numbers may be another message's."""
    old, new = T0 + 1, T0 + LATELY_MS + 1
    assert found_after(tmp_path, (soil(T0), [FIRST]), (soil(old), [SECOND]), (soil(new), [FIRST])) == [SECOND, FIRST]


def test_those_of_the_last_commit_are_found_whatever_the_clock(tmp_path: Path) -> None:
    """Set back by an hour a minute ago: what was heard before lies, by the clock, long after what was heard last."""
    back = T0 - 3_600_000
    commits = [(soil(T0), [Receipt(7, 7)]), (soil(back), [FIRST]), (soil(back + 20_000), [SECOND])]
    assert found_after(tmp_path, *commits) == [FIRST, SECOND]


def test_those_of_many_probes_are_found_whoever_spoke_last(tmp_path: Path) -> None:
    """Each some hundred of them have a tail of their own, and that of the last ones may stand still for an hour."""
    known = [(soil(T0, probe), ()) for probe in range(300)]
    commits = [(soil(T0 + 1000, 299), [FIRST]), (soil(T0 + 21_000), [SECOND])]
    assert found_after(tmp_path, *known, *commits) == [FIRST, SECOND]


def test_what_held_nothing_new_leaves_none(tmp_path: Path) -> None:
    """A reading told again has its row, and its message was known or is now."""
    assert found_after(tmp_path, (soil(T0), []), (soil(T0), [FIRST])) == []


@pytest.mark.parametrize("cut", range(1, 13))
def test_a_row_cut_short_gives_those_that_are_whole(tmp_path: Path, cut: int) -> None:
    """Whatever a bad card did: a start goes on."""
    found_after(tmp_path, (soil(T0), [FIRST, SECOND]))
    with closing(open_writer(tmp_path / "readings.db", READINGS)) as connection:
        connection.execute("UPDATE tail SET receipts = substr(receipts, 1, ?)", (cut,))
    with closing(open_reader(tmp_path / "readings.db")) as connection:
        assert list(lately(connection)) == [FIRST, SECOND][: cut // 6]
