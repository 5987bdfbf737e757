"""Whose turn it is, and which messages may be acknowledged after it."""

import pytest

from controller.clock import Moment
from controller.held import Held
from controller.ticking import Ticking
from controller.wire.inbox import Message
from tests.core_site import NIGHT_MS

NAMES = ("larch", "elder", "alder", "rowan")
NOW_S = 1000.0


def turns(ticking: Ticking, now_s: float) -> list[str]:
    """Take turns until nobody's has come."""
    found = []
    while names := ticking.next(now_s):
        found += names
    return found


def test_each_ticks_once_a_second_in_its_own_quarter() -> None:
    """Spread evenly, and again a second later."""
    ticking = Ticking(NAMES, NOW_S)
    assert ticking.wait_s(NOW_S) == 0.0
    assert [turns(ticking, NOW_S + part / 4) for part in range(6)] == [
        ["larch"], ["elder"], ["alder"], ["rowan"], ["larch"], ["elder"]
    ]  # fmt: skip
    assert ticking.wait_s(NOW_S + 1.25) == pytest.approx(0.25)
    assert sum(ticking.late.counts) == 6


def test_a_thousand_are_due_in_a_hundred_groups_and_each_is_handed_out_alone() -> None:
    """So the loop awakes a hundred times a second, and a hot one still waits for one step at most."""
    ticking = Ticking([f"bed-{number}" for number in range(1000)], NOW_S)
    now_s, groups = NOW_S, list[int]()
    while now_s < NOW_S + 0.999:
        handed = [ticking.next(now_s)]
        while handed[-1]:
            handed.append(ticking.next(now_s))
        assert all(len(names) == 1 for names in handed[:-1])
        groups.append(len(handed) - 1)
        now_s += ticking.wait_s(now_s) + 1e-9
    assert groups == [10] * 100


def test_where_the_loop_is_behind_a_few_that_are_due_are_handed_out_together_but_with_nobody_hot() -> None:
    """P27 I11: four at once, each once, and in their order; who is hot is handed out with one other at the most."""
    names = [f"bed-{number}" for number in range(10)]
    ticking = Ticking(names, NOW_S)
    assert ticking.next(NOW_S) == names[:1]
    ticking.has_news("bed-2", NOW_S + 0.25)
    assert [ticking.next(NOW_S + 0.55) for _ in range(3)] == [names[1:5], names[5:6], []]
    ticking.has_news("bed-9", NOW_S + 0.95, hot=True)
    assert [ticking.next(NOW_S + 0.95) for _ in range(3)] == [[names[9], names[6]], names[7:], []]


def test_those_that_were_late_together_do_not_stay_together() -> None:
    """All four are handed out just before the second is over: in the next they come in their own quarters again."""
    ticking = Ticking(NAMES, NOW_S)
    assert turns(ticking, NOW_S + 0.95) == [*NAMES]
    assert [turns(ticking, NOW_S + 1.0 + part / 4) for part in range(4)] == [[name] for name in NAMES]


def test_what_is_late_by_whole_ticks_is_not_made_up_for() -> None:
    """Asleep for a minute: one tick each, and then as ever."""
    ticking = Ticking(NAMES, NOW_S)
    assert turns(ticking, NOW_S + 60.0) == [*NAMES]
    assert [turns(ticking, NOW_S + 60.25 + part / 4) for part in range(3)] == [["elder"], ["alder"], ["rowan"]]


def test_news_get_a_turn_at_once_and_one_only() -> None:
    """Two messages before a step are one reason for it; who was due ticks as ever."""
    ticking = Ticking(NAMES, NOW_S)
    turns(ticking, NOW_S)
    for _ in range(2):
        ticking.has_news("rowan", NOW_S + 0.1)
    assert ticking.wait_s(NOW_S + 0.1) == 0.0
    assert turns(ticking, NOW_S + 0.1) == ["rowan"]
    assert turns(ticking, NOW_S + 0.75) == ["elder", "alder", "rowan"]


def test_who_has_waited_longest_goes_first_whether_due_or_told() -> None:
    """So neither ticks nor messages starve when there are too many of both."""
    ticking = Ticking(NAMES, NOW_S)
    ticking.has_news("rowan", NOW_S + 0.3)
    ticking.has_news("alder", NOW_S + 0.4)
    assert turns(ticking, NOW_S + 0.6) == ["larch", "elder", "rowan", "alder"]


def test_a_limit_passed_goes_before_all_others() -> None:
    """Fifty others have news, and everybody is due: it is stepped next all the same, and not twice."""
    others = tuple(f"bed-{number}" for number in range(50))
    ticking = Ticking((*others, "hot"), NOW_S)
    for name in (*others, "hot"):
        ticking.has_news(name, NOW_S)
    ticking.has_news("hot", NOW_S + 0.01, hot=True)
    found = turns(ticking, NOW_S)
    assert (found[0], found.count("hot")) == ("hot", 1)


def test_who_is_hot_together_gets_a_turn_together_but_not_without_end() -> None:
    """Forty are hot, eight of them due as well: thirty-two at once, then eight, each once; then the others."""
    names = [f"bed-{number}" for number in range(50)]
    ticking = Ticking(names, NOW_S)
    for name in names[:40]:
        ticking.has_news(name, NOW_S, hot=True)
    assert [ticking.next(NOW_S) for _ in range(3)] == [names[:32], names[32:40], []]
    assert turns(ticking, NOW_S + 1.0) == [*names[1:], names[0]]


def test_a_probe_that_is_hot_without_end_starves_nobody() -> None:
    """P27 I11: over its limit at every turn, five hundred times a second; the others tick once a second as ever."""
    ticking = Ticking(NAMES, NOW_S)
    handed: list[str] = []
    for turn in range(1500):
        ticking.has_news("larch", NOW_S + turn / 500, hot=True)
        names = ticking.next(NOW_S + turn / 500)
        assert names[0] == "larch"
        handed += names
    assert [handed.count(name) for name in NAMES] == [1500, 3, 3, 3]


def message(number: int) -> Message:
    """Return the message of a number."""
    return Message(f"a/{number}", b"", False, Moment(NOW_S, NIGHT_MS), number, 1, 1)


def mids(messages: list[Message]) -> list[int]:
    """Return their numbers."""
    return [each.mid for each in messages]


def test_a_message_is_given_up_once_all_it_speaks_to_are_stepped() -> None:
    """In the order they came; one of two enclosures is not enough, and one that says nothing waits its turn."""
    held = Held()
    for number, names in enumerate((("larch",), (), ("larch", "elder"), ("elder",))):
        held.add(message(number), frozenset(names))
    assert mids(held.ready()) == []
    held.stepped("larch")
    assert mids(held.ready()) == [0, 1]
    held.stepped("elder")
    assert mids(held.ready()) == [2, 3]
    assert mids(held.ready()) == []


def test_what_comes_after_a_step_holds_up_nothing_that_came_before() -> None:
    """Under load everybody has something new all the time: what was stepped goes all the same."""
    held = Held()
    for round_of in range(5):
        for number, name in enumerate(NAMES):
            held.add(message(4 * round_of + number), frozenset((name,)))
            held.stepped(NAMES[number - 1])
    assert mids(held.ready()) == list(range(19))
    assert len(held) == 1
    held.stepped("rowan")
    assert mids(held.ready()) == [19]


def test_messages_without_room_are_given_up_apart() -> None:
    """Those that wait for the enclosure whose rows found no room are not acknowledged; the others are."""
    held = Held()
    held.add(message(0), frozenset(("elder",)))
    held.add(message(1), frozenset(("larch",)))
    held.stepped("larch")
    for number, names in ((2, ("larch",)), (3, ("elder",)), (4, ("larch", "elder"))):
        held.add(message(number), frozenset(names))
    assert mids(held.lost("larch")) == [2, 4]
    held.stepped("elder")
    assert mids(held.ready()) == [0, 1, 3]


def test_when_many_are_held_the_first_is_told() -> None:
    """So a small window of the broker's is not full of what waits for company."""
    held = Held()
    for number in range(6):
        held.add(message(number), frozenset((NAMES[number % 2],)))
    assert held.first(6) == frozenset()
    assert held.first(5) == {"larch"}
