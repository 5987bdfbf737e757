"""What is true now in one enclosure: the object the broker, the API and the pages all show."""

from dataclasses import dataclass, field
from enum import StrEnum

from controller.safety.interlock import Permissive


class Grade(StrEnum):
    """How far a reading is believed."""

    GOOD = "good"
    HISTORY = "history"
    DOUBTED = "doubted"
    REFUSED = "refused"


@dataclass(frozen=True, slots=True)
class ProbeNow:
    """One probe's latest word. `age_s` counts from our receipt to the status's own time."""

    probe: str
    quantity: str
    unit: str
    level_m: float | None
    value: float | None
    age_s: float | None
    fresh: bool
    grade: str
    reason: str


@dataclass(frozen=True, slots=True)
class TripNow:
    """A latched refusal. `cause_gone` tells whether a reset can succeed; `resets_24h` how often it was reset."""

    name: str
    kind: str
    probe: str
    value: float | None
    unit: str
    limit: float | None
    at: str
    at_ms: int
    cause_gone: bool
    resets_24h: int
    detail: str


@dataclass(frozen=True, slots=True)
class SetPointNow:
    """`asked_c` is what a person or the schedule wants; `working_c` is where the ramp stands."""

    asked_c: float | None
    working_c: float | None
    source: str
    until: str | None


@dataclass(frozen=True, slots=True)
class HeatNow:
    """Command and contact, never mixed: `ordered` is asked, `contact` is what the node reports (None: unknown).

    `senses_current` tells whether `watts` is measured, and so whether a welded relay would show at once.
    """

    duty: float
    ordered: bool
    contact: bool | None
    second_contact: bool | None
    contact_since: str | None
    watts: float | None
    node_age_s: float | None
    drops: int | None
    on_last_hour_s: float
    senses_current: bool | None = None


@dataclass(frozen=True, slots=True)
class TermsNow:
    """Duty by cause: the sum of the first three, kept within 0..1, and what the plan adds to it."""

    feedback: float
    outside: float
    sun: float
    plan: float


@dataclass(frozen=True, slots=True)
class ControlNow:
    """Why this much heat: the duty, its terms, [K] the soil below its working set point, and the sentence.

    `tried` says that the duty is a trial's, whose share stands under `plan`; `on`, whether heat is ordered.
    """

    duty: float
    terms: TermsNow
    below_k: float
    planned: bool
    words: str
    tried: bool = False
    on: bool = False


@dataclass(frozen=True, slots=True)
class AlertNow:
    """What a person should know; `shelved_until` is RFC 3339 while someone has put it aside."""

    name: str
    detail: str
    since: str
    urgent: bool
    shelved_until: str | None


@dataclass(frozen=True, slots=True)
class Words:
    """Verdict, reason, what happens next, what to do; each a plain sentence or empty."""

    verdict: str
    because: str
    next: str
    do: str


@dataclass(frozen=True, slots=True)
class Status:
    """Everything `GET /api/enclosures/{e}` gives."""

    enclosure: str
    at_ms: int
    epoch: int
    armed: bool
    soil_c: float | None
    set_point: SetPointNow
    heat: HeatNow
    permissives: tuple[Permissive, ...]
    trips: tuple[TripNow, ...]
    readings: tuple[ProbeNow, ...]
    refused: dict[str, int] = field(default_factory=dict)
    last_refused: dict[str, str] = field(default_factory=dict)
    alerts: tuple[AlertNow, ...] = ()
    at_work_until: str | None = None
    proved_at: str | None = None
    control: ControlNow | None = None
    words: Words = Words("", "", "", "")
