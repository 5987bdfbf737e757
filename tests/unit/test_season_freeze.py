"""Freeze dates of years with holes, without frost, with 29 February, and of the southern half of the earth."""

from collections.abc import Iterable
from datetime import date, timedelta

import pytest

from api.season.daily import Daily, Day, RecordError, daily_of
from api.season.freeze import Freezes, Hemisphere, first_freezes, hemisphere_of, last_freezes
from api.season.freeze_chance import MonthDay, average, chances, first_normals, last_normals, two_weeks_before

LAST, FIRST = date(2025, 4, 10), date(2024, 10, 20)


def season(
    *,
    lost: Iterable[date] = (),
    frozen: Iterable[date] = (FIRST, date(2025, 1, 5), LAST),
    begin: date = date(2024, 8, 1),
    days: int = 365,
) -> Daily:
    """Return a cold season of 10 Cel with -1 Cel on some nights and others lost."""
    nights = (begin + timedelta(days=count) for count in range(days))
    values = {on: None if on in set(lost) else -1.0 if on in set(frozen) else 10.0 for on in nights}
    return daily_of("here", (Day(on, value_c) for on, value_c in values.items()))


def nights(first: date, count: int) -> list[date]:
    """Return so many dates from one on."""
    return [first + timedelta(days=each) for each in range(count)]


def test_the_last_and_the_first_freeze_of_a_season() -> None:
    """The last is called after its spring, the first after its autumn; a night just at the threshold froze."""
    assert last_freezes(season(), -1.0).dates == {2025: LAST}
    assert first_freezes(season(), -1.0).dates == {2024: FIRST}
    assert last_freezes(season(), -1.01).dates == {2025: None}


@pytest.mark.parametrize(
    ("lost", "reason"),
    [
        ([date(2025, 3, 1)], None),
        ([date(2025, 4, 11)], "the night of 2025-04-11 after the freeze found is missing: it may have frozen then"),
        (nights(date(2025, 5, 29), 3), "the night of 2025-05-29 and 2 more after the freeze found is missing"),
        (nights(date(2025, 6, 1), 5), None),
        (nights(date(2025, 6, 1), 6), "6 of 113 nights from 2025-04-10 to 2025-07-31 are missing, at most 5 % may be"),
    ],
    ids=["before", "the-night-after", "end-of-may", "few-in-june", "many-in-june"],
)
def test_a_spring_counts_only_if_nothing_after_its_last_freeze_is_missing(lost: list[date], reason: str | None) -> None:
    """What is missing before it is no matter; after it, any night until June is, and then one in twenty."""
    found = last_freezes(season(lost=lost), 0.0)
    assert found.dates == ({} if reason else {2025: LAST})
    assert found.dropped.get(2025, "").startswith(reason or "")
    assert bool(found.dropped) == bool(reason)


@pytest.mark.parametrize(
    ("lost", "reason"),
    [
        ([date(2024, 10, 21)], None),
        ([date(2024, 10, 19)], "the night of 2024-10-19 before the freeze found is missing: it may have frozen then"),
        ([date(2024, 9, 1)], "the night of 2024-09-01 before the freeze found is missing"),
        (nights(date(2024, 8, 28), 4), None),
        (nights(date(2024, 8, 27), 5), "5 of 81 nights from 2024-08-01 to 2024-10-20 are missing"),
    ],
    ids=["after", "the-night-before", "september", "few-in-august", "many-in-august"],
)
def test_an_autumn_counts_only_if_nothing_before_its_first_freeze_is_missing(
    lost: list[date], reason: str | None
) -> None:
    """What is missing after it is no matter."""
    found = first_freezes(season(lost=lost), 0.0)
    assert found.dates == ({} if reason else {2024: FIRST})
    assert found.dropped.get(2024, "").startswith(reason or "")
    assert bool(found.dropped) == bool(reason)


@pytest.mark.parametrize(("lost", "counts"), [(18, True), (19, False)])
def test_a_year_that_never_froze_counts_if_it_was_watched(lost: int, counts: bool) -> None:
    """At most one night in twenty may be missing: 18 of 365."""
    record = season(lost=nights(date(2025, 1, 1), lost), frozen=())
    for found, year in ((last_freezes(record, 0.0), 2025), (first_freezes(record, 0.0), 2024)):
        assert found.dates == ({year: None} if counts else {})
        assert bool(found.dropped) != counts


def test_a_season_that_is_not_over_is_not_told() -> None:
    """A record that ends in April cannot know its last freeze, but knows the first."""
    record = season(days=260)
    assert last_freezes(record, 0.0).dropped[2025].startswith("the night of 2025-04-18 and 43 more after")
    assert first_freezes(record, 0.0).dates == {2024: FIRST}


def test_the_southern_cold_season_is_one_calendar_year() -> None:
    """Autumn and spring of the south: the first freeze in May, the last in September, both of 2025."""
    record = season(begin=date(2025, 2, 1), frozen=[date(2025, 5, 20), date(2025, 9, 12)])
    assert first_freezes(record, 0.0, Hemisphere.SOUTH).dates == {2025: date(2025, 5, 20)}
    assert last_freezes(record, 0.0, Hemisphere.SOUTH).dates == {2025: date(2025, 9, 12)}
    lost = season(begin=date(2025, 2, 1), frozen=[date(2025, 9, 12)], lost=[date(2025, 11, 30)])
    assert "2025-11-30" in last_freezes(lost, 0.0, Hemisphere.SOUTH).dropped[2025]
    assert last_freezes(lost, 0.0, Hemisphere.SOUTH).dates == {}


@pytest.mark.parametrize(("latitude", "wanted"), [(0.1, "NORTH"), (0.0, "NORTH"), (-0.1, "SOUTH")])
def test_the_half_of_the_earth_follows_from_the_latitude(latitude: float, wanted: str) -> None:
    """The equator counts as north; it does not freeze there."""
    assert hemisphere_of(latitude) is Hemisphere[wanted]


def freezes(*dates: date | None, hemisphere: Hemisphere = Hemisphere.NORTH) -> Freezes:
    """Return freeze dates of made-up years from 2001 on."""
    return Freezes("here", 0.0, hemisphere, dict(enumerate(dates, 2001)), {})


def test_years_without_frost_stay_in_the_denominator() -> None:
    """Of ten years six froze: the middle of them all is among the six, nine of ten did not freeze."""
    years = [*(date(2001, 4, day) for day in (2, 4, 6, 8, 10, 12)), None, None, None, None]
    normals = last_normals(freezes(*years))
    assert (normals.p10, normals.p50, normals.p90) == (MonthDay(4, 10), MonthDay(4, 3), None)
    (row,) = chances(freezes(*years), date(2026, 4, 2), (0,))
    assert (row[1].frozen, row[1].years, row[1].chance) == (6, 10, 0.6)


def test_first_freezes_of_years_without_frost_are_later_than_all() -> None:
    """P10 is the early date, P90 none."""
    years = [*(date(2001, 11, day) for day in (2, 4, 6, 8, 10, 12)), None, None, None, None]
    normals = first_normals(freezes(*years))
    assert (normals.p10, normals.p50, normals.p90) == (MonthDay(11, 4), MonthDay(11, 11), None)


def test_where_it_never_froze_there_is_no_date() -> None:
    """No average, no rule of two weeks, no chance; but an interval, for ten years are not for ever."""
    never = freezes(*[None] * 10)
    assert (average(never), two_weeks_before(never)) == (None, None)
    assert (last_normals(never).p10, last_normals(never).p90) == (None, None)
    (row,) = chances(never, date(2026, 4, 1), (7,))
    assert (row[1].chance, row[1].low) == (0.0, 0.0)
    assert row[1].high > 0.2


def test_no_year_gives_no_chance() -> None:
    """It is said rather than divided by nothing."""
    with pytest.raises(RecordError, match="here: no year counts for 0 Cel; give a longer record"):
        last_normals(freezes())


@pytest.mark.parametrize(("count", "thin"), [(9, True), (10, False)])
def test_few_years_are_said_to_be_few(count: int, thin: bool) -> None:
    """Below ten a date of one year in ten is drawn from no such year."""
    assert last_normals(freezes(*[date(2001, 4, 1)] * count)).thin is thin


def test_new_year_lies_within_a_winter() -> None:
    """A last freeze in December is earlier than one in January: the mean of 22 December and 10 January is 1 January."""
    assert average(freezes(date(2001, 12, 22), date(2003, 1, 11))) == MonthDay(1, 1)


def test_29_february_counts_as_1_march() -> None:
    """So a date means the same in every year."""
    assert average(freezes(date(2004, 2, 29))) == MonthDay(3, 1)
    assert average(freezes(date(2004, 2, 28))) == MonthDay(2, 28)


def test_the_chance_falls_with_every_week_and_ends_with_the_season() -> None:
    """One year in three froze after 10 April, none after 20 April; past 31 July there is no row."""
    found = freezes(date(2001, 3, 1), date(2002, 4, 5), date(2003, 4, 20))
    rows = chances(found, date(2026, 4, 5), (0, 5, 15, 16, 117, 118))
    assert [(days, round(share.chance, 2)) for days, share in rows] == [
        (0, 0.67),
        (5, 0.33),
        (15, 0.33),
        (16, 0),
        (117, 0),
    ]
    assert rows[1][1].on == MonthDay(4, 10)


def test_the_southern_spring_has_its_own_order() -> None:
    """In the south September comes late: the normals run from August to October."""
    dates = [date(2000 + count, 8, 20) + timedelta(days=4 * count) for count in range(1, 11)]
    normals = last_normals(freezes(*dates, hemisphere=Hemisphere.SOUTH))
    assert (normals.p10, normals.p50, normals.p90) == (MonthDay(9, 25), MonthDay(9, 11), MonthDay(8, 28))
