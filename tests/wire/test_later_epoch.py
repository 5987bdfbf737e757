"""A data folder was lost or restored: the node has obeyed a later epoch, and the controller rises above it for good."""

from pathlib import Path

from controller import standing
from tests.wire.kit import Bench, until


def _epoch_saved(bench: Bench) -> int:
    return standing.from_text((bench.data / "standing.json").read_text(encoding="utf-8")).epoch


def test_a_controller_rises_above_the_epoch_its_node_has_seen_and_remembers_it(tmp_path: Path) -> None:
    """Whichever speaks first, the node obeys in the end: told, journalled, saved, kept through kill -9."""
    seen, bench = 41, Bench(tmp_path)
    bench.node.core.epoch = seen
    with bench:
        until("the controller rises", lambda: bench.spy.status().get("epoch") == seen + 1, 15.0)
        assert _epoch_saved(bench) == seen + 1
        bench.heat()
        assert bench.node.core.epoch == seen + 1
        told = "SELECT count(*) FROM journal WHERE kind = 'epoch' AND enclosure = 'larch'"
        until("it is journalled", lambda: bench.rows(told, file="journal.db") == [(1,)], 5.0)
        bench.controller.kill()
        bench.controller.start()
        until("the next start is above it", lambda: bench.node.core.epoch == seen + 2, 20.0)
        assert bench.rows(told, file="journal.db") == [(1,)], "nothing to overtake this time"
