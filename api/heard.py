"""The newest status of one enclosure: what came, when, and how old it was by then."""

import json
from dataclasses import dataclass
from typing import Any

from controller.clock import Moment

SILENT_AFTER_S = 15.0
"""[s] A status older than this says nothing about now. Source: one lease (15 s), after which the contact is open."""

LARGEST_PAYLOAD = 262_144
"""[bytes]"""


@dataclass(frozen=True, slots=True)
class Heard:
    """The newest status of one enclosure, as decoded, and how old it is.

    Parameters
    ----------
    status
        The JSON object on `{root}/{enclosure}/status`.
    arrived
        Our receipt.
    age_at_arrival_s
        [s] 0 for a live message; for a retained one, which is history, what the wall clocks differ by.
    """

    status: dict[str, Any]
    arrived: Moment
    age_at_arrival_s: float

    def age_s(self, now: Moment) -> float:
        """[s] how old the status is at `now`."""
        return max(0.0, now.mono_s - self.arrived.mono_s) + self.age_at_arrival_s


def decoded(payload: bytes) -> dict[str, Any] | None:
    """Return the JSON object of a payload of at most 256 KiB, or None if it is anything else."""
    if len(payload) > LARGEST_PAYLOAD:
        return None
    try:
        found = json.loads(payload, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is no number")
