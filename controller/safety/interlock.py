"""Permissives: conditions that must hold for heat, and come back by themselves."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Permissive:
    """One condition.

    Parameters
    ----------
    name
        Short words for it, stable: the API and the journal use them.
    holds
        Whether it holds now.
    detail, returns
        What is wrong and what ends it, in words; "" while it holds.
    """

    name: str
    holds: bool
    detail: str = ""
    returns: str = ""


def held(name: str) -> Permissive:
    """Return a permissive that holds."""
    return Permissive(name, True)


def lost(name: str, detail: str, returns: str) -> Permissive:
    """Return a permissive that is missing, with its words."""
    return Permissive(name, False, detail, returns)
