"""How the writer's one thread shares the processor: what is packed in pieces leaves the loop its time."""

from pathlib import Path

from controller.clock import ManualClock, Moment
from controller.store.readings import HOUR_MS, StoredReading
from controller.store.record import Record

T0 = 1_772_000_000_000 - 1_772_000_000_000 % HOUR_MS


class Taking(ManualClock):
    """A clock by which whatever is done between two looks takes so long [s]."""

    took_s = 0.0

    def now(self) -> Moment:
        """Return the moment, and let time pass."""
        self.sleep(self.took_s)
        return super().now()


def _rests_s(folder: Path, took_s: float) -> set[float]:
    """Return how long [s] the record rests between the pieces of an hour that it packs, if each takes so long [s]."""
    clock = Taking(Moment(100.0, T0 + 2 * HOUR_MS))
    record = Record(folder / "readings.db", clock, lambda aside: None)
    said = [StoredReading("larch", "soil", "soil", "Cel", 15.0, T0 + n, T0 + n, "good") for n in range(2000)]
    record.write(record.connection, said)
    clock.took_s = took_s
    rests_s = set[float]()
    record.tidy(idle=True)
    while (due_s := record.due_s) is not None:
        rests_s.add(round(due_s - clock._now.mono_s, 6))
        clock.sleep(due_s - clock._now.mono_s)
        record.tidy(idle=True)
    record.connection.close()
    return rests_s


def test_a_piece_that_takes_its_time_is_followed_by_a_rest_nine_times_as_long(tmp_path: Path) -> None:
    """Within bounds: 40 ms at least, and a quarter of a second at most, or a slow machine would never be done."""
    for took_s, rest_s in ((0.001, 0.04), (0.02, 0.18), (1.0, 0.25)):
        folder = tmp_path / str(took_s)
        folder.mkdir()
        assert _rests_s(folder, took_s) == {rest_s}
