"""What the broker may tell us again: a message that we have already is no second one. Pure."""

from dataclasses import dataclass
from enum import Enum, auto


class Told(Enum):
    """What a message that came is to us."""

    NEW = auto()
    AGAIN = auto()
    KEPT = auto()
    """Told again although it is on disk: its acknowledgement is due anew."""


@dataclass(slots=True)
class _Taken:
    content: int
    came: int
    link: int
    is_kept: bool = False


class Outstanding:
    """Messages by the broker's number, from their coming until the broker surely has our acknowledgement.

    Parameters
    ----------
    window
        Most messages the broker has out unacknowledged. Of those that are acknowledged so many are remembered: no more
        acknowledgements than that can be lost with a link that died unnoticed.

    Notes
    -----
    A number stays with its message until the acknowledgement is with the broker (MQTT 5.0, section 2.2.1), so before
    it is sent the number alone tells. Afterwards a broker that gives numbers anew at once might mean another message by
    it: one that was never told for a dying link, from the same probe, with the same bytes. It would be missed.
    """

    def __init__(self, window: int) -> None:
        self._window = window
        self._taken: dict[int, _Taken] = {}
        self._acknowledged: dict[int, _Taken] = {}

    def recall(self, number: int, content: int) -> None:
        """Take what an earlier controller kept and may not have acknowledged."""
        self._taken[number] = taken = _Taken(content, 0, 0, is_kept=True)
        self._remember(number, taken)

    def begin(self) -> None:
        """Forget all: the broker has no session of ours, its numbers mean nothing any more."""
        self._taken.clear()

    def take(self, number: int, content: int, link: int, duplicate: bool) -> Told:
        """Take what came on a link, by a check sum; `duplicate` is the broker's word that it was sent before."""
        known = self._taken.get(number)
        if not duplicate or known is None or known.content != content:
            self._taken[number] = _Taken(content, link, link)
            return Told.NEW
        known.link = link
        if not known.is_kept:
            return Told.AGAIN
        self._remember(number, known)
        return Told.KEPT

    def keep(self, number: int, came: int, link: int) -> bool:
        """Note that what came on one link is on disk; whether it can be acknowledged on the present one."""
        known = self._taken.get(number)
        if known is None or known.came != came:
            return False
        known.is_kept = True
        if known.link != link:
            return False
        self._remember(number, known)
        return True

    def _remember(self, number: int, taken: _Taken) -> None:
        # Acknowledged anew, it is the last of them again.
        self._acknowledged.pop(number, None)
        self._acknowledged[number] = taken
        if len(self._acknowledged) > self._window:
            old = next(iter(self._acknowledged))
            if self._taken.get(old) is self._acknowledged.pop(old):
                del self._taken[old]

    def drop(self, number: int) -> None:
        """Forget a message that was given up: when it is told again, it is new."""
        self._taken.pop(number, None)
