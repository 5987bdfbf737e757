"""What outlives a restart: armed or not, a person's set point, latched trips, resets, the last request answered."""

import hashlib
import json
import os
from dataclasses import asdict, dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

from controller.safety.trip import Trip, TripKind
from controller.tuning.pulses import Trial

_UNTRUSTED = (ValueError, KeyError, TypeError, AttributeError, OSError)

FILE = "standing.json"

LINES_KNOWN = 8192
"""Enclosures whose orders are known as text: more than one controller is meant to have."""


@dataclass(frozen=True, slots=True)
class Standing:
    """One enclosure's standing orders.

    Parameters
    ----------
    override_c, override_until_ms
        [Cel] a person's set point, and [ms] UTC when it ends (None: until changed).
    resets
        (trip name, [ms] UTC) of resets of the last 24 h.
    answered
        Id of the last request answered.
    at_work_until_ms
        [ms] UTC while a person works at the enclosure: no heat until then, and disarmed after it.
    shelved
        (alert name, [ms] UTC until when) alerts that a person has put aside for some hours.
    acknowledged
        First broken sequence of the journal's chain that a person has acknowledged; 0 for none.
    proved_ms
        [ms] UTC of the last proof test that passed; None if none was ever recorded.
    closings, fitted_at
        How often K1 has closed, ever, and what that was when the present relay was fitted.
    trial
        Night pulses that a person asked for, or None.
    """

    armed: bool = False
    override_c: float | None = None
    override_until_ms: int | None = None
    trips: tuple[Trip, ...] = ()
    resets: tuple[tuple[str, int], ...] = ()
    answered: int = 0
    at_work_until_ms: int | None = None
    shelved: tuple[tuple[str, int], ...] = ()
    acknowledged: int = 0
    proved_ms: int | None = None
    closings: int = 0
    fitted_at: int = 0
    trial: Trial | None = None

    @property
    def relay_closings(self) -> int:
        """How often the present relay has closed."""
        return self.closings - self.fitted_at


@dataclass(frozen=True, slots=True)
class Kept:
    """The whole file: the controller's epoch and every enclosure's standing orders."""

    epoch: int
    enclosures: dict[str, Standing]


def as_text(kept: Kept) -> str:
    """Write the file's text: its checksum on the first line, then one for each enclosure."""
    lines = ",\n".join(f"{json.dumps(name)}: {_line(each)}" for name, each in kept.enclosures.items())
    body = f'{{"epoch": {kept.epoch}, "enclosures": {{\n{lines}\n}}}}'
    return f"{hashlib.sha256(body.encode()).hexdigest()}\n{body}\n"


@lru_cache(maxsize=LINES_KNOWN)
def _line(standing: Standing) -> str:
    """Write one enclosure's orders, once: where one changes, all are written to the disk."""
    return json.dumps(asdict(standing), sort_keys=True)


def from_text(text: str) -> Kept:
    """Read the file's text.

    Raises
    ------
    ValueError
        If the checksum does not match or anything is missing.
    """
    checksum, _, body = text.partition("\n")
    body = body.removesuffix("\n")
    if hashlib.sha256(body.encode()).hexdigest() != checksum:
        raise ValueError("the checksum does not match")
    raw = json.loads(body)
    return Kept(raw["epoch"], {name: standing_of(each) for name, each in raw["enclosures"].items()})


def standing_of(raw: dict[str, Any]) -> Standing:
    """Return standing orders from their plain form."""
    trips = tuple(Trip(**{**each, "kind": TripKind(each["kind"])}) for each in raw["trips"])
    resets = tuple((name, ms) for name, ms in raw["resets"])
    shelved = tuple((name, ms) for name, ms in raw.get("shelved", ()))
    trial = Trial(**raw["trial"]) if raw.get("trial") else None
    return Standing(**{**raw, "trips": trips, "resets": resets, "shelved": shelved, "trial": trial})


def save(path: Path, kept: Kept) -> None:
    """Replace the file so that a power cut leaves the old one or the new one, never none (hazard D05)."""
    fresh = path.with_suffix(".new")
    with open(fresh, "w", encoding="utf-8") as file:
        file.write(as_text(kept))
        file.flush()
        os.fsync(file.fileno())
    os.replace(fresh, path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def recall(path: Path, enclosures: tuple[str, ...], first_start: bool, now_ms: int) -> Kept:
    """Read the file; where it is lost or damaged, every enclosure is latched (hazard D03).

    Parameters
    ----------
    first_start
        There is no record yet, so a missing file is no loss.
    """
    try:
        kept = from_text(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        if first_start:
            return Kept(0, {})
        return _latched(enclosures, "the file of latched trips is missing", now_ms)
    except _UNTRUSTED as error:
        return _latched(enclosures, f"the file of latched trips cannot be trusted: {error}", now_ms)
    return kept


def _latched(enclosures: tuple[str, ...], why: str, now_ms: int) -> Kept:
    trip = Trip(TripKind.LATCHES_LOST, "", None, None, now_ms, why)
    # Seconds since 1970 outrun any count of starts, so the lost epoch cannot be overtaken by an old one.
    return Kept(now_ms // 1000, {name: Standing(trips=(trip,)) for name in enclosures})


def last_answered(path: Path) -> int:
    """Return the highest id of a request that counts as answered; none does where the file is lost or damaged."""
    try:
        kept = from_text(path.read_text(encoding="utf-8"))
    except _UNTRUSTED:
        return 0
    return max((each.answered for each in kept.enclosures.values()), default=0)
