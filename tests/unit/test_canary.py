"""The canary: when the next is due, and when too many are missing."""

import pytest

from controller.wire.canary import Canary


@pytest.mark.parametrize(("after_s", "due"), [(0.0, False), (4.9, False), (5.0, True)])
def test_one_message_each_5_seconds(after_s: float, due: bool) -> None:
    """The first at once."""
    canary = Canary()
    assert canary.is_due(100.0)
    canary.next(100.0)
    assert canary.is_due(100.0 + after_s) is due


def _silent_until(seconds: float) -> tuple[Canary, list[bytes]]:
    canary, sent = Canary(), []
    for tenth in range(round(seconds * 10) + 1):
        if canary.is_due(tenth / 10):
            sent.append(canary.next(tenth / 10))
    return canary, sent


@pytest.mark.parametrize(("seconds", "missed"), [(4, False), (10, False), (14.9, False), (15, True), (60, True)])
def test_three_that_do_not_come_back_are_too_many(seconds: float, missed: bool) -> None:
    """Three had their 5 s each by second 15, and it stays so while later ones are under way."""
    canary, _ = _silent_until(seconds)
    assert canary.is_missed(seconds) is missed


def test_one_that_comes_late_ends_it_only_if_no_three_are_missing_after_it() -> None:
    """The second of thirteen says little; the last says all, and a copy of the second takes nothing back."""
    canary, sent = _silent_until(60.0)
    canary.hear(sent[1])
    assert canary.is_missed(60.0)
    canary.hear(sent[-1])
    canary.hear(sent[1])
    assert not canary.is_missed(60.0)


@pytest.mark.parametrize("payload", [b"", b"T -1", b"T 9", b"T 1e0", b"T \xb2", b"T " + b"1" * 99, b"other 1", b"1"])
def test_nonsense_and_what_was_never_sent_is_no_canary(payload: bytes) -> None:
    """Only what we sent counts."""
    canary, _ = _silent_until(20.0)
    canary.hear(payload.replace(b"T", canary.token.encode()))
    assert canary.heard == 0


def test_another_controllers_canary_is_told_from_ours_once_ours_has_lain_there() -> None:
    """What a predecessor left is no rival's, nor is what we have met: a killed broker may have forgotten ours."""
    canary, other = Canary(), Canary()
    ours, left = canary.next(0.0), [other.next(0.0) for _ in range(3)]
    assert not canary.is_foreign(left[1])
    canary.hear(ours)
    assert [canary.is_foreign(each) for each in (left[1], left[0], ours)] == [False, False, False]
    assert [canary.is_foreign(each) for each in (left[2], left[2])] == [True, False]
    assert canary.is_foreign(Canary().next(0.0))


def test_of_two_controllers_one_outranks_the_other() -> None:
    """Both find the same, whatever numbers they have come to."""
    one, other = Canary("5f00aa11", sent=7), Canary("5f00aa12", sent=3)
    assert other.outranks(one.next(0.0))
    assert not one.outranks(other.next(0.0))


def test_a_new_connection_begins_with_nothing_missing() -> None:
    """And its own three have their time."""
    canary, _ = _silent_until(60.0)
    canary.begin()
    assert not canary.is_missed(64.0)
