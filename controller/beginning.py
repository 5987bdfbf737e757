"""What the journal's entry of a start says, so that a replay can begin where the controller began."""

import hashlib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

from controller.safety import limits
from controller.settings import Settings
from controller.standing import Standing, standing_of
from controller.store.journal import JSON


@dataclass(frozen=True, slots=True)
class Beginning:
    """What a controller began with: standing orders by enclosure, digest of its settings, and [s] between its ticks."""

    standing: dict[str, Standing]
    settings: str
    tick_s: float


def digest(settings: Settings) -> str:
    """Return SHA-256 over all settings that a decision can depend on: no key, no folder, no address."""
    text = settings.model_dump_json(
        include={"site": {"time_zone", "latitude", "longitude"}, "enclosure": True},
        exclude={"enclosure": {"__all__": {"title": True, "heater": {"key_file"}}}},
    )
    return hashlib.sha256(text.encode()).hexdigest()


def body_of(settings: Settings, standing: Mapping[str, Standing], tick_s: float = limits.TICK_S) -> dict[str, JSON]:
    """Return what the start's entry carries."""
    return {
        "settings": digest(settings),
        "tick_s": tick_s,
        "standing": {name: asdict(each) for name, each in standing.items()},
    }


def from_body(body: Mapping[str, Any]) -> Beginning | None:
    """Read it back; None where an older program wrote none, or it cannot be read."""
    try:
        standing = {name: standing_of(each) for name, each in body["standing"].items()}
        return Beginning(standing, str(body["settings"]), float(body["tick_s"]))
    except (KeyError, TypeError, ValueError, AttributeError):
        return None
