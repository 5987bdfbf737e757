"""The page of one enclosure's proof tests: the newest whole, or one chosen, to read on a phone and to print."""

from dataclasses import dataclass

from api.pages import record, words
from api.pages.words import Unit
from api.seen import as_seen
from api.state import State
from controller.clock import from_rfc3339
from controller.enclosure_settings import Enclosure
from controller.proving.account import KIND, Account, Outcome, Result, from_entry
from controller.safety import limits
from controller.store import journal

MOST_TESTS = 50
_WORDS = {
    Result.PASSED: "passed",
    Result.FAILED: "FAILED",
    Result.SKIPPED: "not done",
    Result.NOT_REACHED: "not reached",
}
_VERDICTS = {
    Result.PASSED: "Passed.",
    Result.FAILED: "Failed.",
    Result.ABORTED: "Ended before its time: does not count.",
    Result.INCOMPLETE: "Not every step was taken: does not count.",
}


@dataclass(frozen=True, slots=True)
class StepShown:
    """One step in the reader's words."""

    title: str
    result: str
    failed: bool
    said: str
    bound: str
    times: str


@dataclass(frozen=True, slots=True)
class TestShown:
    """One test: when, by whom, why, how it ended; `passed` is how many steps did."""

    sequence: int
    when: str
    exact: str
    who: str
    why: str
    verdict: str
    failed: bool
    passed: str
    lasted: str
    new_relay: bool
    steps: tuple[StepShown, ...]
    seal: str


def tests(state: State, enclosure: Enclosure, unit: Unit) -> tuple[TestShown, ...]:
    """Return the tests on record, newest first."""
    entries = record.entries(state, enclosure.name, KIND, limit=MOST_TESTS, alone=True)
    read = ((each, from_entry(each)) for each in entries)
    return tuple(_test(state, entry, account, unit) for entry, account in read if account is not None)


def due(state: State, enclosure: Enclosure) -> str:
    """Say when a test last passed, when the next is due, and what happens then."""
    now = state.clock.now()
    seen = as_seen(enclosure, state.live.heard(enclosure.name), now)
    if not seen["known"]:
        return "The controller is silent: when a test last passed is not known now."
    if seen["proved_at"] is None:
        return "No proof test has passed here yet. Arming is not refused for that; prove it before you trust it."
    zone, day_ms = state.settings.site.zone, 86_400_000
    proved_ms = from_rfc3339(seen["proved_at"])
    due_ms = proved_ms + round(enclosure.limits.proof_every_days * day_ms)
    end_ms = due_ms + round(limits.PROOF_GRACE_DAYS * day_ms)
    last = f"One last passed {words.moment(proved_ms, now.utc_ms, zone)}"
    if now.utc_ms > end_ms:
        return f"{last}. It is overdue, and arming is refused until one passes."
    until = f"from {words.moment(end_ms, now.utc_ms, zone)} arming is refused"
    if now.utc_ms > due_ms:
        return f"{last}. The next is overdue; {until}."
    return f"{last}. The next is due by {words.moment(due_ms, now.utc_ms, zone)}; {until}."


def _test(state: State, entry: journal.StoredEntry, account: Account, unit: Unit) -> TestShown:
    now_ms, zone = state.clock.now().utc_ms, state.settings.site.zone
    passed = sum(each.result is Result.PASSED for each in account.outcomes)
    return TestShown(
        entry.sequence,
        words.moment(entry.at_ms, now_ms, zone),
        words.exact(entry.at_ms, zone),
        account.who,
        account.why,
        _VERDICTS[account.result],
        account.result is Result.FAILED,
        f"{passed} of {len(account.outcomes)} steps passed",
        words.duration(account.lasted_s),
        account.new_relay,
        tuple(_step(each, unit) for each in account.outcomes),
        entry.hash[:12],
    )


def _step(outcome: Outcome, unit: Unit) -> StepShown:
    times_s = [value for name, value in outcome.figures.items() if name.startswith("time_")]
    taken = outcome.result in (Result.PASSED, Result.FAILED)
    return StepShown(
        outcome.title,
        _WORDS.get(outcome.result, outcome.result.value),
        outcome.result is Result.FAILED,
        words.sentence(outcome.said, unit) if taken else "",
        words.said(outcome.bound, unit),
        ", ".join(f"{each:.1f}" for each in times_s) + " s" if times_s else "",
    )
