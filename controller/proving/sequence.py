"""The steps in their order; one that fails ends the test, since those after it rest on it."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from controller.proving import contacts, criteria, losses, warmth
from controller.proving.account import Finding, Outcome, Result
from controller.proving.bench import Bench, StepError, failed
from controller.proving.stand import Voice, Wish


@dataclass(frozen=True, slots=True)
class Step:
    """One step: the name to choose it by, what it shows, the bound in words, and how it is measured."""

    name: str
    title: str
    bound: str
    measure: Callable[[Bench], Finding]


STEPS = (
    Step("node", "The relay node is heard, holds our limits, and proves K1 and K2", criteria.NODE, contacts.node),
    Step("contact", "K1 follows its orders", criteria.CONTACT, contacts.feedback),
    Step("current", "The heater draws its rated current, and none when off", criteria.CURRENT, contacts.current),
    Step("k2", "Disarmed, K1 and K2 are released; nothing flows", criteria.SECOND_CONTACT, contacts.second_contact),
    Step("lease", "One order holds the contact no longer than its lease", criteria.LEASES, contacts.lease),
    Step(warmth.PULSE, "A heat pulse is answered by the right probe", criteria.ANSWERED, warmth.heat_pulse),
    Step("broker-cut", "Cut off from the broker, the node lets go by itself", criteria.CUT_OFF, losses.broker_cut),
    Step(
        "controller-kill", "A controller killed while it heats leaves the contact open", criteria.KILLED,
        losses.controller_kill,
    ),
    # Last, because soil that warms in the hand is doubted for half an hour, and rightly.
    Step(
        "over-limit", "A probe over its limit opens the contact and latches (rehearsed)", criteria.OVER_LIMIT,
        warmth.over_limit,
    ),
)  # fmt: skip
NAMES = tuple(each.name for each in STEPS)


def outcomes(bench: Bench, chosen: Sequence[str]) -> Iterator[Outcome]:
    """Take the chosen steps in order; yield what became of every step."""
    going = True
    for number, step in enumerate(STEPS, 1):
        if step.name not in chosen:
            yield Outcome(step.name, step.title, step.bound, Result.SKIPPED, "left out, so not passed")
        elif not going:
            yield not_reached(step)
        else:
            bench.person.tell(f"\n{number} of {len(STEPS)}: {step.title}.")
            outcome = _take(bench, step)
            going = outcome.result is Result.PASSED
            yield outcome


def not_reached(step: Step) -> Outcome:
    """Return the outcome of a step that an earlier end has forestalled."""
    return Outcome(step.name, step.title, step.bound, Result.NOT_REACHED, "not reached")


def _take(bench: Bench, step: Step) -> Outcome:
    try:
        finding = step.measure(bench)
    except StepError as error:
        finding = failed(error)
    bench.stand.wish, bench.stand.voice = Wish.DISARMED, Voice.FULL
    bench.stand.turn(0.0)
    result = Result.PASSED if finding.passed else Result.FAILED
    bench.person.tell(f"  {result}: {finding.said}")
    return Outcome(step.name, step.title, step.bound, result, finding.said, finding.figures)
