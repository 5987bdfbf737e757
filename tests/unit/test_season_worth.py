"""What may be concluded from few trees, what may not, and how it is said."""

import math
import subprocess
import sys
from collections.abc import Sequence
from datetime import date, timedelta
from itertools import combinations
from typing import Any

import pytest

from api.season.paired import sign_flip, typical_difference
from api.season.statistics import (
    ComparisonError,
    Waited,
    exact_log_rank,
    log_rank,
    median_wait,
    permutation,
    shift,
)
from api.season.worth import Compared, Measure, Tree, compare, units_of
from api.season.worth_cost import Used, per_day, per_kilogram
from api.season.worth_words import cautions, is_believed, per_day_sentence, per_kilogram_sentence, sentence, verdict

NEW_YEAR = date(2026, 1, 1)
LAST = 290


def on(day: int | None) -> date | None:
    """Return a day of the year as a date."""
    return None if day is None else NEW_YEAR + timedelta(days=day - 1)


def grove(protection: str, ripe: Sequence[int | None], enclosure: str | None = None, **more: Any) -> list[Tree]:
    """Return trees first ripe on days of the year, half ripe on the same; None never."""
    watched = on(LAST)
    assert watched is not None
    return [
        Tree(f"{protection} {place}", protection, enclosure, watched, on(day), on(day), **more)
        for place, day in enumerate(ripe)
    ]


def first_ripe(trees: Sequence[Tree]) -> Compared:
    """Return the comparison of the first ripe fruit of the only pair."""
    return next(each for each in compare(trees) if each.measure is Measure.FIRST_RIPE)


HEATED, OPEN = grove("heated", [238, 241, 244, 239, 247]), grove("open", [252, 249, 256, 246, 258])


def test_five_trees_against_five_are_told_with_everything_that_belongs() -> None:
    """The sentence has the numbers of trees, effect, interval, its confidence, p, the least p, and what follows."""
    found = first_ripe([*HEATED, *OPEN])
    said = sentence(found)
    assert (found.effect, found.low, found.high) == (-11.0, -18.0, -2.0)
    assert is_believed(found)
    for part in (
        "heated (5 trees) against open (5 trees)",
        "heated 11 days earlier",
        "from 18 days earlier to 2 days earlier (97 % sure)",
        "16 times in 1000",
        "8 times in 1000",
        "more than chance",
    ):
        assert part in said


def test_no_sentence_speaks_of_statistics() -> None:
    """A grower reads no p-value, hypothesis, permutation, median, interval, or significance."""
    never = grove("wrapped", [252, 258, None, None, None], grams=10.0)
    said = [sentence(each) for each in compare([*HEATED, *OPEN, *never])]
    for word in (
        "p-value",
        "p =",
        "hypothes",
        "permut",
        "median",
        "interval",
        "signific",
        "censor",
        "log-rank",
        "inf",
        "nan",
    ):
        assert not [each for each in said if word in each.lower()], word


@pytest.mark.parametrize(
    ("ones", "others", "open_to_proof"), [(3, 3, False), (3, 4, False), (3, 5, True), (4, 4, True)]
)
def test_too_few_trees_conclude_nothing_however_far_apart(ones: int, others: int, open_to_proof: bool) -> None:
    """Wholly parted by a month: three against four cannot show it, three against five and four against four can; the
    sentence asks for that."""
    found = first_ripe([*grove("heated", range(200, 200 + ones)), *grove("open", range(240, 240 + others))])
    assert is_believed(found) is open_to_proof
    assert ("nothing can be concluded" in sentence(found)) is not open_to_proof
    if not open_to_proof:
        assert "at least four trees on each side, or three against five" in sentence(found)


def test_three_against_three_give_no_range() -> None:
    """The interval is everything, and said so in words."""
    found = first_ripe([*HEATED[:3], *OPEN[:3]])
    assert (found.low, found.high) == (-math.inf, math.inf)
    assert "give or take any amount" in sentence(found)
    assert "10 times in 100" in sentence(found)


def test_one_tree_against_one_says_so() -> None:
    """Chance alone always parts two single trees."""
    found = first_ripe([HEATED[0], OPEN[0]])
    assert (found.p, found.smallest_p) == (1.0, 1.0)
    assert "1 tree)" in sentence(found)
    assert "every time" in sentence(found)
    assert "nothing can be concluded" in sentence(found)


def test_trees_that_share_a_heater_count_once() -> None:
    """Five trees in one tunnel are one, however alike; in two tunnels two. Five trees alone are five."""
    tunnel = grove("heated", [238, 241, 244, 239, 247], "larch")
    (unit,) = units_of(tunnel)
    assert (unit.trees, unit.first_ripe_d) == (5, float(on(241).toordinal()))  # type: ignore[union-attr]
    found = first_ripe([*tunnel, *OPEN])
    assert (found.one.units, found.one.trees, found.p) == (1, 5, pytest.approx(2 / 6))
    assert "heated (1 enclosure, 5 trees)" in sentence(found)
    assert "at least four enclosures" in sentence(found)
    assert any("counts once" in each for each in cautions([found]))
    assert len(units_of([*tunnel, *grove("warm", [240, 241], "rowan")])) == 2
    assert len(units_of(OPEN)) == 5


def test_an_enclosure_is_watched_as_long_as_all_its_trees_are() -> None:
    """Half of them not ripe when the first was left alone: no later day is vouched for."""
    trees = [Tree(str(day), "heated", "larch", date(2026, 10, day)) for day in (3, 9, 17)]
    (unit,) = units_of(trees)
    assert unit.first_ripe_d is None
    assert unit.watched_d == date(2026, 10, 3).toordinal()


def test_what_never_ripened_is_not_left_out() -> None:
    """Three of five never ripe are later than all that were, without an invented date: who came sooner is said, the
    days between are not."""
    wrapped = grove("wrapped", [252, 258, None, None, None])
    found = first_ripe([*HEATED, *wrapped])
    assert found.effect is None
    assert found.sooner == "heated"
    assert found.other.never == 3
    assert found.p == pytest.approx(2 / 252)
    assert "heated came sooner" in sentence(found)
    assert "3 of 5 under wrapped never" in sentence(found)
    turned = first_ripe([*wrapped, *HEATED])
    assert (turned.sooner, turned.p) == ("heated", found.p)


def test_the_days_between_are_counted_where_half_of_both_ripened() -> None:
    """One late tree of five leaves the middle tree known."""
    found = first_ripe([*grove("heated", [238, 239, 241, 244, None]), *OPEN])
    assert found.effect == 241.0 - 252.0
    assert found.low == -math.inf


def test_where_nothing_ripened_nothing_is_compared() -> None:
    """No p, no effect, and a sentence that says why; yield and damage that nobody noted likewise."""
    never = [*grove("heated", [None, None]), *grove("open", [None, None])]
    for found in compare(never):
        assert (found.p, found.effect) == (None, None)
        assert "nothing to compare" in sentence(found)


def test_ties_are_no_difference() -> None:
    """All alike: chance parts them as far every time."""
    found = first_ripe([*grove("heated", [240] * 4), *grove("open", [240] * 4)])
    assert (found.effect, found.p) == (0.0, 1.0)
    assert "no difference between them" in sentence(found)
    assert "does not show that they are alike" in sentence(found)


def test_units_without_a_weight_are_left_out_of_the_yield() -> None:
    """Two of three weighed are two; the damage of all three still counts."""
    some = [*grove("heated", [240, 241], grams=900.0, damage=0.1), *grove("heated", [242], damage=0.2)]
    some[2] = Tree("third", "heated", None, some[0].watched_to, damage=0.2)
    found = {each.measure: each for each in compare([*some, *grove("open", [250, 251], grams=400.0, damage=0.5)])}
    assert found[Measure.YIELD].one.units == 2
    assert found[Measure.YIELD].effect == 500.0
    assert found[Measure.DAMAGE].one.units == 3
    assert "40 % of the shoots less" in sentence(found[Measure.DAMAGE])


def test_no_trees_and_one_protection_are_no_comparison() -> None:
    """Nothing is said where there is nothing to say."""
    assert compare([]) == []
    assert compare(HEATED) == []
    assert cautions([]) == []


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"first_ripe": on(LAST + 1)}, "watching ends last"),
        ({"first_ripe": on(250), "median_ripe": on(249)}, "the first comes first"),
        ({"median_ripe": on(249)}, "the first comes first"),
        ({"grams": -0.1}, "give 0 or more"),
        ({"grams": math.nan}, "give 0 or more"),
        ({"grams": math.inf}, "give 0 or more"),
        ({"damage": 1.01}, "outside 0"),
        ({"damage": math.nan}, "outside 0"),
        ({"first_ripe": date(2024, 9, 1)}, "one season at a time"),
    ],
)
def test_trees_that_contradict_themselves_are_refused(changed: dict[str, Any], words: str) -> None:
    """Each is named with its value and what to do."""
    with pytest.raises(ComparisonError, match=words):
        compare([Tree("fig", "heated", None, date(2026, 10, 17), **changed), *OPEN])


def test_a_tree_that_is_there_twice_is_refused() -> None:
    """Counting it twice would make it two trees."""
    with pytest.raises(ComparisonError, match="there 2 times"):
        compare([*HEATED, HEATED[0]])


def test_a_season_across_new_year_is_one_season() -> None:
    """In the south fruit ripe on 28 December is ten days before fruit ripe on 7 January."""
    watched = date(2027, 3, 1)
    trees = [Tree(str(day), "heated", None, watched, date(2026, 12, day)) for day in (27, 28, 29, 30)]
    trees += [Tree(f"o{day}", "open", None, watched, date(2027, 1, day)) for day in (6, 7, 8, 9)]
    assert first_ripe(trees).effect == -10.0


def test_a_day_gained_has_its_price() -> None:
    """22 kWh for 11 days are 2 kWh a day; asked the other way round it is the same; days that may be chance are said
    to be worth nothing; none gained has no price."""
    used = {"heated": Used(22.0, 5.5)}
    for trees in ([*HEATED, *OPEN], [*OPEN, *HEATED]):
        (price,) = per_day(compare(trees), used)
        assert (price.dearer, price.gained_d, price.per_day) == ("heated", 11.0, Used(2.0, 0.5))
    assert "gained 11 days: 2 kWh (0.50 EUR) for each." in per_day_sentence(price, "EUR", believed=True)
    assert "may be chance" in per_day_sentence(price, "EUR", believed=False)
    (lost,) = per_day(compare([*HEATED, *OPEN]), {"open": Used(1.0, 1.0)})
    assert lost.per_day is None
    assert "gained no day" in per_day_sentence(lost, "EUR", believed=True)
    (unknown,) = per_day(compare([*HEATED, *grove("wrapped", [250, None, None])]), used)
    assert "cannot be told" in per_day_sentence(unknown, "EUR", believed=True)
    assert per_day(compare([*HEATED, *OPEN]), {}) == []


def test_a_kilogram_has_its_price() -> None:
    """The whole harvest under a protection against all it used; nothing weighed, no price; no electricity, no line."""
    trees = [*grove("heated", [240, 241], grams=2000.0), *grove("open", [250], grams=500.0)]
    (price,) = per_kilogram(trees, {"heated": Used(100.0, 30.0)})
    assert (price.kilograms, price.per_kilogram) == (4.0, Used(25.0, 7.5))
    assert "for 4 kg of both crops: 25 kWh (7.50 EUR) for each" in per_kilogram_sentence(price, "EUR")
    (bare,) = per_kilogram(OPEN, {"open": Used(1.0, 0.2)})
    assert "no fruit was weighed" in per_kilogram_sentence(bare, "EUR")
    with pytest.raises(ComparisonError, match="give 0 or more of each"):
        per_kilogram(trees, {"heated": Used(math.nan, 0.0)})


def test_a_thousand_kilowatt_hours_are_written_as_people_write_them() -> None:
    """A winter's heat and a nursery's harvest in plain digits; a little in three that count."""
    (price,) = per_kilogram(grove("heated", [240], grams=1_250_000.0), {"heated": Used(4321.4, 1296.0)})
    said = per_kilogram_sentence(price, "EUR")
    assert said == "heated: 4321 kWh (1296.00 EUR) for 1250 kg of both crops: 3.46 kWh (1.04 EUR) for each."
    (dear,) = per_day(compare([*HEATED, *OPEN]), {"heated": Used(999.6, 300.0)})
    assert "used 1000 kWh (300.00 EUR) more" in per_day_sentence(dear, "EUR", believed=True)


def test_many_comparisons_come_with_a_warning() -> None:
    """How many there are, and that of twenty one looks like something."""
    found = compare([*HEATED, *OPEN, *grove("wrapped", [250, 251, None])])
    said = " ".join(cautions(found))
    assert f"{sum(each.p is not None for each in found)} comparisons" in said
    assert "equal watching" in said
    assert "No lot decided" in said


def test_empty_groups_and_broken_values_are_refused() -> None:
    """By every method, with words and not with a warning."""
    for broken in ([], [math.nan], [math.inf, 1.0]):
        for method in (permutation, shift):
            with pytest.raises(ComparisonError):
                method(broken, [1.0, 2.0])
            with pytest.raises(ComparisonError):
                method([1.0, 2.0], broken)
        for paired in (sign_flip, typical_difference):
            with pytest.raises(ComparisonError):
                paired(broken)
    for test in (log_rank, exact_log_rank):
        with pytest.raises(ComparisonError, match="empty"):
            test(Waited([]), Waited([1.0]))
        with pytest.raises(ComparisonError, match="no wait ended"):
            test(Waited([], [1.0]), Waited([], [1.0]))
    with pytest.raises(ComparisonError, match="empty"):
        median_wait(Waited([]))


def test_ties_are_shuffled_like_any_other() -> None:
    """Values alike in both groups, differences of 0 and of one size."""
    for tied in ([1.0, -1.0], [0.0, 2.0]):
        assert 0.0 < sign_flip(tied).p <= 1.0
    assert permutation([1.0, 2.0], [2.0, 3.0]).p == pytest.approx(4 / 6)


def test_half_waited_lies_between_the_two_middle_ones() -> None:
    """Of four that ended the mean of the second and third; two of four that did not leave it unknown; three of five
    make it known."""
    assert median_wait(Waited([1.0, 2.0, 4.0, 9.0])) == 3.0
    assert median_wait(Waited([1.0, 2.0], [9.0, 9.0])) is None
    assert median_wait(Waited([1.0, 2.0, 3.0], [9.0, 9.0])) == 3.0
    assert median_wait(Waited([], [9.0])) is None


def test_the_exact_log_rank_counts_what_was_expected_at_each_ripening() -> None:
    """Observed less expected, from the table of those still waiting at each ripening, over all 70 ways to choose
    four of eight: the same chance."""
    waits = [(3, True), (5, True), (6, False), (11, True), (4, True), (7, True), (12, True), (13, False)]

    def excess(chosen: tuple[int, ...]) -> float:
        total = 0.0
        for at in sorted({wait for wait, ended in waits if ended}):
            waiting = [place for place, (wait, _) in enumerate(waits) if wait >= at]
            ended = [place for place in waiting if waits[place] == (at, True)]
            mine = [place for place in waiting if place in chosen]
            total += len(set(ended) & set(chosen)) - len(ended) * len(mine) / len(waiting)
        return round(total, 9)

    every = [excess(chosen) for chosen in combinations(range(8), 4)]
    seen = excess((0, 1, 2, 3))
    p = 2 * min(sum(each >= seen for each in every), sum(each <= seen for each in every)) / len(every)
    assert exact_log_rank(Waited([3, 5, 11], [6]), Waited([4, 7, 12], [13])).p == pytest.approx(p)


def test_large_groups_are_sampled_alike_each_time_and_never_give_0() -> None:
    """Two groups of thirty wholly apart: p is (b + 1)/(m + 1), twice, and the same again."""
    assert permutation(list(range(9)), list(range(9))).exact, "48 620 shufflings are all tried"
    far = permutation(list(range(30)), list(range(100, 130)))
    assert not far.exact
    assert far.p == 2 / 20_000
    near = [permutation(list(range(30)), list(range(5, 35))) for _ in range(2)]
    assert near[0] == near[1]
    assert not sign_flip([1.0 + each for each in range(30)]).exact


def test_sums_in_another_order_do_not_change_a_chance() -> None:
    """Tenths that no binary fraction holds: groups that are alike are never parted by rounding."""
    assert permutation([0.5, 0.6, 0.3], [0.3, 0.6, 0.5]).p == 1.0
    assert shift([0.1, 0.2, 0.3], [0.3, 0.2, 0.1]).median == 0.0


def test_no_page_holds_scipy() -> None:
    """What the comparisons need is counted here: a process that has made them all never loaded it."""
    asked = (
        "import sys, api.app\n"
        "from api.season.paired import sign_flip, typical_difference\n"
        "from api.season.statistics import Waited, exact_log_rank, log_rank, median_wait, permutation, shift\n"
        "one, other = [1.0, 2.0, 3.0], [2.0, 4.0, 6.0]\n"
        "permutation(one, other), shift(one, other), sign_flip(one), typical_difference(one)\n"
        "waits = Waited(one, [5.0]), Waited(other)\n"
        "log_rank(*waits), exact_log_rank(*waits), median_wait(waits[0])\n"
        "print(sorted(each for each in sys.modules if each.partition('.')[0] == 'scipy'))\n"
    )
    done = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True, timeout=120)
    assert done.stdout.strip() == "[]"


def test_the_verdict_says_what_all_of_it_comes_to() -> None:
    """Too few to show anything; a difference that chance would make; one that it would not; nothing on both sides."""
    few = compare([*grove("heated", [200, 201]), *grove("open", [220, 221])])
    assert verdict(few) == "Nothing can be concluded: so few could show nothing, whatever they did."
    alike = compare([*grove("heated", [200, 202, 204, 206, 208]), *grove("open", [201, 203, 205, 207, 209])])
    assert verdict(alike) == "All differences may be chance."
    assert verdict(compare([*HEATED, *OPEN])).startswith("More than chance: first ripe fruit 11 days earlier under")
    none = compare([*grove("heated", [None]), *grove("open", [None])])
    assert verdict(none) == "Nothing can be compared: nothing was noted on both sides."
