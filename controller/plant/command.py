"""`soilward simulate`: an enclosure of the settings through weather, with its real controller."""

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from controller.clock import OLDEST_BELIEVABLE_MS
from controller.enclosure_settings import Enclosure
from controller.errors import SoilwardError
from controller.load_settings import load
from controller.plant.course import Course, Watcher, course_of, day_lines, summary_lines
from controller.plant.draw import drawing
from controller.plant.from_settings import plant_of
from controller.plant.simulate import simulate
from controller.plant.weather import DAY_MS, HOUR_MS, SpringWeather, Weather, WeatherNow
from controller.plant.weather_file import read
from controller.settings import Settings, Site

TICK_S = 60.0
"""[s] Between decisions here; a real controller decides every second, and soil does not notice."""
LEAST_DAYS = 0.01
"""[d] a quarter of an hour: some decisions, and something to draw."""
FOUR_YEARS_MS = 1461 * DAY_MS
FIRST_DAY = "2026-03-16"
LAST_START_MS = round(datetime(9998, 1, 1, tzinfo=UTC).timestamp() * 1000)
"""[ms UTC] Calendars here end with the year 9999, and a simulation may last 400 days."""


@dataclass(frozen=True, slots=True)
class Asked:
    """What to simulate: settings, days, a weather file or seed, and where the drawing goes, if anywhere."""

    settings: Path
    days: float
    weather: str
    enclosure: str | None = None
    start: str | None = None
    plot: Path | None = None


@dataclass(frozen=True, slots=True)
class Later:
    """Weather of years ago at the same dates now: a controller does not believe a clock before 2026."""

    recorded: Weather
    by_ms: int

    def at(self, utc_ms: int) -> WeatherNow:
        """Return the weather recorded `by_ms` before that."""
        return self.recorded.at(utc_ms - self.by_ms)


def run(asked: Asked, say: Callable[[str], None] = print) -> int:
    """Simulate, say what came of it, and return the exit status."""
    if not LEAST_DAYS <= asked.days <= 400.0:
        raise SoilwardError(f"--days {asked.days:g} is not within {LEAST_DAYS:g} to 400; a season is about 90")
    settings = load(asked.settings)
    enclosure = _enclosure(asked, settings)
    weather, start_ms = _weather(asked, settings.site, say)
    course = _course(asked, settings, enclosure, weather, start_ms)
    if asked.plot is None:
        for line in day_lines(course, settings.site):
            say(line)
    else:
        try:
            asked.plot.write_text(drawing(course, settings.site, enclosure.title or enclosure.name), encoding="utf-8")
        except OSError as error:
            raise SoilwardError(f"{asked.plot}: cannot be written ({error.strerror}); name another file") from error
        say(f"drawn: {asked.plot}")
    for line in summary_lines(course, settings.site):
        say(line)
    return 0


def _course(asked: Asked, settings: Settings, enclosure: Enclosure, weather: Weather, start_ms: int) -> Course:
    plant = plant_of(enclosure, weather, start_ms, seed=1)
    watcher = Watcher(asked.days, settings.site.zone, _progress)
    trace = simulate(settings, enclosure, plant, start_ms, asked.days * 86_400.0, TICK_S, heard=watcher.hear)
    return course_of(trace, weather, start_ms, TICK_S, plant.energy_j, watcher.locked)


def _progress(day: int, days: float) -> None:
    print(f"day {day} of {days:g}", file=sys.stderr, flush=True)


def _enclosure(asked: Asked, settings: Settings) -> Enclosure:
    if asked.enclosure is None:
        return settings.enclosure[0]
    found = settings.named(asked.enclosure)
    if found is None:
        names = ", ".join(each.name for each in settings.enclosure)
        raise SoilwardError(f"{asked.settings}: has no enclosure {asked.enclosure!r}; name one of {names}")
    return found


def _start_ms(written: str, site: Site) -> int:
    """Return [ms] UTC of a date, which begins at the site's midnight, or of a time."""
    try:
        time = datetime.fromisoformat(written)
    except ValueError as error:
        raise SoilwardError(f"--start {written!r} is no date; write it as 2026-03-01") from error
    return round((time if time.tzinfo else time.replace(tzinfo=site.zone)).timestamp() * 1000)


def _weather(asked: Asked, site: Site, say: Callable[[str], None]) -> tuple[Weather, int]:
    if asked.weather.isdecimal():
        start_ms = _start_ms(asked.start or FIRST_DAY, site)
        _check_believable(start_ms)
        day = datetime.fromtimestamp(start_ms / 1000, UTC).timetuple().tm_yday + (182.6 if site.latitude < 0.0 else 0.0)
        return SpringWeather(int(asked.weather), site.latitude, site.longitude, start_ms, season_day=day), start_ms
    found = read(Path(asked.weather), site.latitude, site.longitude)
    for line in found.bridged:
        say(f"{asked.weather}: {line}")
    start_ms = found.first_ms if asked.start is None else _start_ms(asked.start, site)
    end_ms = start_ms + asked.days * DAY_MS
    if start_ms < found.first_ms or end_ms > found.last_ms + HOUR_MS:
        days = (found.last_ms + HOUR_MS - max(start_ms, found.first_ms)) / DAY_MS
        raise SoilwardError(f"{asked.weather}: has {max(days, 0.0):g} days from there on, asked are {asked.days:g}")
    by_ms = FOUR_YEARS_MS * max(math.ceil((OLDEST_BELIEVABLE_MS - start_ms) / FOUR_YEARS_MS), 0)
    if by_ms:
        say(f"{asked.weather}: simulated {by_ms // FOUR_YEARS_MS * 4} years later, on the same dates")
    return (Later(found.weather, by_ms) if by_ms else found.weather), start_ms + by_ms


def _check_believable(start_ms: int) -> None:
    if start_ms < OLDEST_BELIEVABLE_MS:
        raise SoilwardError("--start is before 2026, when no controller believes its clock; name a later date")
    if start_ms > LAST_START_MS:
        raise SoilwardError("--start is after 9997, and the calendar ends with 9999; name an earlier date")
