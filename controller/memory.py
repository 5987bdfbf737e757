"""What outlives a restart: recalled at start, saved at each change. A disk that refuses costs heat, not the loop."""

import logging
from collections.abc import Container, Mapping
from contextlib import closing
from dataclasses import replace
from pathlib import Path

from controller import standing
from controller.safety import limits
from controller.settings import Settings, Store
from controller.standing import Kept, Standing
from controller.store import heads, journal, receipts, runs
from controller.store.connection import open_reader, open_writer
from controller.store.migrations import JOURNAL, READINGS
from controller.store.readings import HOUR_MS
from controller.store.receipts import Receipt

log = logging.getLogger("soilward.service")
CLOSINGS_LOST_IN_A_CRASH = 5
COUNTED_S = 60.0
"""[s] that a closing more may wait to be saved. A relay closes thirty times an hour at most, so a crash costs one or
two; a site of a thousand beds would save all its orders three times a second. Source: engineering judgement."""


class Memory:
    """Standing orders of every enclosure and our epoch, in `folder`.

    `set_back` names the enclosures whose count of closings was less than the runs on record, and the count they get.
    None of the `uncounted` is: of a plain relay nobody counts but the record, from which it is taken at each start.

    Raises
    ------
    OSError
        If the folder takes no file at the start.
    """

    def __init__(self, folder: Path, names: tuple[str, ...], now_ms: int, uncounted: Container[str] = ()) -> None:
        self._file = folder / standing.FILE
        recorded = runs_recorded(folder)
        # Runs tell of an earlier life also where the journal was damaged and is put away.
        first = not recorded and not (folder / "journal.db").exists()
        kept = standing.recall(self._file, names, first, now_ms)
        self.epoch = kept.epoch + 1
        recalled = {name: kept.enclosures.get(name, Standing()) for name in names}
        behind = _set_back(recalled, recorded)
        self.set_back = {name: count for name, count in behind.items() if name not in uncounted}
        self.recalled = {
            name: replace(each, closings=behind.get(name, each.closings)) for name, each in recalled.items()
        }
        # Enclosures that settings no longer name keep their trips, should they come back.
        self._others = {name: each for name, each in kept.enclosures.items() if name not in names}
        self.is_saved, self._changed = True, False
        self._counted_s: float | None = None
        self._save(self.recalled)

    def _save(self, standings: Mapping[str, Standing]) -> None:
        standing.save(self._file, Kept(self.epoch, {**self._others, **standings}))

    def note(self, before: Standing, after: Standing, now_s: float) -> None:
        """Take note of what became of an enclosure's standing orders."""
        if after is before or after == before:
            return
        if replace(before, closings=after.closings) != after:
            self._changed = True
        elif self._counted_s is None:
            self._counted_s = now_s

    def owes(self, now_s: float) -> bool:
        """Whether standing orders must be saved now: they changed, or the last try failed, or a count waited long."""
        counted = self._counted_s is not None and now_s - self._counted_s >= COUNTED_S
        return self._changed or not self.is_saved or counted

    def save(self, standings: Mapping[str, Standing]) -> None:
        """Save, or remember that it failed: it is tried again each tick, and until then there is no heat."""
        try:
            self._save(standings)
        except OSError as error:
            log.error("standing orders cannot be saved: %s", error)
            self.is_saved = False
            return
        self.is_saved, self._changed, self._counted_s = True, False, None


def memory_of(settings: Settings, now_ms: int) -> Memory:
    """Recall what a site's last controller knew."""
    _finish_begun(settings.store.folder)
    names = tuple(each.name for each in settings.enclosure)
    plain = {each.name for each in settings.enclosure if each.heater.relay == "plain"}
    return Memory(settings.store.folder, names, now_ms, plain)


def _finish_begun(folder: Path) -> None:
    """Make whole what a power cut left of a database that was just begun: no table, where all others look for one."""
    for name, migrations in (("readings.db", READINGS), ("journal.db", JOURNAL)):
        if (folder / name).exists():
            open_writer(folder / name, migrations).close()


def _set_back(recalled: Mapping[str, Standing], recorded: Mapping[str, int]) -> dict[str, int]:
    """Return the counts that have gone back (hazard D07); a few may be lost in a crash."""
    return {
        name: recorded[name]
        for name, each in recalled.items()
        if recorded.get(name, 0) > each.closings + CLOSINGS_LOST_IN_A_CRASH
    }


def runs_recorded(folder: Path) -> dict[str, int]:
    """Return by enclosure how many heater runs are on record."""
    file = folder / "readings.db"
    if not file.exists():
        return {}
    with closing(open_reader(file)) as connection:
        return runs.count(connection)


def end_left_open_runs(folder: Path) -> None:
    """A run that the last controller left open ended, at the latest, when its lease did."""
    with closing(open_writer(folder / "readings.db", READINGS)) as connection:
        runs.finish_left_open(connection, limits.LONGEST_LEASE_S)


def runs_lately(folder: Path, now_ms: int) -> dict[str, list[tuple[int, int]]]:
    """Return by enclosure start and end [ms UTC] of the runs of the last hour, which a restart forgets."""
    with closing(open_reader(folder / "readings.db")) as connection:
        return runs.ended_since(connection, now_ms - HOUR_MS)


def receipts_lately(folder: Path) -> list[Receipt]:
    """Return what the last controller kept just before it ended, and may not have acknowledged."""
    with closing(open_reader(folder / "readings.db")) as connection:
        return list(receipts.lately(connection))


def journal_breaks_at(store: Store) -> int:
    """Return the first entry that does not fit the chain, or a signed head; 0 if all do, or there is none yet.

    Where entries were signed and the whole journal is gone, that is the first signed one.
    """
    file, sealed = store.folder / "journal.db", heads.checker(store)
    if not file.exists():
        return 0 if sealed is None else heads.first_signed(store.folder)
    with closing(open_reader(file)) as connection:
        broken_at = journal.verify(connection).first_bad
        if broken_at is None and sealed is not None:
            broken_at = sealed(connection).first_bad
        return broken_at or 0
