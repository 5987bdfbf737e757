"""The keepers a controller starts with: each knows what its enclosure's last one left behind."""

from controller import enclosure
from controller.clock import Moment
from controller.enclosure_settings import Enclosure
from controller.heater_log import log_for
from controller.keeper import LEAST_APART_S, MOST_A_SECOND, Keeper
from controller.memory import Memory, end_left_open_runs, runs_lately
from controller.plan import plan_for
from controller.proving import commissioned
from controller.settings import Settings
from controller.standing import Standing


def keepers_of(settings: Settings, memory: Memory, now: Moment) -> dict[str, Keeper]:
    """Return every enclosure's keeper by name; a run that was left open is ended, on record, before.

    Raises
    ------
    StoreError
        If a database cannot be opened.
    """
    folder = settings.store.folder
    answers = commissioned.answers_in(folder, [each.name for each in settings.enclosure])
    keepers = {
        each.name: _keeper(settings, each, answers.get(each.name), memory.recalled[each.name])
        for each in settings.enclosure
    }
    end_left_open_runs(folder)
    for name, ended in runs_lately(folder, now.utc_ms).items():
        if name in keepers:
            keepers[name].heater.closings.extend(ended)
            # Air that grows hot behind a restart is hot with the heater on lately, all the same.
            ago_s = max(0, now.utc_ms - max(end_ms for _, end_ms in ended)) / 1000
            keepers[name].state.heat_s = now.mono_s - ago_s
    return keepers


def _keeper(settings: Settings, one: Enclosure, answer: commissioned.Answer | None, recalled: Standing) -> Keeper:
    plan = commissioned.judged_by(plan_for(settings, one), one, answer)
    apart_s = max(LEAST_APART_S, len(settings.enclosure) / MOST_A_SECOND)
    return Keeper(plan, enclosure.start(plan, recalled), log_for(one), apart_s)
