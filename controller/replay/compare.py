"""Decisions on record against decisions replayed: which agree, and which do not. Pure."""

from bisect import bisect_right
from collections import defaultdict, deque
from collections.abc import Sequence
from dataclasses import dataclass

from controller.replay.decided import Decided


@dataclass(frozen=True, slots=True)
class Difference:
    """A decision that stands on one side alone: what is on record at `at_ms` [ms UTC], what the replay did, and why."""

    at_ms: int
    recorded: str
    replayed: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """How many decisions are on record, how many the replay took too, and all that differ.

    Parameters
    ----------
    cut
        Decisions so near the end that their counterpart may lie beyond it.
    """

    recorded: int
    agreed: int
    cut: int
    differences: tuple[Difference, ...]


def compare(
    recorded: Sequence[Decided],
    replayed: Sequence[Decided],
    reasons: dict[int, str],
    start_ms: int,
    end_ms: int,
    within_ms: int,
) -> Comparison:
    """Pair each recorded decision with a replayed one of the same words at most `within_ms` [ms] away.

    Parameters
    ----------
    reasons
        What the replay's order was, and why, by [ms UTC] of recorded decisions.
    start_ms, end_ms
        [ms] UTC: only what was decided in between is compared.
    """
    waiting: dict[str, deque[Decided]] = defaultdict(deque)
    for each in replayed:
        waiting[each.what].append(each)
    lone = [each for each in recorded if not _paired(waiting[each.what], each.at_ms, within_ms)]
    also = [each for line in waiting.values() for each in line]
    differences = [
        *(Difference(each.at_ms, each.said, reasons.get(each.at_ms, "nothing")) for each in lone),
        *(Difference(each.at_ms, _in_force(recorded, each.at_ms), each.said) for each in also),
    ]
    asked = sorted((each for each in differences if start_ms <= each.at_ms <= end_ms), key=lambda each: each.at_ms)
    sure = tuple(each for each in asked if each.at_ms <= end_ms - within_ms)
    wanted = sum(start_ms <= each.at_ms <= end_ms for each in recorded)
    alone = sum(start_ms <= each.at_ms <= end_ms for each in lone)
    return Comparison(wanted, wanted - alone, len(asked) - len(sure), sure)


def _paired(line: deque[Decided], at_ms: int, within_ms: int) -> bool:
    """Take the counterpart out of the line, oldest first, so that each serves once."""
    for each in line:
        if abs(each.at_ms - at_ms) <= within_ms:
            line.remove(each)
            return True
    return False


def _in_force(recorded: Sequence[Decided], at_ms: int) -> str:
    before = bisect_right([each.at_ms for each in recorded], at_ms) - 1
    return "nothing yet" if before < 0 else f"nothing; last {recorded[before].what}"
