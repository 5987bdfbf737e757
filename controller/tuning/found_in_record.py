"""What the record tells of an enclosure, for `soilward tune`."""

import sqlite3
from contextlib import closing
from pathlib import Path

from controller.enclosure_settings import Enclosure
from controller.errors import SoilwardError, StoreError
from controller.plan import plan_for
from controller.planning.facts_of import facts_of
from controller.planning.foresee import NoForesightError
from controller.planning.recorded import log_of
from controller.plant.identify import NotExcitedError
from controller.settings import Settings
from controller.store import plans
from controller.store.connection import open_reader
from controller.store.plans import Learnt
from controller.tuning.fit import Fit, fit


def fit_of(settings: Settings, enclosure: Enclosure, now_ms: int) -> Fit:
    """Return the model that the record up to now [ms UTC] tells of.

    Raises
    ------
    SoilwardError
        If the record tells too little; with what would tell more.
    """
    plan, folder = plan_for(settings, enclosure), settings.store.folder
    with closing(open_reader(folder / "readings.db")) as readings:
        log = log_of(readings, enclosure.name, now_ms)
    try:
        learnt = _learnt(folder, enclosure.name)
        return fit(facts_of(enclosure, plan), plan.tuned.model, learnt, log, plan.own_gains)
    except (NoForesightError, NotExcitedError) as error:
        raise SoilwardError(
            f"enclosure {enclosure.name!r}: {error}. Pulses of heat in the coming night, within bounds, show more: "
            f"`soilward tune {enclosure.name} --pulses 6 --person NAME`"
        ) from error


def _learnt(folder: Path, name: str) -> Learnt | None:
    try:
        with closing(open_reader(folder / "plans.db")) as connection:
            known = plans.learnt_of(connection, name)
    except (StoreError, sqlite3.Error):
        return None
    return known[0] if known else None
