"""The dead-man in every state its model can reach: each property holds, and each guard taken away is missed."""

import re
from pathlib import Path

import pytest

from controller.node.relay_core import RelayCore
from controller.safety import limits, node_limits
from controller.safety.lease import Order
from controller.wire.relay import encode_command
from tests.model.spin import MODEL, Scale, SpinError, search, tell

FINE, COARSE = Scale(2.5, held=2), Scale(5.0, held=2)
KEY, BEGAN_MS = b"k" * 32, 1_772_400_000_000
ORDERS = {"on": Order(True, True, ""), "off": Order(False, False, "")}

CLOSED_TOO_LONG, ON_AFTER_OFF, ON_WHILE_LATCHED = "obeyed_age>", "off_age", "tripped"
OVERTAKEN_OBEYED, TWO_AT_ONCE, STOOD_STILL = ">=newest_epoch", "holder", "invalid end state"


def test_no_reachable_state_breaks_a_property(tmp_path: Path) -> None:
    """I1 I2 I8 I9 C04 C16: all states are visited, none complains or is stuck, and no statement is idle.

    Only the rival's commands are never late, so what lateness does is not reached for them.
    """
    found = search(tmp_path, FINE)
    assert (found.complaint, found.finished) == ("", True)
    assert found.unreached == {"rival: spent = (spent+1)"}


@pytest.mark.parametrize(
    ("broken", "complaint"),
    [
        ("BROKEN_EXPIRY", CLOSED_TOO_LONG),
        ("BROKEN_LATE", CLOSED_TOO_LONG),
        ("BROKEN_RETAINED", CLOSED_TOO_LONG),
        ("BROKEN_REPLAY", ON_AFTER_OFF),
        ("BROKEN_EPOCH", OVERTAKEN_OBEYED),
        ("BROKEN_BOOT", OVERTAKEN_OBEYED),
        ("BROKEN_SECOND", TWO_AT_ONCE),
        ("BROKEN_RESTART", ON_WHILE_LATCHED),
        ("BROKEN_OPERATOR", STOOD_STILL),
    ],
)
def test_a_guard_taken_away_is_missed(broken: str, complaint: str, tmp_path: Path) -> None:
    """I13: without this one guard spin finds a run that breaks the property it serves."""
    assert complaint in search(tmp_path, COARSE, broken).complaint


def test_the_one_assumption_is_needed(tmp_path: Path) -> None:
    """A first command that may be stale is taken for prompt, and holds the contact a whole lease from its arrival.

    If this fails because nothing is found, the node no longer needs the assumption: take it out of the model.
    """
    assert CLOSED_TOO_LONG in search(tmp_path, COARSE, "STALE_FIRST").complaint


def test_a_search_cut_short_is_no_proof(tmp_path: Path) -> None:
    """Too small a depth is told apart from a search of every state."""
    found = search(tmp_path, COARSE, deepest=1000)
    assert (found.complaint, found.finished) == ("", False)


@pytest.mark.parametrize("scale", [FINE, COARSE], ids=["fine", "coarse"])
def test_the_models_constants_are_the_codes(scale: Scale) -> None:
    """Lease and renewal in ticks are exactly the code's, drift is no less, and the model holds none of its own."""
    constants = scale.constants
    assert constants["LEASE"] * scale.tick_s == limits.LONGEST_LEASE_S == node_limits.LONGEST_LEASE_S
    assert constants["RENEW"] * scale.tick_s == limits.RENEW_EVERY_S
    assert constants["DRIFT"] * scale.tick_s >= 3 * node_limits.CLOCK_DRIFT * limits.LONGEST_LEASE_S
    assert not re.search(rf"#define\s+({'|'.join(constants)})\b", MODEL.read_text())


def test_a_lease_that_is_no_whole_number_of_ticks_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    """A constant that changes must not be rounded away."""
    monkeypatch.setattr(limits, "LONGEST_LEASE_S", 14.0)
    with pytest.raises(ValueError, match=r"lease of 14.0 s is no whole number of ticks of 2.5 s"):
        _ = FINE.constants


@pytest.mark.parametrize("missing", ["spin", "gcc"])
def test_a_missing_program_is_named_with_its_remedy(
    missing: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without spin or a compiler nothing is proved, so the tests fail, and say what to install."""
    if missing == "gcc":
        stand_in = tmp_path / "spin"
        stand_in.write_text("#!/bin/sh\n")
        stand_in.chmod(0o755)
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SpinError, match=f"'{missing}' is not installed.*apt-get install spin gcc libc6-dev"):
        search(tmp_path, FINE)


class Retold:
    """The code's node, made to live through what the model's node did."""

    def __init__(self, tick_s: float) -> None:
        self.tick_s, self.tick = tick_s, 0
        self.core = RelayCore(KEY)
        self.refused: set[str] = set()
        self.closed: list[tuple[bool, bool]] = []

    def live(self, words: list[str]) -> None:
        """Take one line of the told run."""
        match words:
            case ["tick"]:
                self.tick += 1
            case ["boot"]:
                self.core = RelayCore(KEY, epoch=self.core.epoch, seq=self.core.seq)
            case ["contact", closed]:
                self.closed.append((closed == "1", self.core.advance(self.tick * self.tick_s)))
            case ["hear", order, by, epoch, age, retained]:
                self.hear(order, by, int(epoch), self.tick - int(age), retained == "1")

    def hear(self, order: str, by: str, epoch: int, said_tick: int, retained: bool) -> None:
        """Receive a command that was said at `said_tick`, which stands for its number too."""
        issued_ms = BEGAN_MS + round(said_tick * self.tick_s * 1000)
        seq = max(0, said_tick) + 1
        payload = encode_command(ORDERS[order], limits.LONGEST_LEASE_S, epoch, seq, issued_ms, by, KEY)
        self.refused.add(self.core.receive(payload, retained, self.tick * self.tick_s))


def test_the_codes_node_does_what_the_models_does(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Random runs of the model, retold to RelayCore: the same contact in every tick, through every kind of refusal."""
    monkeypatch.setattr(node_limits, "CLOCK_DRIFT", 0.0)
    refused, closed_ticks = set(), 0
    for seed in range(1, 31):
        retold = Retold(FINE.tick_s)
        for words in tell(tmp_path, FINE, seed, 20_000):
            retold.live(words)
        assert all(closed is by_code for closed, by_code in retold.closed), f"seed {seed}"
        refused |= retold.refused
        closed_ticks += sum(closed for closed, _ in retold.closed)
    assert refused == {"", "retained", "older-epoch", "second-controller", "replayed"}
    assert closed_ticks > 500
