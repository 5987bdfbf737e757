"""What the broker may tell again: known until it is acknowledged, and for a window after, by its own number alone."""

import pytest

from controller.clock import Moment
from controller.wire.inbox import Message
from controller.wire.outstanding import Outstanding, Told

WINDOW = 3
SOIL, AIR = 0x5011, 0xA1A1


@pytest.fixture
def out() -> Outstanding:
    """Return one that has heard the soil as number 7 on its first link."""
    made = Outstanding(WINDOW)
    assert made.take(7, SOIL, 1, duplicate=False) is Told.NEW
    return made


def test_told_again_it_is_known_whether_it_waits_or_is_kept(out: Outstanding) -> None:
    """Waiting: nothing is due. Kept while no link stood: the acknowledgement is due."""
    assert out.take(7, SOIL, 2, duplicate=True) is Told.AGAIN
    assert out.keep(7, 1, 2)
    assert out.take(7, SOIL, 3, duplicate=True) is Told.KEPT


def test_kept_between_two_links_it_waits_to_be_told_again(out: Outstanding) -> None:
    """An acknowledgement on a link that has not told the message would be about another one."""
    assert not out.keep(7, 1, 2)
    assert out.take(7, SOIL, 2, duplicate=True) is Told.KEPT


@pytest.mark.parametrize(
    ("number", "content", "duplicate"),
    [(7, SOIL, False), (7, AIR, True), (8, SOIL, True)],
    ids=["a number given anew", "another's bytes", "another number"],
)
def test_what_is_not_surely_the_same_is_new(out: Outstanding, number: int, content: int, duplicate: bool) -> None:
    """All three must agree: the broker's word, its number, and the bytes."""
    assert out.take(number, content, 2, duplicate) is Told.NEW


def test_an_old_message_acknowledges_no_new_one_of_its_number(out: Outstanding) -> None:
    """The broker lost its session and counts from one again: what is on disk now is not what it has just told."""
    out.begin()
    assert out.take(7, SOIL, 2, duplicate=True) is Told.NEW
    assert not out.keep(7, 1, 2)
    assert out.keep(7, 2, 2)


def test_what_was_given_up_is_new_when_it_is_told_again(out: Outstanding) -> None:
    """There was no room for it, so nobody has it."""
    out.drop(7)
    assert out.take(7, SOIL, 2, duplicate=True) is Told.NEW


def test_as_many_acknowledged_ones_are_remembered_as_the_broker_may_have_out(out: Outstanding) -> None:
    """The acknowledgements of a dead link are no more than the window; older ones need no memory."""
    out.keep(7, 1, 1)
    for number in range(WINDOW - 1):
        out.take(100 + number, AIR, 1, duplicate=False)
        out.keep(100 + number, 1, 1)
    assert out.take(7, SOIL, 2, duplicate=True) is Told.KEPT
    for number in range(WINDOW):
        out.take(200 + number, AIR, 2, duplicate=False)
        out.keep(200 + number, 2, 2)
    assert out.take(7, SOIL, 3, duplicate=True) is Told.NEW


def test_what_is_acknowledged_anew_is_remembered_anew(out: Outstanding) -> None:
    """Two links die unnoticed one after the other, each with a whole window of acknowledgements on its way."""
    numbers = range(7, 7 + WINDOW)
    for number in numbers:
        out.take(number, SOIL, 1, duplicate=False)
        out.keep(number, 1, 1)
    for link in (2, 3):
        assert [out.take(number, SOIL, link, duplicate=True) for number in numbers] == [Told.KEPT] * WINDOW
    for number in range(WINDOW):
        out.take(200 + number, AIR, 3, duplicate=False)
        out.keep(200 + number, 3, 3)
    assert [out.take(number, SOIL, 4, duplicate=True) for number in numbers] == [Told.NEW] * WINDOW


def test_kept_between_two_links_it_is_remembered_no_longer_than_others(out: Outstanding) -> None:
    """Its acknowledgement goes out as it is told again, and from then on it is one of those."""
    out.keep(7, 1, 2)
    assert out.take(7, SOIL, 2, duplicate=True) is Told.KEPT
    for number in range(WINDOW):
        out.take(200 + number, AIR, 2, duplicate=False)
        out.keep(200 + number, 2, 2)
    assert out.take(7, SOIL, 3, duplicate=True) is Told.NEW


def test_what_an_earlier_controller_kept_is_acknowledged_as_it_is_told_again() -> None:
    """It was killed between commit and acknowledgement; whatever else comes is new, as is all of another session."""
    out = Outstanding(WINDOW)
    for number in range(1, WINDOW + 2):
        out.recall(number, SOIL)
    assert out.take(4, SOIL, 1, duplicate=True) is Told.KEPT
    assert out.take(3, AIR, 1, duplicate=True) is Told.NEW
    assert out.take(1, SOIL, 1, duplicate=True) is Told.NEW, "more than the broker may have out are not remembered"
    out.begin()
    assert out.take(2, SOIL, 2, duplicate=True) is Told.NEW


@pytest.mark.parametrize(
    ("payload", "is_dated"),
    [
        (b'[{"bn":"urn:dev:ops:larch:","bt":1772000000.5,"bu":"Cel","n":"soil","v":15.5}]', True),
        (b'[{"n":"soil","u":"Cel","v":15.5}]', False),
        (b'[{"n":"soil","u":"Cel","bt":-10,"v":15.5}]', False),
        (b'[{"soil": 15.5}]', False),
        (b"15.5", False),
    ],
    ids=["a pack with its time", "without any", "counted from now", "an array of another kind", "a bare number"],
)
def test_only_a_pack_that_bears_its_time_is_known_again_without_its_number(payload: bytes, is_dated: bool) -> None:
    """RFC 8428, section 4.5.3: a time below 2**28 counts from now, and now is another one when it is told again."""
    assert Message("soil", payload, False, Moment(0.0, 0), 7, 1, 1).is_dated is is_dated
