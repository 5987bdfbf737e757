"""Alerts: what a person should know although heat need not stop; raised, put aside for a while, over by themselves."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from controller.store.journal import Entry


@dataclass(frozen=True, slots=True)
class Alert:
    """One thing to know.

    Parameters
    ----------
    name
        Short and stable; a person puts it aside by this name.
    urgent
        Somebody should go and look now.
    since_ms
        [ms] UTC.
    """

    name: str
    detail: str
    urgent: bool = False
    since_ms: int = 0


def raised(before: Sequence[Alert], found: Iterable[Alert], at_ms: int) -> tuple[Alert, ...]:
    """Return the alerts that stand now; one that stood before keeps since when."""
    since = {each.name: each.since_ms for each in before}
    named = {each.name: each for each in found}
    return tuple(Alert(name, each.detail, each.urgent, since.get(name, at_ms)) for name, each in named.items())


def entries(enclosure: str, before: Sequence[Alert], now: Sequence[Alert], at_ms: int) -> list[Entry]:
    """Return the journal's entries for alerts that are new and those that are over."""
    known, standing = {each.name for each in before}, {each.name for each in now}
    began = [Entry("alert", enclosure, "soilward", each.detail, {"alert": each.name, "urgent": each.urgent}, at_ms)
             for each in now if each.name not in known]  # fmt: skip
    over = [Entry("alert-over", enclosure, "soilward", each.detail, {"alert": each.name}, at_ms)
            for each in before if each.name not in standing]  # fmt: skip
    return began + over
