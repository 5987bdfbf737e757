"""The proof test as it is really walked: ten leases of 15 s on the wire, and the command itself killed on its way."""

import os
import pty
import signal
import subprocess
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from controller.proving.account import Result
from controller.proving.sequence import NAMES
from tests.faults.cases import LOOK_S
from tests.wire.kit import ROOT, throughout, until
from tests.wire.test_proof_test import LEASE_S, SHORT, Hands, Site

TEN = replace(SHORT, leases=10, heat_s=60.0)
LONGEST_LEASE_S, MARGIN_S = 15.0, 2.0
"""[s] restated: the longest lease, and what the criterion allows beyond it."""


class Relay:
    """Watches every turn of a node, and notes how long after the last order each lapse of a lease came [s]."""

    def __init__(self, site: Site) -> None:
        self.lapsed_s: list[float] = []
        self._site, self._turn, self._renewed_s = site, site.node.board.turn, 0.0
        site.node.board.turn = self._watched  # type: ignore[method-assign, assignment]

    def _watched(self, now_s: float, waiting: Iterable[tuple[bytes, bool]]) -> None:
        core = self._site.node.core
        ends_s, drops = core.lease_ends_s, core.drops
        self._turn(now_s, waiting)
        if core.drops > drops:
            self.lapsed_s.append(now_s - self._renewed_s)
        elif core.lease_ends_s != ends_s:
            self._renewed_s = now_s


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_whole_walk_measures_ten_leases_of_15_s_on_the_wire(tmp_path: Path) -> None:
    """Every step passes; each of the ten times told is one that the node's own relay shows, and within its bound."""
    site = Site(tmp_path, LONGEST_LEASE_S)
    relay = Relay(site)
    account = site.prove(Hands(site), patience=TEN)
    assert [each.result for each in account.outcomes] == [Result.PASSED] * 9, account.said
    lease = next(each for each in account.outcomes if each.step == "lease")
    times_s = [lease.figures[f"time_{number}_s"] for number in range(1, 11)]
    assert f"time_{11}_s" not in lease.figures
    assert all(LONGEST_LEASE_S - 1.0 <= each <= LONGEST_LEASE_S + MARGIN_S for each in times_s), times_s
    assert len(relay.lapsed_s) >= 10
    assert all(each <= LONGEST_LEASE_S + LOOK_S for each in relay.lapsed_s), relay.lapsed_s
    assert site.standing.proved_ms == account.at_ms
    print("told", times_s, "relay", relay.lapsed_s)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    """Give a site whose node runs from beginning to end."""
    one = Site(tmp_path)
    one.node.start()
    yield one
    one.close()


@contextmanager
def command(site: Site, *arguments: str) -> "Iterator[subprocess.Popen[bytes]]":
    """Run `soilward proof-test` at a terminal of its own."""
    words = ["proof-test", "larch", "--settings", str(site.file), "--person", "keeper", "--why", "a test", *arguments]
    typed, terminal = pty.openpty()
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "controller.cli", *words], cwd=ROOT, stdin=terminal, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )  # fmt: skip
        try:
            yield process
        finally:
            process.kill()
            process.wait(5.0)
    finally:
        os.close(typed)
        os.close(terminal)


def killed_in(site: Site, step: str) -> None:
    """Kill the command while it holds the contact closed: open within the lease, no account, no date."""
    with command(site, "--only", "node", "--only", step) as process:
        until("the contact is closed", lambda: site.node.heated and site.node.core.armed, 100.0)
        process.send_signal(signal.SIGKILL)
        process.wait(5.0)
    until("the contact is open", lambda: site.circuit.passes == 0.0 and not site.node.core.on, LEASE_S + LOOK_S)
    throughout("it stays open", lambda: site.circuit.passes == 0.0, LEASE_S)
    assert site.standing.proved_ms is None
    assert not site.standing.armed
    assert site.entries("proof-test") == []


@pytest.mark.parametrize("after", [("node", "contact"), pytest.param(NAMES, marks=pytest.mark.long)])
def test_a_proof_test_killed_on_its_way_leaves_the_contact_open_nothing_dated_and_no_lock(
    site: Site, after: tuple[str, ...]
) -> None:
    """SIGKILL in one step, and in another; a walk after both passes, and is dated if it is a whole one."""
    killed_in(site, "contact")
    # What that walk has proved would serve for a day, and a person be asked for this.
    site.reboot()
    killed_in(site, "lease")
    account = site.walk(Hands(site), after)
    taken = [each.result for each in account.outcomes if each.result is not Result.SKIPPED]
    assert taken == [Result.PASSED] * len(after), account.said
    assert site.standing.proved_ms == (account.at_ms if after == NAMES else None)
    assert not site.node.core.on
