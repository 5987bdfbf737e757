"""Several controllers on one broker: each holds its own enclosures, and one that two claim is heated by one of them."""

import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from itertools import pairwise
from pathlib import Path

from controller.store import requests
from controller.store.connection import open_writer
from controller.store.migrations import REQUESTS
from tests.wire.kit import STARTS_S, Bench, ControllerProcess, throughout, until, write_site

WATCHED_S = 20.0


@contextmanager
def _second(bench: Bench, name: str) -> Iterator[Path]:
    """Run a second controller by another name, with an enclosure and a folder of its own; yield where its data are."""
    folder = bench.folder / "second"
    folder.mkdir()
    file = write_site(folder, bench.broker.port, names=(name,), broker='controller = "second"')
    one = ControllerProcess(file, folder / "controller.log")
    one.start()
    try:
        yield folder / "data"
    finally:
        one.stop()


def _telling(bench: Bench) -> set[int]:
    """Return the epochs under which larch has been told to have a second controller."""
    named = ((said["epoch"], each["name"]) for said in bench.spy.statuses() for each in said["alerts"])
    return {epoch for epoch, name in named if name == "second-controller"}


def test_two_controllers_share_a_broker_by_their_lists_of_enclosures(tmp_path: Path) -> None:
    """Issue 5: neither takes the other's session; what is said in the topics of one reaches that one alone."""
    with Bench(tmp_path) as bench, _second(bench, "elder"):
        bench.heat()
        until("the second is in", lambda: bench.spy.holds("broker connected", "elder"), STARTS_S)
        until("its probe is heard", lambda: bench.spy.holds("soil heard", "elder"), 10.0, _saying(bench))
        begun_s = time.monotonic()
        throughout("the first one heats on", lambda: bench.node.core.on, 10.0)
        for name in ("larch", "elder"):
            assert len(bench.spy.statuses(name, begun_s)) > 1
        online = [heard.topic for heard in bench.spy.heard if heard.payload == b"online"]
        assert sorted(online) == ["soilward/presence/soilward-controller", "soilward/presence/soilward-second"]


def _saying(bench: Bench) -> Callable[[], None]:
    return lambda: bench.spy.say("soil-10", 9.5, "elder", "elder")


def test_c04_an_enclosure_that_two_claim_is_heated_by_one_and_both_tell_it(tmp_path: Path) -> None:
    """Both have been started once. The later one gives way: its renewed "off", which a node always obeys, had the
    contact opened and closed 26 times a minute, and the first one told nothing."""
    with Bench(tmp_path) as bench:
        bench.heat()
        with _second(bench, "larch"):
            until("both tell it", lambda: _telling(bench) >= {2, 3}, STARTS_S)
            until("the first one heats on", lambda: bench.node.core.on, 20.0)
            seen = [True]
            end_s = time.monotonic() + WATCHED_S
            until("it is watched", lambda: time.monotonic() > end_s, 60.0, lambda: seen.append(bench.node.core.on))
            closings = sum(on and not before for before, on in pairwise(seen))
            assert closings <= 1, "no more than a window of its own begins"
            assert bench.node.core.by == "controller"


def test_c04_whoever_stops_it_at_the_one_that_gave_way_has_it_opened_all_the_same(tmp_path: Path) -> None:
    """A08: the other one commands there, and off is obeyed always."""
    with Bench(tmp_path) as bench:
        bench.heat()
        with _second(bench, "larch") as data:
            until("it is commanded anew", lambda: bench.node.core.epoch == 3, STARTS_S)
            until("the first one heats on", lambda: bench.node.core.on, 20.0)
            with closing(open_writer(data / "requests.db", REQUESTS)) as connection:
                requests.file(connection, time.time_ns() // 1_000_000, "larch", "stop", {}, "keeper", "a test")
            bench.open_within(5.0)
            until("it is opened again", lambda: bench.node.core.on, 10.0)
            bench.open_within(10.0)
