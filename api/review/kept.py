"""What a store elsewhere can be asked for, whichever it is."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from controller.errors import SettingsError, SoilwardError
from controller.settings import Elsewhere
from controller.store.journal import StoredEntry, decoded
from controller.store.readings import ProbeSeries
from controller.store.remote import authorization


class KeptError(SoilwardError):
    """The store elsewhere did not answer, or not as it should; says which and what to look at."""


def allowed(remote: Elsewhere) -> dict[str, str]:
    """Return the headers by which a store lets us in; the token is read anew, so a right one needs no new start."""
    try:
        return {"Authorization": authorization(remote)} if remote.token_file else {}
    except SettingsError as error:
        raise KeptError(str(error)) from error


@dataclass(frozen=True, slots=True)
class Last:
    """The newest reading of one probe that was not refused, taken at `at_ms` [ms UTC]."""

    site: str
    enclosure: str
    probe: str
    quantity: str
    unit: str
    value: float
    at_ms: int


@dataclass(frozen=True, slots=True)
class Run:
    """One heater run: start [ms UTC], how long [s], energy [J] or None where it is not known, and what ended it."""

    start_ms: int
    seconds: float
    energy_j: float | None
    ended_by: str


def entry_of(
    sequence: int, at_ms: int, kind: str, enclosure: str | None, who: str, why: str, body: str, own_hash: str
) -> StoredEntry:
    """Return a journal entry as it was copied; the hash before it stays at its site. A body cut short is text."""
    return StoredEntry(sequence, at_ms, kind, enclosure, who, why, decoded(body), "", own_hash)


class Kept(Protocol):
    """A store elsewhere, read only. Times are [ms UTC], ranges [start, end). Each call may raise `KeptError`."""

    def enclosures(self, site: str | None = None, enclosure: str | None = None) -> list[tuple[str, str]]:
        """Return (site, enclosure) of all that ever sent a reading, in order: everywhere, or in one place."""

    def latest(self, now_ms: int, site: str | None = None, enclosure: str | None = None) -> list[Last]:
        """Return the newest reading of each probe that said anything within a day: everywhere, or in one place."""

    def heard(self, now_ms: int, places: Sequence[tuple[str, str]]) -> dict[tuple[str, str], int]:
        """Return when [ms UTC] each (site, enclosure) was last heard, of those that said anything within a day."""

    def series(self, site: str, enclosure: str, start_ms: int, end_ms: int, points: int) -> list[ProbeSeries]:
        """Return least, mean and most per bucket, as `borders` lays them; no refused readings; a gap stays a gap.

        The first and the last bucket may hold what lies in them beyond the range.
        """

    def runs(self, site: str, enclosure: str, start_ms: int, end_ms: int) -> list[Run]:
        """Return the heater runs that began in the range, oldest first."""

    def journal(self, site: str, start_ms: int, end_ms: int, limit: int) -> list[StoredEntry]:
        """Return the newest `limit` journal entries of the range, newest first: a journal begun anew counts from 1."""
