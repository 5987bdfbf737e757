"""Hazard rows R02 and R10 over a real broker: a link that loses messages, and one that comes and goes."""

import json
import math
import random
import time
from pathlib import Path

import pytest

from tests.faults.cases import LOOK_S, seen
from tests.wire.kit import POLL_S, Bench, until
from tests.wire.link import PUBLISH, topic_of

CLASS_C_S = 15.0
"""[s] restated from the hazard table."""
LEASE_S = 6.0
"""[s] the lease of these sites."""


def order_of(up: bool, first: int, body: bytes) -> bool | None:
    """Return whether a packet orders the node to heat; None for one that orders nothing."""
    if up or not topic_of(first, body).endswith("/heater/command"):
        return None
    return bool(json.loads(body[body.index(b"{") :])["on"])


class LastOn:
    """When the node was last brought an order to heat, as seen on its wire."""

    def __init__(self) -> None:
        self.at_s = float("-inf")

    def __call__(self, up: bool, first: int, body: bytes) -> None:
        """Take note of one packet."""
        if order_of(up, first, body):
            self.at_s = time.monotonic()

    @property
    def age_s(self) -> float:
        """[s] since then."""
        return time.monotonic() - self.at_s

    def stalest(self, bench: Bench, watched_s: float, least_s: float = math.inf) -> float:
        """Watch for so long [s]; return how old the last order to heat was at most while the contact was closed [s].

        After `least_s` [s] it is enough that a lease has lapsed: what follows is a rest with the contact open.
        """
        end_s, enough_s, oldest_s = time.monotonic() + watched_s, time.monotonic() + least_s, 0.0
        while (now_s := time.monotonic()) < end_s and not (now_s >= enough_s and bench.node.core.drops):
            oldest_s = max(oldest_s, self.age_s) if bench.closed else oldest_s
            time.sleep(POLL_S)
        return oldest_s


class Lossy:
    """Loses a part of all messages, both ways; and where half are lost every order to open: a lease must do it."""

    def __init__(self, part: float, seed: int) -> None:
        self._part, self._chance = part, random.Random(seed)
        self.lost = 0

    def __call__(self, up: bool, first: int, body: bytes) -> bool:
        """Whether this packet is lost."""
        lost = first >> 4 == PUBLISH and self._chance.random() < self._part
        lost = lost or (self._part >= 0.5 and order_of(up, first, body) is False)
        self.lost += lost
        return lost


@pytest.mark.parametrize("part", [0.2, 0.5])
def test_r02_over_a_lossy_link_the_contact_is_never_closed_on_a_stale_lease(tmp_path: Path, part: float) -> None:
    """Messages lost on both links, 40 s at most: closed only within a lease of an order that came; then all is well.

    Flicker is allowed. A packet that TCP loses comes late rather than never; a message lost for good is harder.
    """
    last_on = LastOn()
    with Bench(tmp_path, node_watch=last_on) as bench:
        bench.heat()
        lossy = [Lossy(part, seed) for seed in (1, 2)]
        bench.controller_link.loses, bench.node_link.loses = lossy
        seen("R02", last_on.stalest(bench, 40.0 if part > 0.2 else 20.0, 15.0), LEASE_S + LOOK_S)
        assert all(each.lost > 5 for each in lossy)
        assert part < 0.5 or bench.node.core.drops > 0
        bench.controller_link.loses = bench.node_link.loses = None
        until("heat returns by itself", lambda: bench.node.heated, 45.0)


def test_r10_a_link_that_flaps_every_8_seconds_is_told_once_and_leaves_no_stale_lease(tmp_path: Path) -> None:
    """Leases may lapse, no contact outlives one; an alert is raised and the journal is not flooded."""
    last_on = LastOn()
    with Bench(tmp_path, node_watch=last_on) as bench:
        bench.heat()
        for _ in range(6):
            bench.node_link.cut()
            seen("R10", last_on.stalest(bench, 4.0), LEASE_S + LOOK_S)
            bench.node_link.mend()
            seen("R10", last_on.stalest(bench, 4.0), LEASE_S + LOOK_S)
        until("it is told", lambda: "node-flaps" in bench.spy.alerts(), 10.0)
        gone = bench.rows("SELECT count(*) FROM journal WHERE kind = 'node-offline'", file="journal.db")
        assert 1 <= gone[0][0] < 5
        bench.permitted_within(30.0)
