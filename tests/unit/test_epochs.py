"""Which controller a node obeys, and that two of them do not fight for ever."""

import pytest

from controller.clock import Moment
from controller.epochs import Epoch, Epochs
from controller.wire.relay import decode_report, encode_report


def test_a_report_of_our_own_epoch_counts_and_an_older_one_does_not() -> None:
    """Older: from before our start, or from a node that has not obeyed us yet."""
    epochs = Epochs()
    assert epochs.heard("larch", 7, 7) is Epoch.OURS
    assert epochs.heard("larch", 6, 7) is Epoch.OTHER
    assert epochs.rivals == set()


def test_c04_a_later_epoch_is_overtaken_once_and_then_it_is_a_rival() -> None:
    """C04: a lost folder shows once; a living rival shows again, is told once, and is not fought."""
    epochs = Epochs()
    assert epochs.heard("larch", 9, 7) is Epoch.OVERTAKE
    assert epochs.heard("larch", 9, 10) is Epoch.OTHER, "it has not obeyed us yet"
    assert epochs.heard("larch", 10, 10) is Epoch.OURS
    assert epochs.heard("larch", 11, 10) is Epoch.RIVAL
    assert epochs.heard("larch", 11, 10) is Epoch.OTHER
    assert epochs.rivals == {"larch"}


def test_c04_our_own_epoch_is_anothers_where_the_node_has_obeyed_another() -> None:
    """C04: two that were started equally often; neither knew of the other, and the contact followed both by turns."""
    epochs = Epochs()
    assert epochs.heard("larch", 7, 7, by_another=True) is Epoch.OVERTAKE
    assert epochs.heard("larch", 7, 8, by_another=True) is Epoch.OTHER, "it has not obeyed us yet"
    assert epochs.heard("larch", 8, 8) is Epoch.OURS
    assert epochs.heard("larch", 8, 8, by_another=True) is Epoch.RIVAL


def test_each_node_may_be_overtaken_once() -> None:
    """Two nodes of a lost folder need not have seen the same epoch."""
    epochs = Epochs()
    assert epochs.heard("larch", 9, 7) is Epoch.OVERTAKE
    assert epochs.heard("elder", 12, 10) is Epoch.OVERTAKE
    assert epochs.rivals == set()


def test_a_forged_report_of_the_highest_epoch_leaves_room_to_count_on() -> None:
    """R08: ours would rise to where no report is read any more, our own node's neither, for good."""
    epochs, forged, highest = Epochs(), 2**52 - 1, 2**51 - 1
    assert epochs.heard("larch", forged, 7) is Epoch.OTHER
    assert epochs.heard("larch", 7, 7) is Epoch.OURS
    assert epochs.heard("larch", highest, 7) is Epoch.OVERTAKE
    payload = encode_report(False, False, highest + 10**6, 1, 0.0, None, 0, 1.0)
    assert decode_report(payload, Moment(0.0, 0)) is not None, "after a million starts more"


@pytest.mark.parametrize("forged", [2**52 - 1, 2**52, 2**53 - 1])
def test_an_epoch_forged_as_high_as_can_be_leaves_a_node_that_is_heard(forged: int) -> None:
    """Reports are unsigned: whatever one claims, ours is counted on at each start, and the node's own word counts."""
    ours = forged + 1 if Epochs().heard("larch", forged, 7) is Epoch.OVERTAKE else 7
    for started in (ours, ours + 1_000_000):
        report = decode_report(encode_report(True, True, started, 1, 9.0, None, 0, 60.0), Moment(0.0, 0))
        assert report is not None
        assert Epochs().heard("larch", report.epoch, started) is Epoch.OURS
