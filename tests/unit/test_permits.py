"""The permissives: each is lost by its own fault alone, with words, and comes back by itself."""

import pytest

from controller.permits import spoken
from controller.safety.trip import Trip, TripKind
from controller.standing import Standing
from tests.core_site import AIR, SOIL, SURFACE, Bed, plan_of, warm_bed


def break_broker(bed: Bed) -> None:
    """Lose the session."""
    bed.connected = False


def break_journal(bed: Bed) -> None:
    """Fill the disk."""
    bed.journal_ok = False


def silence(name: str):  # type: ignore[no-untyped-def]
    """Return a break that silences a probe."""

    def broken(bed: Bed) -> None:
        bed.says[name] = None

    return broken


def silence_node(bed: Bed) -> None:
    """Lose the node."""
    bed.node_speaks = False


def heat_air(bed: Bed) -> None:
    """Warm the air over its no-heat limit, slowly enough to be no fire."""
    begun = bed.second
    bed.says["air"] = lambda t: min(46.0, 10.0 + (t - begun) / 10)


@pytest.mark.parametrize(
    ("broken", "name"),
    [
        (break_journal, "journal written"),
        (break_broker, "broker connected"),
        (silence_node, "node heard"),
        (silence("soil"), "soil heard"),
        (silence("air"), "air heard"),
        (silence("case"), "case heard"),
        (heat_air, "air below its no-heat limit"),
    ],
)
def test_each_fault_loses_its_own_permissive_alone(broken, name: str) -> None:  # type: ignore[no-untyped-def]
    """Heat ends, exactly one permissive is lost, it says why and what ends it, and nothing latches."""
    bed = warm_bed(SOIL, AIR, SURFACE)
    assert all(each.holds and not each.detail for each in bed.state.permissives)
    broken(bed)
    bed.run(420)
    lost = [each for each in bed.state.permissives if not each.holds]
    assert [each.name for each in lost] == [name]
    assert lost[0].detail
    assert lost[0].returns
    assert not bed.on
    assert bed.trips == ()


def test_a_probe_that_speaks_but_is_not_believed_says_why() -> None:
    """Heard is not believed: the words are the plausibility's own."""
    bed = warm_bed()
    bed.says["soil"] = -127.0
    bed.run(60)
    assert "soil probe 'soil' is not believed: -127 is outside the possible" in bed.orders[-1][2]


def test_the_journal_tells_when_heat_was_held_off_and_freed() -> None:
    """One entry for the loss and one for the return, however long it lasted."""
    bed = warm_bed()
    bed.connected = False
    bed.run(100)
    bed.connected = True
    bed.run(100)
    told = [(each.kind, each.body["permissive"]) for each in bed.entries if "permissive" in each.body]
    assert told == [("held-off", "broker connected"), ("free-again", "broker connected")]


def test_after_a_reset_there_is_a_wait_of_5_minutes() -> None:
    """O02: the words count it down."""
    held = Trip(TripKind.INTERNAL, "", None, None, 0, "x")
    bed = Bed(plan_of(), {"soil": 10.0, "air": 10.0}, Standing(armed=True, override_c=20.0, trips=(held,)))
    bed.run(20)
    bed.ask("reset", trip="internal-fault")
    reset_s = bed.second - 1
    (lost,) = [each for each in bed.state.permissives if not each.holds]
    assert (lost.name, lost.returns) == ("settled after a reset", "in 5 min")
    bed.run(400)
    assert 300 <= bed.on_seconds(0)[0] - reset_s <= 302


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0.0, "0 s"), (89.4, "89 s"), (90.0, "2 min"), (300.0, "5 min"), (5399.0, "90 min"), (5400.0, "2 h"),
        (172_799.0, "48 h"), (172_800.0, "2 days"), (864_000.0, "10 days"),
    ],
)  # fmt: skip
def test_a_span_is_said_as_people_do(seconds: float, words: str) -> None:
    """Seconds, minutes, hours, days, at their changes."""
    assert spoken(seconds) == words
