"""What a proof test found, as the journal keeps it, the terminal tells it and the page prints it. Pure."""

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from typing import Any

from controller.store.journal import JSON, Entry, StoredEntry

KIND = "proof-test"
"""The journal's word for it."""


class Result(StrEnum):
    """What became of a step, or of a whole test."""

    PASSED = "passed"
    FAILED = "failed"
    SKIPPED = "skipped"
    NOT_REACHED = "not reached"
    ABORTED = "aborted"
    INCOMPLETE = "incomplete"


@dataclass(frozen=True, slots=True)
class Finding:
    """What one step found: whether it passed, why in words, and its figures by name, unit as suffix."""

    passed: bool
    said: str
    figures: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One step in an account; `bound` says in words what was to be kept."""

    step: str
    title: str
    bound: str
    result: Result
    said: str
    figures: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Account:
    """One proof test of one enclosure: who did it, why, when [ms UTC], and what each step found."""

    enclosure: str
    who: str
    why: str
    at_ms: int
    lasted_s: float
    new_relay: bool
    aborted: bool
    outcomes: tuple[Outcome, ...]

    @property
    def result(self) -> Result:
        """Passed only if every step has: one that was left out leaves the test incomplete."""
        results = {each.result for each in self.outcomes}
        if self.aborted:
            return Result.ABORTED
        if Result.FAILED in results:
            return Result.FAILED
        return Result.PASSED if results == {Result.PASSED} else Result.INCOMPLETE

    @property
    def took_well(self) -> bool:
        """Whether every step that was taken has passed, and one was."""
        taken = [each.result for each in self.outcomes if each.result is not Result.SKIPPED]
        return not self.aborted and bool(taken) and set(taken) == {Result.PASSED}

    @property
    def said(self) -> str:
        """The whole in one line."""
        passed = sum(each.result is Result.PASSED for each in self.outcomes)
        failed = "".join(f"; {each.step}: {each.said}" for each in self.outcomes if each.result is Result.FAILED)
        return f"proof test {self.result}: {passed} of {len(self.outcomes)} steps passed{failed}"


def entry_of(account: Account, epoch: int) -> Entry:
    """Return the journal's entry of a test."""
    body: dict[str, JSON] = {
        "result": account.result.value,
        "detail": account.said,
        "lasted_s": round(account.lasted_s, 1),
        "new_relay": account.new_relay,
        "epoch": epoch,
        "steps": [asdict(each) for each in account.outcomes],
    }
    return Entry(KIND, account.enclosure, account.who, account.why, body, account.at_ms)


def from_entry(entry: StoredEntry) -> Account | None:
    """Read it back; None where the entry is not as this program writes it."""
    body: Mapping[str, Any] = entry.body
    try:
        outcomes = tuple(
            Outcome(
                each["step"], each["title"], each["bound"], Result(each["result"]), each["said"], dict(each["figures"])
            )
            for each in body["steps"]
        )
        return Account(
            entry.enclosure or "", entry.who, entry.why, entry.at_ms, float(body["lasted_s"]), bool(body["new_relay"]),
            body["result"] == Result.ABORTED, outcomes,
        )  # fmt: skip
    except (KeyError, TypeError, ValueError):
        return None


def figure_of(account: Account | None, step: str, name: str) -> float | None:
    """Return one figure of a step, or None where it was not measured."""
    found = [each.figures.get(name) for each in account.outcomes if each.step == step] if account else []
    return found[0] if found else None
