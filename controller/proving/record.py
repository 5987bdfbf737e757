"""What a proof test leaves on disk, as its one writer: readings, runs, trips, the account; and the date it passed."""

from dataclasses import replace

from controller.clock import Moment
from controller.enclosure import Decision
from controller.errors import StoreError
from controller.keeper import Keeper, stored
from controller.memory import Memory
from controller.proving.account import Account, Result, entry_of
from controller.proving.stand import Kept
from controller.safety import limits
from controller.standing import Standing
from controller.store.runs import RunEvent
from controller.store.writer import Writer


class Record:
    """The data folder, held for one enclosure's test. Disarmed from the first: a test that dies leaves no heat."""

    def __init__(self, memory: Memory, writer: Writer, name: str) -> None:
        self._memory, self._writer, self._name = memory, writer, name
        self.standing: Standing = replace(memory.recalled[name], armed=False)
        self._save()

    @property
    def kept(self) -> Kept:
        """How a stand's life is kept here."""
        return Kept(self._is_possible, self._keep, self._keep_runs, self._keep_epoch)

    def _save(self) -> None:
        self._memory.save({**self._memory.recalled, self._name: self.standing})

    def _is_possible(self, now: Moment) -> bool:
        if self._writer.has_died:
            return False
        since_s = self._writer.failing_since_s
        return self._memory.is_saved and (since_s is None or now.mono_s - since_s <= limits.UNRECORDED_S)

    def _keep(self, keeper: Keeper, decision: Decision) -> None:
        if keeper.state.standing != self.standing or not self._memory.is_saved:
            self.standing = keeper.state.standing
            self._save()
        for entry in decision.entries:
            self._writer.put_journal(entry)
        for reading, judged in decision.judged:
            row = stored(keeper.plan, reading, judged.grade, judged.taken_ms)
            if row is not None:
                # Nothing is acknowledged: the controller's own session has the reading waiting at the broker too.
                self._writer.put_reading(row)

    def _keep_runs(self, events: list[RunEvent]) -> None:
        for event in events:
            self._writer.put_run(event)

    def _keep_epoch(self, epoch: int) -> None:
        self._memory.epoch = epoch
        self._save()

    def finish(self, account: Account) -> None:
        """Journal the account; the date of a passed test is kept only once that is on disk.

        Raises
        ------
        StoreError
            If the disk takes it not.
        """
        self._writer.put_journal(entry_of(account, self._memory.epoch))
        if self._writer.close():
            raise StoreError("the proof test cannot be journalled, so it does not count; free the disk and repeat it")
        if account.result is Result.PASSED:
            fitted_at = self.standing.closings if account.new_relay else self.standing.fitted_at
            self.standing = replace(self.standing, proved_ms=account.at_ms, fitted_at=fitted_at)
            self._save()
            if not self._memory.is_saved:
                raise StoreError("the date of the passed proof test cannot be kept; free the disk and repeat it")
