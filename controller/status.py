"""What is true now in one enclosure: the object the broker, the API and the pages all show.

Its parts are JSON's own types, made as such: to make dataclasses first and JSON of them took as long as the tick that
they tell of.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import TypedDict


class Grade(StrEnum):
    """How far a reading is believed."""

    GOOD = "good"
    HISTORY = "history"
    DOUBTED = "doubted"
    REFUSED = "refused"


class ProbeNow(TypedDict):
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


class TripNow(TypedDict):
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


class PermissiveNow(TypedDict):
    """A condition for heat (see `controller.safety.interlock`)."""

    name: str
    holds: bool
    detail: str
    returns: str


class SetPointNow(TypedDict):
    """`asked_c` is what a person or the schedule wants; `working_c` is where the ramp stands."""

    asked_c: float | None
    working_c: float | None
    source: str
    until: str | None


class HeatNow(TypedDict):
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
    senses_current: bool | None


class TermsNow(TypedDict):
    """Duty by cause: the sum of the first three, kept within 0..1, and what the plan adds to it."""

    feedback: float
    outside: float
    sun: float
    plan: float


class ControlNow(TypedDict):
    """Why this much heat: the duty, its terms, [K] the soil below its working set point, and the sentence.

    `tried` says that the duty is a trial's, whose share stands under `plan`; `on`, whether heat is ordered.
    """

    duty: float
    terms: TermsNow
    below_k: float
    planned: bool
    words: str
    tried: bool
    on: bool


class AlertNow(TypedDict):
    """What a person should know; `shelved_until` is RFC 3339 while someone has put it aside."""

    name: str
    detail: str
    since: str
    urgent: bool
    shelved_until: str | None


class WordsNow(TypedDict):
    """`Words`, as JSON gives them."""

    verdict: str
    because: str
    next: str
    do: str


@dataclass(frozen=True, slots=True)
class Words:
    """Verdict, reason, what happens next, what to do; each a plain sentence or empty."""

    verdict: str
    because: str
    next: str
    do: str


class Status(TypedDict):
    """Everything `GET /api/enclosures/{e}` gives; `at` is `at_ms` [ms UTC] as RFC 3339."""

    enclosure: str
    at_ms: int
    epoch: int
    armed: bool
    soil_c: float | None
    set_point: SetPointNow
    heat: HeatNow
    permissives: list[PermissiveNow]
    trips: list[TripNow]
    readings: list[ProbeNow]
    refused: dict[str, int]
    last_refused: dict[str, str]
    alerts: list[AlertNow]
    at_work_until: str | None
    proved_at: str | None
    control: ControlNow | None
    words: WordsNow
    at: str
