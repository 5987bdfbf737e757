"""A data folder was lost or restored: the node has obeyed a later epoch, and the controller rises above it for good."""

import time
from pathlib import Path

from controller import standing
from controller.safety.lease import Order
from controller.wire.relay import encode_command
from tests.wire.kit import KEY, STARTS_S, Bench, until


def _epoch_saved(bench: Bench) -> int:
    return standing.from_text((bench.data / "standing.json").read_text(encoding="utf-8")).epoch


def test_a_controller_rises_above_the_epoch_its_node_has_seen_and_remembers_it(tmp_path: Path) -> None:
    """The node refuses what is older and obeys what is later: told, journalled, saved, kept through kill -9."""
    seen, bench = 41, Bench(tmp_path)
    bench.node.core.epoch = seen
    with bench:
        until("the controller rises", lambda: bench.spy.status().get("epoch") == seen + 1, STARTS_S)
        order, now_ms = Order(True, True, "of an earlier life"), time.time_ns() // 1_000_000
        old = encode_command(order, 6.0, 1, 9999, now_ms, "earlier", KEY.encode())
        # Our own first orders were refused for the same.
        before = bench.node.core.refused["older-epoch"]
        bench.spy.publish("soilward/larch/heater/command", old)
        until("the older one is refused", lambda: bench.node.core.refused["older-epoch"] > before, 10.0)
        assert _epoch_saved(bench) == seen + 1
        bench.heat()
        assert bench.node.core.epoch == seen + 1
        told = "SELECT count(*) FROM journal WHERE kind = 'epoch' AND enclosure = 'larch'"
        until("it is journalled", lambda: bench.rows(told, file="journal.db") == [(1,)], 5.0)
        bench.controller.kill()
        bench.controller.start()
        until("the next start is above it", lambda: bench.node.core.epoch == seen + 2, STARTS_S)
        assert bench.rows(told, file="journal.db") == [(1,)], "nothing to overtake this time"


def test_a_node_that_has_obeyed_our_own_epoch_in_a_life_that_was_forgotten_is_risen_above(tmp_path: Path) -> None:
    """A backup from before the last start is put back: both lives bear one epoch, and the node refused all of ours up
    to the last number of the other, for as long as that one had lived."""
    bench = Bench(tmp_path)
    bench.node.core.epoch, bench.node.core.seq, bench.node.core.by = 1, 50_000, "controller"
    bench.node.core._lag_s = 0.0
    with bench:
        bench.heat()
        assert bench.node.core.epoch == _epoch_saved(bench) == 2
        assert "put-back" in bench.spy.alerts()
