"""What the page about the season says: how far awake, and how likely frost still is."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta

from api.pages import words
from api.pages.words import Unit
from api.season import chill, freeze_chance, heat_units
from api.season.daily import Daily, RecordError
from api.season.freeze import Freezes, first_freezes, hemisphere_of, last_freezes
from api.season.freeze_chance import MonthDay, Normals, Share
from api.season.hours import WakingError, date_at
from api.season.site_days import site_days
from api.season.site_expected import stages_ahead
from api.season.site_waking import awake, bounds
from api.season.waking import MOST_MISSING, Course, Expected
from api.state import State
from controller.errors import StoreError
from controller.store.damage import DamagedError
from controller.units import percent

THRESHOLDS_C = (0.0, -2.2, -4.0)
"""[Cel] freeze, hard freeze (28 F; US practice), and where roots in pots begin to suffer (common practice)."""
BEFORE_DAYS = 42
"""[d] before the average last frost from which its chances are worth a table."""
_NO_RECORD = "No outside probe is on record yet, and no weather station's record is named in [season] station_file."
_MONTHS = ("", "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
           "November", "December")  # fmt: skip


@dataclass(frozen=True, slots=True)
class AwakeShown:
    """One place's sums, in words, and what is missing."""

    place: str
    chill: str
    warmth: str
    missing: str


@dataclass(frozen=True, slots=True)
class FreezeShown:
    """A freeze below one threshold: the rare date, one year in ten, the middle one, and that of nine years in ten."""

    threshold: str
    rare: str
    middle: str
    usual: str
    years: str


@dataclass(frozen=True, slots=True)
class ChanceShown:
    """From one day on: in how many years it froze once more, by threshold."""

    day: str
    chances: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class SeasonShown:
    """The whole page; each `fault` says why its part is empty."""

    methods: str
    awake: tuple[AwakeShown, ...]
    awake_fault: str
    ahead: tuple[tuple[str, str, str], ...]
    record: str
    freezes: tuple[FreezeShown, ...]
    autumn: tuple[FreezeShown, ...]
    chances: tuple[ChanceShown, ...]
    thresholds: tuple[str, ...]
    rule: str
    freeze_fault: str


def season_shown(state: State, unit: Unit, thresholds_c: Sequence[float] = THRESHOLDS_C) -> SeasonShown:
    """Return the season as the page has it, freezes told by these temperatures [Cel]."""
    rows, awake_fault, methods = _awake(state, unit)
    record, freezes, chances, rule, freeze_fault = _freezes(state, unit, thresholds_c)
    thresholds = tuple(words.temperature_said(each, unit) for each in thresholds_c)
    autumn = _autumn(state, unit, thresholds_c)
    return SeasonShown(
        methods, rows, awake_fault, _ahead(state), record, freezes, autumn, chances, thresholds, rule, freeze_fault
    )


def _awake(state: State, unit: Unit) -> tuple[tuple[AwakeShown, ...], str, str]:
    asked = state.settings.season
    cold, warmth = chill.METHODS[asked.chill], heat_units.METHODS[asked.warmth]
    try:
        limits = bounds(state)
        found = awake(state)
    except DamagedError:
        raise
    except StoreError:
        return (), "Nothing is on record yet.", ""
    except WakingError as fault:
        return (), words.sentence(str(fault), unit), ""
    upper = "" if limits.upper_c > 1000 else f", upper {words.temperature_said(limits.upper_c, unit)}"
    methods = (
        f"Cold: {cold.words}. Warmth: {warmth.words}, base {words.temperature_said(limits.base_c, unit)}{upper} "
        f"({words.said(limits.words, unit)})."
    )
    rows = tuple(
        AwakeShown(each.place.words, _sum(each.chill), _sum(each.warmth), _missing(each.chill, each.warmth))
        for each in found
    )
    unread = {each.missing for each in rows}
    if len(unread) == 1 and unread != {""}:
        methods += f" Everywhere {unread.pop()}, so too little is counted."
        rows = tuple(replace(each, missing="") for each in rows)
    return rows, "" if rows else "No probe is in the settings whose hours could be counted.", methods


def _ahead(state: State) -> tuple[tuple[str, str, str], ...]:
    """Return (stage, place, when) of what earlier years let expect."""
    try:
        return tuple((each.words, each.place, _when(each.found)) for each in stages_ahead(state))
    except DamagedError:
        raise
    except (StoreError, WakingError):
        return ()


def _when(found: Expected) -> str:
    years = "one earlier year" if found.years == 1 else f"{found.years} earlier years"
    if found.on is None:
        return f"later than those years tell, by {years}"
    span = "" if found.earliest in (None, found.on) else f", {_date(found.earliest)} to {_date(found.latest)}"
    return f"about {_date(found.on)}{span}, by {years}"


def _date(on: date | None) -> str:
    return "later" if on is None else f"{on.day} {_MONTHS[on.month]}"


def _sum(counted: Course | None) -> str:
    if counted is None:
        return "—"
    total = f"{counted.totals[-1]:.0f}"
    unit = counted.unit.replace("Cel", "°C")
    return f"{total} {unit.removesuffix('s') if total == '1' else unit}"


def _missing(cold: Course | None, warmth: Course | None) -> str:
    """Say how much of each count was not read, where that is more than may be."""
    unread = [
        f"{int(each.hours_missing[-1])} of {int(each.hours[-1])} h of the {name}"
        for name, each in (("cold", cold), ("warmth", warmth))
        if each is not None and each.hours_missing[-1] > MOST_MISSING * each.hours[-1]
    ]
    return f"{' and '.join(unread)} not read" if unread else ""


def _freezes(
    state: State, unit: Unit, thresholds_c: Sequence[float]
) -> tuple[str, tuple[FreezeShown, ...], tuple[ChanceShown, ...], str, str]:
    try:
        record = site_days(state)
        if record is None:
            return "", (), (), "", _NO_RECORD
        found = [last_freezes(record, each, hemisphere_of(state.settings.site.latitude)) for each in thresholds_c]
        shown = tuple(_shown(freeze_chance.last_normals(each), unit) for each in found)
        today = date_at(state.clock.now().utc_ms, state.settings.site.zone)
        return _record(record, found[0]), shown, _chances(found, today), _rule(found[0], unit), ""
    except RecordError as fault:
        return "", (), (), "", words.sentence(str(fault), unit)


def _autumn(state: State, unit: Unit, thresholds_c: Sequence[float]) -> tuple[FreezeShown, ...]:
    """Return the first freeze of the autumn by threshold; nothing where no year counts."""
    hemisphere = hemisphere_of(state.settings.site.latitude)
    try:
        record = site_days(state)
        if record is None:
            return ()
        found = [freeze_chance.first_normals(first_freezes(record, each, hemisphere)) for each in thresholds_c]
        return tuple(_shown(each, unit) for each in found)
    except RecordError:
        return ()


def _record(record: Daily, freezes: Freezes) -> str:
    first, last = record.span
    dropped = len(freezes.dropped)
    springs = "one spring is" if dropped == 1 else f"{dropped} springs are"
    left = f"; {springs} left out, since nights are missing where it matters" if dropped else ""
    return (
        f"By the record of {record.place}: {first.year} to {last.year}, {len(freezes.dates)} springs count{left}."
        + (f" {record.note}" if record.note else "")
    )


def _shown(normals: Normals, unit: Unit) -> FreezeShown:
    years = f"{normals.years} years" + (", too few to lean on" if normals.thin else "")
    rare, middle, usual = (_day(each) for each in (normals.p10, normals.p50, normals.p90))
    return FreezeShown(words.temperature_said(normals.threshold_c, unit), rare, middle, usual, years)


def _chances(found: Sequence[Freezes], today: date) -> tuple[ChanceShown, ...]:
    """Return rows from today on, or while that is long before spring, from six weeks before the average last frost."""
    first = _begin(found[0], today)
    tables = [freeze_chance.chances(each, first) for each in found]
    rows = []
    for at in range(min(map(len, tables))):
        count, share = tables[0][at]
        day = "today" if first == today and count == 0 else _day(share.on)
        rows.append(ChanceShown(day, tuple(_share(table[at][1]) for table in tables)))
    return tuple(rows)


def _begin(freezes: Freezes, today: date) -> date:
    mean = freeze_chance.average(freezes)
    if mean is None:
        return today
    next_mean = date(today.year, mean.month, min(mean.day, 28))
    if next_mean < today - timedelta(days=BEFORE_DAYS):
        next_mean = next_mean.replace(year=today.year + 1)
    return max(today, next_mean - timedelta(days=BEFORE_DAYS))


def _share(share: Share) -> tuple[str, str]:
    return percent(share.chance), f"{share.low * 100:.0f}\N{EN DASH}{share.high * 100:.0f}"


def _rule(freezes: Freezes, unit: Unit) -> str:
    share, said = freeze_chance.two_weeks_before(freezes), words.temperature_said(freezes.threshold_c, unit)
    frost, again = ("frost", "it froze") if freezes.threshold_c == 0.0 else (f"night at {said}", "it came to that")
    if share is None:
        return f"In no year on record it came to {said}."
    return (
        f"Common practice puts plants out two weeks before the average last {frost}: here {share.on.day} "
        f"{_MONTHS[share.on.month]}. In {share.frozen} of {share.years} years {again} again after that."
    )


def _day(on: MonthDay | None) -> str:
    return "hardly ever" if on is None else f"{on.day}\N{NO-BREAK SPACE}{_MONTHS[on.month][:3]}"
