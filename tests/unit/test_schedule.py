"""What is asked for when: dates, years, clock changes, ramps, and a set point that never jumps."""

from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.control.schedule import (
    Dated,
    ScheduleError,
    Start,
    asked_c,
    starts_of,
    toward,
    unroll,
)

ZURICH = ZoneInfo("Europe/Zurich")
HOUR_MS = 3_600_000


def ms(*parts: int, zone: ZoneInfo | None = None) -> int:
    """Return UTC milliseconds of a civil time (UTC unless a zone is given)."""
    return round(datetime(*parts, tzinfo=zone or UTC).timestamp() * 1000)  # type: ignore[arg-type,misc]


def laid(*entries: tuple[object, object, float], around_ms: int, zone: ZoneInfo = ZURICH) -> tuple[Dated, ...]:
    """Return entries as settings write them, laid out."""
    return unroll([(starts_of(start), value, ramp) for start, value, ramp in entries], zone, around_ms)  # type: ignore[arg-type,misc]


@pytest.mark.parametrize(
    ("written", "start"),
    [
        ("02-15", Start(None, 2, 15, time())),
        ("02-29", Start(None, 2, 29, time())),
        (date(2026, 3, 1), Start(2026, 3, 1, time())),
        (datetime(2026, 3, 1, 6, 30), Start(2026, 3, 1, time(6, 30))),  # noqa: DTZ001
    ],
)
def test_a_start_may_be_written_four_ways(written: object, start: Start) -> None:
    """TOML's date and date-time, or text for every year."""
    assert starts_of(written) == start  # type: ignore[arg-type]


@pytest.mark.parametrize("written", ["13-01", "02-30", "1 May", "", "2026-02-15T00:00", "00-00"])
def test_what_is_no_date_is_refused_with_the_remedy(written: str) -> None:
    """The message shows both ways to write one."""
    with pytest.raises(ScheduleError, match=r'write 2026-02-15, or "02-15"'):
        starts_of(written)


def test_a_start_that_bears_an_offset_is_refused() -> None:
    """Its offset was left out of account, and a spring came up to half a day early or late."""
    with pytest.raises(ScheduleError, match=r"2026-03-01T06:30:00\+00:00 bears an offset; write the site's own time"):
        starts_of(datetime(2026, 3, 1, 6, 30, tzinfo=UTC))


def test_before_the_first_dated_entry_nothing_is_asked() -> None:
    """A schedule that has not begun asks for no heat; just at its start it does."""
    begins = ms(2026, 3, 1, zone=ZURICH)
    dated = laid((date(2026, 3, 1), 14.0, 0.0), around_ms=begins)
    assert asked_c(dated, begins - 1) is None
    assert asked_c(dated, begins) == 14.0
    assert asked_c((), begins) is None


def test_a_yearly_schedule_wraps_at_new_year() -> None:
    """On 2 January the November entry of the year before is in force."""
    entries = (("03-01", 14.0, 0.0), ("11-15", 6.0, 0.0))
    for year in (2025, 2026, 2028):
        at = ms(year, 1, 2)
        assert asked_c(laid(*entries, around_ms=at), at) == 6.0
        at = ms(year, 12, 31, 23, 59)
        assert asked_c(laid(*entries, around_ms=at), at) == 6.0
        at = ms(year, 7, 1)
        assert asked_c(laid(*entries, around_ms=at), at) == 14.0


@pytest.mark.parametrize(("year", "day"), [(2028, 29), (2026, 28), (2100, 28), (2000, 29)])
def test_29_february_is_the_28th_in_other_years(year: int, day: int) -> None:
    """Leap years by the Gregorian rule, centuries included."""
    begins = ms(year, 2, day, zone=ZURICH)
    dated = laid(("02-01", 5.0, 0.0), ("02-29", 12.0, 0.0), around_ms=begins)
    assert asked_c(dated, begins - 1) == 5.0
    assert asked_c(dated, begins) == 12.0


def test_off_ends_heating_and_is_no_zero() -> None:
    """From "off" on nothing is asked, and what follows steps, for there is nothing to ramp from."""
    entries = (("02-01", 12.0, 0.0), ("05-15", "off", 24.0), ("10-01", 8.0, 48.0))
    at = ms(2026, 6, 1)
    dated = laid(*entries, around_ms=at)
    assert asked_c(dated, at) is None
    assert asked_c(dated, ms(2026, 5, 15, 1, zone=ZURICH)) is None
    assert asked_c(dated, ms(2026, 10, 1, zone=ZURICH)) == 8.0


def test_a_ramp_runs_straight() -> None:
    """From 12 to 16 over 72 h: 12 at its start, 14 half-way, 16 from its end on."""
    begins = ms(2026, 3, 10, zone=ZURICH)
    dated = laid(("02-15", 12.0, 0.0), ("03-10", 16.0, 72.0), around_ms=begins)
    for hours, asked in ((-0.001, 12.0), (0, 12.0), (18, 13.0), (36, 14.0), (71.999, 16.0), (72, 16.0), (500, 16.0)):
        assert asked_c(dated, begins + round(hours * HOUR_MS)) == pytest.approx(asked, abs=1e-3)


def test_a_ramp_may_fall() -> None:
    """16 to 12 over two days."""
    begins = ms(2026, 4, 1, zone=ZURICH)
    dated = laid(("03-01", 16.0, 0.0), ("04-01", 12.0, 48.0), around_ms=begins)
    assert asked_c(dated, begins + 12 * HOUR_MS) == 15.0


@pytest.mark.parametrize(("night", "hours"), [((2026, 3, 29), 23), ((2026, 10, 25), 25)], ids=["forward", "back"])
def test_a_night_the_clocks_change_is_one_hour_off_and_nothing_else(night: tuple[int, int, int], hours: int) -> None:
    """T02: entries start at local midnight, so that day lasts 23 or 25 h; the set point never jumps within it."""
    begins = ms(*night, zone=ZURICH)
    after = datetime(*night, tzinfo=UTC) + timedelta(days=1)
    ends = ms(after.year, after.month, after.day, zone=ZURICH)
    assert ends - begins == hours * HOUR_MS
    dated = laid((date(2026, 3, 1), 12.0, 0.0), (date(*night), 16.0, 24.0), around_ms=begins)
    values = [asked_c(dated, begins + minute * 60_000) for minute in range(0, 26 * 60)]
    steps = [abs(later - earlier) for earlier, later in pairwise(values)]  # type: ignore[operator]
    assert max(steps) <= 4.0 / (24 * 60) + 1e-9
    assert values[-1] == 16.0


@pytest.mark.parametrize(
    ("written", "utc"),
    [
        (datetime(2026, 3, 29, 2, 30), (2026, 3, 29, 1, 30)),  # noqa: DTZ001
        (datetime(2026, 10, 25, 2, 30), (2026, 10, 25, 0, 30)),  # noqa: DTZ001
    ],
    ids=["gap", "fold"],
)
def test_a_start_in_the_missing_or_doubled_hour_happens_once(written: datetime, utc: tuple[int, ...]) -> None:
    """T02: a time that does not exist is taken as if the clocks had not changed; one that exists twice is the first."""
    dated = laid((written, 16.0, 0.0), around_ms=ms(*utc))
    assert [each.from_ms for each in dated] == [ms(*utc)]


@given(st.integers(0, 4_000_000_000_000))
def test_a_yearly_schedule_always_knows(at_ms: int) -> None:
    """At any instant from 1970 to 2096 it asks for one of its set points or something between."""
    value = asked_c(laid(("02-29", 12.0, 240.0), ("10-01", 6.0, 100.0), around_ms=at_ms), at_ms)
    assert value is not None
    assert 6.0 <= value <= 12.0


@pytest.mark.parametrize(
    ("working_c", "asked", "soil_c", "moved_c"),
    [
        (None, 20.0, 10.0, 10.01),
        (None, 20.0, 25.0, 20.0),
        (12.0, 20.0, 10.0, 12.01),
        (20.0, 12.0, 10.0, 19.99),
        (20.0, 20.0, 10.0, 20.0),
        (19.995, 20.0, 10.0, 20.0),
    ],
)
def test_the_working_set_point_moves_no_faster_than_the_ramp(
    working_c: float | None, asked: float, soil_c: float, moved_c: float
) -> None:
    """3.6 K/h over 10 s is 0.01 K, up or down; afresh it begins at the soil, or at what is asked if that is lower."""
    assert toward(working_c, asked, soil_c, 3.6, 10.0) == pytest.approx(moved_c)


@given(st.floats(-5, 32), st.floats(-5, 32), st.floats(-40, 85), st.floats(0.1, 20), st.floats(0.1, 60))
def test_the_working_set_point_never_passes_what_is_asked(
    working_c: float, asked: float, soil_c: float, ramp: float, elapsed_s: float
) -> None:
    """It stays between where it stood and what is asked."""
    moved_c = toward(working_c, asked, soil_c, ramp, elapsed_s)
    assert min(working_c, asked) - 1e-9 <= moved_c <= max(working_c, asked) + 1e-9
    assert abs(moved_c - working_c) <= ramp * elapsed_s / 3600 + 1e-9
