"""Standing orders that cannot be saved cost heat and nothing else, until the disk takes them again."""

from pathlib import Path

from controller import standing
from tests.wire.kit import Bench, until


def test_an_unsaveable_file_of_standing_orders_ends_heat_and_the_loop_goes_on_until_it_is_saved(tmp_path: Path) -> None:
    """A folder lies where the new file must: open, told, answered all the same; once it is gone, saved."""
    with Bench(tmp_path) as bench:
        bench.heat()
        in_the_way = bench.data / "standing.new"
        in_the_way.mkdir()
        bench.ask("set-point", set_point_c=24.0)
        until("it is told", lambda: bench.spy.holds("journal written") is False, 10.0)
        bench.open_within(7.0)
        until("the request is obeyed", lambda: bench.spy.status()["set_point"]["asked_c"] == 24.0, 10.0)
        assert bench.controller.is_alive
        assert _saved(bench).override_c == 25.0, "as it was"
        in_the_way.rmdir()
        until("it is saved without being asked", lambda: _saved(bench).override_c == 24.0, 10.0)
        until("nothing stands in heat's way", lambda: bench.spy.holds("journal written"), 10.0)


def _saved(bench: Bench) -> standing.Standing:
    text = (bench.data / "standing.json").read_text(encoding="utf-8")
    return standing.from_text(text).enclosures["larch"]
