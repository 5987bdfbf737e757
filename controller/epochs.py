"""Whose epoch a node obeys: ours, an earlier one, or a later one, which is overtaken once and no more (hazard C04)."""

from enum import StrEnum

RIVAL = "another controller commands this relay node; stop one of the two, then start the other again"

HIGHEST = 2**51
"""No epoch from here on is overtaken: reports are unsigned, and one that was forged must leave ours room to rise at
each start, below the bound from which none is read (`wire.relay`)."""


class Epoch(StrEnum):
    """What a report's epoch means."""

    OURS = "ours"
    OTHER = "other"
    OVERTAKE = "overtake"
    RIVAL = "rival"


class Epochs:
    """What the nodes have shown since we started.

    A lost or restored data folder leaves a node that has obeyed a later epoch: ours rises above it. If that node shows
    a later one again, two controllers live, and one must not fight.
    """

    def __init__(self) -> None:
        self._overtaken: set[str] = set()
        self.rivals: set[str] = set()

    def heard(self, name: str, theirs: int, ours: int, *, by_another: bool = False) -> Epoch:
        """Take the epoch of a report; RIVAL is answered once per node.

        Two that were started equally often bear one epoch: there the node's word tells whom it obeyed (`by_another`).
        """
        if theirs == ours and not by_another:
            return Epoch.OURS
        if theirs < ours or theirs >= HIGHEST or name in self.rivals:
            return Epoch.OTHER
        if name not in self._overtaken:
            self._overtaken.add(name)
            return Epoch.OVERTAKE
        self.rivals.add(name)
        return Epoch.RIVAL
