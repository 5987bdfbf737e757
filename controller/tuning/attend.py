"""What a tick does about a trial: begin it, cut a pulse, end it, and say so in the journal. Pure; asks for no heat."""

from dataclasses import replace

from controller import heating
from controller.clock import Moment
from controller.plan import Plan
from controller.state import State
from controller.store.journal import JSON, Entry
from controller.tuning.pulses import BELOW_K, CUT_K, MOVED_K, SKIPPED_K, Trial, duty_of


def attend(plan: Plan, state: State, now: Moment, entries: list[Entry]) -> None:
    """Look after the trial, if there is one."""
    trial = state.standing.trial
    if trial is None:
        return
    why = _gone(state, trial) or _disturbed(plan, state, trial, now)
    if why:
        _end(plan, state, trial, f"the trial was cancelled: {why}", now, entries)
    elif now.utc_ms >= trial.ends_ms:
        said = f"the trial is over; `soilward tune {plan.name}` shows what it tells"
        _end(plan, state, trial, said, now, entries)
    elif trial.asked_c is None and now.utc_ms >= trial.begins_ms:
        _begin(plan, state, trial, now, entries)
    elif duty_of(trial, now.utc_ms) == 1.0 and _is_warm(state, trial, now):
        state.standing = replace(state.standing, trial=replace(trial, cut=trial.pulse_at(now.utc_ms)))


def _is_warm(state: State, trial: Trial, now: Moment) -> bool:
    """Whether the soil is too warm for a pulse; one that rests now begins, one that heats goes on."""
    if state.soil_c is None or trial.asked_c is None:
        return False
    return state.soil_c >= trial.asked_c + (CUT_K if state.tried == 1.0 else SKIPPED_K)


def _gone(state: State, trial: Trial) -> str:
    """Say what ends a trial whether it has begun or not."""
    if trial.request != state.trial_request:
        return "the controller was started anew"
    if state.standing.trips:
        return f"heat is locked off, {state.standing.trips[0].detail}"
    if not state.standing.armed:
        return "disarmed"
    if state.standing.at_work_until_ms is not None:
        return "someone works there"
    return ""


def _disturbed(plan: Plan, state: State, trial: Trial, now: Moment) -> str:
    """Say what ends a trial that runs or should begin now."""
    if now.utc_ms < trial.begins_ms:
        return ""
    if state.lost:
        return state.lost[0].detail
    asked_c, _ = heating.asked(plan, state.standing, now, state.foresight)
    if asked_c is None:
        return "nothing is asked for any more"
    if trial.asked_c is not None and abs(asked_c - trial.asked_c) > MOVED_K:
        return f"{asked_c:.1f} Cel are asked for instead of {trial.asked_c:.1f} Cel"
    if state.soil_c is not None and state.soil_c <= asked_c - BELOW_K:
        return f"the soil is at {state.soil_c:.1f} Cel, {BELOW_K:g} K below what is asked for"
    return ""


def _begin(plan: Plan, state: State, trial: Trial, now: Moment, entries: list[Entry]) -> None:
    asked_c, _ = heating.asked(plan, state.standing, now, state.foresight)
    state.standing = replace(state.standing, trial=replace(trial, asked_c=asked_c))
    why = f"the trial begins: {trial.pulses} pulses of half an hour, one every hour and a half"
    entries.append(_entry(plan, trial, why, now))


def _end(plan: Plan, state: State, trial: Trial, why: str, now: Moment, entries: list[Entry]) -> None:
    state.standing = replace(state.standing, trial=None)
    entries.append(_entry(plan, trial, why, now))


def _entry(plan: Plan, trial: Trial, why: str, now: Moment) -> Entry:
    body: dict[str, JSON] = {"request": trial.request, "asked_by": trial.who, "pulses": trial.pulses}
    return Entry("trial", plan.name, "soilward", why, body, now.utc_ms)
