"""Rows of the two pages that look back: heat by day, and the journal."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import groupby
from zoneinfo import ZoneInfo

from api.chain import Walk
from api.orders import WISHES
from api.pages import words
from api.pages.record import Asked
from api.pages.words import Unit
from api.people import Refusal
from controller.control.contact_life import life_words
from controller.settings import Site
from controller.store.journal import StoredEntry
from controller.store.use import HeaterUse

_KINDS = {"answer": "Answer", "trip": "Trip", "start": "Start", "stop": "Stop", "alert": "Alert", "reset": "Reset"}
STOP_WAITS_MS = 5_000
"""[ms] A stop that is not answered by then is no stop: the person must go to the switch. Source: hazard A08."""


@dataclass(frozen=True, slots=True)
class DayShown:
    """One day of heat; `bar` is its length out of 200."""

    day: str
    bar: float
    kwh: str
    cost: str
    on: str
    cycles: str
    longest: str


@dataclass(frozen=True, slots=True)
class EntryShown:
    """One journal entry."""

    kind: str
    clock: str
    exact: str
    what: str
    who: str
    enclosure: str
    text: str
    why: str
    hash: str


@dataclass(frozen=True, slots=True)
class JournalDay:
    """The entries of one local day, newest first."""

    day: str
    entries: tuple[EntryShown, ...]


@dataclass(frozen=True, slots=True)
class ChainShown:
    """Whether the journal's chain holds, said; `broken_at` is the entry where it first breaks."""

    holds: bool | None
    said: str
    walked: str = ""
    broken_at: int | None = None


@dataclass(frozen=True, slots=True)
class RefusalShown:
    """A change or sign-in that was refused."""

    when: str
    exact: str
    who: str
    path: str
    why: str


@dataclass(frozen=True, slots=True)
class AnswerShown:
    """What was asked, and what the controller said: `state` is waiting, unanswered, done or refused."""

    id: int
    state: str
    said: str
    more: str


def heat_days(days: Iterable[HeaterUse], site: Site, now_ms: int) -> tuple[DayShown, ...]:
    """Return days of heat, newest first."""
    known = sorted(days, key=lambda d: -d.start_ms)
    most = max((d.energy_kwh for d in known), default=0.0) or 1.0
    return tuple(
        DayShown(
            words.day(d.start_ms, now_ms, site.zone),
            round(200 * d.energy_kwh / most, 1),
            f"{d.energy_kwh:.2f}" if d.energy_known else "not known",
            _cost(d, site),
            _hours(d.on_s),
            str(d.cycles),
            words.duration(d.longest_s),
        )
        for d in known
    )


def heat_total(days: Iterable[HeaterUse], site: Site) -> tuple[str, str]:
    """Return the sum as a sentence, and how it comes about."""
    known = list(days)
    energy_kwh, on_s = sum(d.energy_kwh for d in known), sum(d.on_s for d in known)
    lacks = "" if all(d.energy_known for d in known) else "At least "
    cost = f" for {energy_kwh * site.price_per_kwh:.2f} {site.currency}" if site.price_per_kwh else ""
    said = f"{lacks}{energy_kwh:.1f} kWh{cost} in {len(known)} day{'s' if len(known) != 1 else ''}."
    price = f", at {site.price_per_kwh:.2f} {site.currency} per kWh" if site.price_per_kwh else ""
    runs = f" Heater runs: {life_words(sum(d.cycles for d in known) / len(known))}." if known else ""
    return said, f"{on_s / 3600:.0f} h of heat{price}.{runs}"


def _hours(seconds: float) -> str:
    hours, minutes = divmod(round(seconds / 60), 60)
    return f"{hours}:{minutes:02d}"


def _cost(day: HeaterUse, site: Site) -> str:
    if not day.energy_known or not site.price_per_kwh:
        return "—"
    return f"{day.energy_kwh * site.price_per_kwh:.2f}"


def journal_days(entries: Iterable[StoredEntry], now_ms: int, zone: ZoneInfo, unit: Unit) -> tuple[JournalDay, ...]:
    """Return entries gathered by local day, in the order they come."""
    grouped = groupby(entries, key=lambda e: words.exact(e.at_ms, zone)[:10])
    days = (list(group) for _, group in grouped)
    return tuple(
        JournalDay(words.capital(words.day(day[0].at_ms, now_ms, zone)), tuple(_entry(e, zone, unit) for e in day))
        for day in days
    )


def chain(walk: Walk | None, now_ms: int, zone: ZoneInfo) -> ChainShown:
    """Say whether the chain holds, and when it was last walked whole."""
    if walk is None:
        return ChainShown(None, "There is no journal yet, or it is just being checked.")
    proof, walked = (
        walk.proof,
        f"Checked whole {words.moment(walk.whole_ms, now_ms, zone)}, and since then what is new.",
    )
    if not proof.holds:
        return ChainShown(False, f"The chain is broken: {proof.detail}.", walked, proof.first_bad)
    count = f"all {proof.entries} entries are as they were" if proof.entries != 1 else "its one entry is as it was"
    sealed = walk.sealed
    signed = "" if sealed is None or sealed.last is None else f" Signed up to entry {sealed.last.sequence}."
    return ChainShown(True, f"The chain holds: {count} written.{signed}", walked)


def answer(asked: Asked | None, now_ms: int, zone: ZoneInfo, unit: Unit) -> AnswerShown | None:
    """Say what became of a request."""
    if asked is None:
        return None
    request, reply = asked.request, asked.answer
    wish = f"{request.who} asked {_wish(asked, unit)}: {request.why}"
    if reply is None:
        when = words.moment(request.at_ms, now_ms, zone)
        if request.kind == "stop" and now_ms - request.at_ms > STOP_WAITS_MS:
            more = "A relay node that is not spoken to opens its contact within 15 s, but nobody has confirmed it."
            return AnswerShown(request.id, "unanswered", "No answer: switch the heater off at its socket.", more)
        return AnswerShown(request.id, "waiting", "Asked. Waiting for the controller.", f"{wish} ({when}).")
    done = reply.body.get("outcome") == "done"
    detail = words.dated(words.said(str(reply.body.get("detail", "")), unit), now_ms, zone)
    said = f"{'Done' if done else 'Refused'}: {detail.removeprefix('refused: ')}."
    return AnswerShown(request.id, "done" if done else "refused", said, f"{wish}.")


def refusals(found: Iterable[Refusal], now_ms: int, zone: ZoneInfo) -> tuple[RefusalShown, ...]:
    """Return refused attempts in the order they come."""
    return tuple(
        RefusalShown(words.moment(r.at_ms, now_ms, zone), words.exact(r.at_ms, zone), r.who, r.path, r.why)
        for r in found
    )


def _wish(asked: Asked, unit: Unit) -> str:
    value = asked.request.arguments.get("set_point_c")
    if asked.request.kind == "set-point" and isinstance(value, int | float):
        return f"for {words.temperature_said(float(value), unit)}"
    if asked.request.kind == "set-point":
        return "to go back to the schedule"
    return WISHES[asked.request.kind]


def _entry(entry: StoredEntry, zone: ZoneInfo, unit: Unit) -> EntryShown:
    exact = words.exact(entry.at_ms, zone)
    detail = str(entry.body.get("detail", "") or "")
    # What Soilward writes itself has its reason as text; a person's reason is shown as their own words.
    own = entry.who == "soilward"
    # In the journal a time stands with its whole date, whenever it is read.
    said = words.dated(words.said(detail or (entry.why if own else ""), unit), 0, zone)
    return EntryShown(
        entry.kind,
        exact[11:16],
        exact,
        _what(entry),
        "" if own else entry.who,
        entry.enclosure or "",
        words.capital(said) + ("." if said and said[-1] not in ".!?" else ""),
        "" if own else entry.why,
        entry.hash[:12] + "…",
    )


def _what(entry: StoredEntry) -> str:
    if entry.kind != "answer":
        return _KINDS.get(entry.kind, words.capital(entry.kind.replace("-", " ")))
    asked = str(entry.body.get("asked"))
    return f"Asked {WISHES.get(asked, asked)}"
