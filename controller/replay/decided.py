"""What was decided, on record or in a replay, in words that are the same where the decision is."""

from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True)
class Decided:
    """One decision: `what` is the same words where the decision is the same; `because` may differ."""

    at_ms: int
    what: str
    because: str

    @property
    def said(self) -> str:
        """The decision with its reason."""
        return f"{self.what} ({self.because})"


@dataclass(slots=True)
class Rerun:
    """What a replay found: decisions on record and replayed, and how the readings were graded.

    Parameters
    ----------
    reasons
        By [ms UTC] of each recorded decision, what the replay's order was then and why.
    given
        Trips taken from the record, since what caused them is not in it.
    """

    recorded: list[Decided] = field(default_factory=list)
    replayed: list[Decided] = field(default_factory=list)
    reasons: dict[int, str] = field(default_factory=dict)
    readings: int = 0
    graded_alike: int = 0
    given: int = 0


def order_words(on: bool, armed: bool) -> str:
    """Say an order."""
    return "heat on" if on else "heat off, armed" if armed else "heat off, not armed"


def answer_words(number: int, kind: str, outcome: str) -> str:
    """Say what became of a request."""
    return f"request {number} ({kind}) {outcome}"
