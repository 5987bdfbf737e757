"""The planner's process: every half hour it reads the record, plans each enclosure, and writes what it thinks.

It can switch nothing. Should it die, lag or be wrong, the controller's own loop goes on without it.
"""

import logging
import signal
import sqlite3
import threading
from contextlib import closing
from dataclasses import asdict
from pathlib import Path
from typing import Any

from controller.clock import Clock
from controller.control.outlook import Outlook
from controller.errors import StoreError
from controller.parent import end_with_parent
from controller.plan import plan_for
from controller.planning.carry import carry
from controller.planning.facts_of import SCHEDULE_ALONE, facts_of
from controller.planning.horizon import STEP_S
from controller.planning.learning import learn
from controller.planning.planner import Planner
from controller.planning.recorded import log_of
from controller.plant.from_settings import construction_of
from controller.settings import Settings
from controller.standing import Standing, from_text
from controller.store import forecast, plans
from controller.store.connection import open_reader, open_writer
from controller.store.damage import is_damage, set_aside
from controller.store.migrations import PLANS
from controller.store.plans import Learnt
from controller.tuning.taken import adopted_since

log = logging.getLogger("soilward.planning")
LAST_WORD_MS = 3 * 3_600_000
"""[ms] since the last word of a forecast that has gone by: many speak of every third hour."""
SETTLES_S = 20.0
"""[s] after the half hour until its last readings are on disk (engineering judgement)."""


class Service:
    """Every enclosure's planner, over one folder.

    Raises
    ------
    StoreError
        If another planner writes the plans.
    """

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self.settings, self.clock, self.folder = settings, clock, settings.store.folder
        self._store = self._opened()
        try:
            self.planners = self._planners()
        except (StoreError, sqlite3.Error) as error:
            self._begin_anew_if_damaged(error)
            self.planners = self._planners()

    def _opened(self) -> sqlite3.Connection:
        """Open the plans; a damaged file is set aside and a new one begun, for it only advises."""
        path = self.folder / "plans.db"
        try:
            return open_writer(path, PLANS)
        except StoreError as error:
            if not is_damage(error):
                raise
        return self._begun_anew()

    def _begun_anew(self) -> sqlite3.Connection:
        path = self.folder / "plans.db"
        aside = set_aside(path, self.clock.now().utc_ms)
        log.error("%s is damaged, and set aside as %s: what was learnt is learnt anew", path.name, aside.name)
        return open_writer(path, PLANS)

    def _begin_anew_if_damaged(self, error: Exception) -> None:
        """After an error of some file: begin the plans anew if it is theirs that is damaged."""
        if not is_damage(error):
            return
        try:
            is_sound = self._store.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok"
        except sqlite3.Error:
            is_sound = False
        if not is_sound:
            self._store.close()
            self._store = self._begun_anew()

    def _planners(self) -> dict[str, Planner]:
        return {each.name: self._planner(each.name) for each in self.settings.enclosure}

    def _planner(self, name: str) -> Planner:
        enclosure = self.settings.named(name)
        if enclosure is None:
            raise KeyError(name)
        plan = plan_for(self.settings, enclosure)
        planner = Planner(
            facts_of(enclosure, plan), plan.tuned.model, learn, lambda at_ms: outlook_of(self.folder, at_ms)
        )
        with closing(open_reader(self.folder / "plans.db")) as connection:
            known = plans.learnt_of(connection, name)
        if known:
            planner.know(known[0].model, known[0].figures, known[0].at_ms)
        return planner

    def turn(self) -> None:
        """Plan every enclosure once, from the last whole half hour on."""
        now_ms = self.clock.now().utc_ms
        starts_ms = now_ms - now_ms % round(1000 * STEP_S)
        standings = standings_of(self.folder)
        try:
            with closing(open_reader(self.folder / "readings.db")) as readings:
                for enclosure in self.settings.enclosure:
                    planner, standing = self.planners[enclosure.name], standings.get(enclosure.name, SCHEDULE_ALONE)
                    planner.facts = facts_of(enclosure, plan_for(self.settings, enclosure), standing)
                    self._adopt(enclosure.name, planner)
                    self._plan_or_say(readings, enclosure.name, planner, starts_ms)
        except (StoreError, sqlite3.Error) as error:
            log.warning("the record cannot be read, or no plan be kept: %s", error)
            self._begin_anew_if_damaged(error)

    def _plan_or_say(self, readings: sqlite3.Connection, name: str, planner: Planner, starts_ms: int) -> None:
        """Plan one enclosure; figures that nobody foresaw, or a damaged block, end its plan alone, not all after it."""
        try:
            self._plan(readings, name, planner, starts_ms)
        except (ArithmeticError, ValueError, LookupError, TypeError, StoreError) as error:
            log.exception("enclosure %r cannot be planned", name)
            plans.put_word(self._store, name, starts_ms, f"the planner failed here ({error})")

    def _adopt(self, name: str, planner: Planner) -> None:
        """Take a model that a person has adopted since the last lesson, once; kept beside all that was learnt."""
        # A lesson that lies ahead was learnt by a clock that has been set right since: it hides no adoption.
        since_ms = planner.learnt_ms if planner.learnt_ms <= self.clock.now().utc_ms else 0
        found = adopted_since(self.folder, name, since_ms, planner.geometry)
        if found is not None and not plans.has_learnt(self._store, name, found.at_ms):
            planner.learnt_ms, planner.model, planner.figures = found.at_ms, found.model, found.figures
            plans.put_learnt(self._store, name, found)

    def _plan(self, readings: sqlite3.Connection, name: str, planner: Planner, starts_ms: int) -> None:
        learnt_ms = planner.learnt_ms
        plan = planner.turn(log_of(readings, name, starts_ms))
        if planner.learnt_ms != learnt_ms:
            plans.put_learnt(self._store, name, Learnt(planner.learnt_ms, planner.model, planner.figures))
        if plan is not None:
            plans.put_plan(self._store, name, plan)
        plans.put_word(self._store, name, starts_ms, planner.why_none)
        plans.put_carry(self._store, name, starts_ms, self._carry(name, planner))

    def _carry(self, name: str, planner: Planner) -> dict[str, Any] | None:
        enclosure = self.settings.named(name)
        if planner.ready is None or enclosure is None:
            return None
        found = carry(planner.facts, construction_of(enclosure), planner.ready)
        return None if found is None else asdict(found)

    def wait_s(self) -> float:
        """[s] until the next half hour's readings are on disk."""
        now_s = self.clock.now().utc_ms / 1000 - SETTLES_S
        return STEP_S - now_s % STEP_S

    def close(self) -> None:
        """Let the file go."""
        self._store.close()


def standings_of(folder: Path) -> dict[str, Standing]:
    """Return the standing orders that hold now, or none where they cannot be read: the schedule counts then."""
    try:
        return from_text((folder / "standing.json").read_text(encoding="utf-8")).enclosures
    except (OSError, ValueError):
        return {}


def outlook_of(folder: Path, at_ms: int) -> Outlook:
    """Return the forecast that was fed in, from some hours before an instant [ms UTC] on, or nothing."""
    try:
        with closing(open_reader(folder / "season.db")) as connection:
            return forecast.expected_from(connection, at_ms - LAST_WORD_MS)
    except (StoreError, sqlite3.Error):
        return ()


def run(settings: Settings, clock: Clock) -> None:
    """Plan at once and then every half hour, until SIGTERM or SIGINT."""
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    end_with_parent()
    service = Service(settings, clock)
    try:
        service.turn()
        while not stop.wait(service.wait_s()):
            service.turn()
    finally:
        service.close()
