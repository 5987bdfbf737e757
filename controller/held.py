"""Messages that are not acknowledged yet: each waits until everyone it speaks to has been stepped."""

from collections import deque
from collections.abc import Callable

from controller.wire.inbox import Message


class Held:
    """Messages in the order they came, with the enclosures they speak to.

    Once those are stepped, what it holds stands in the line for the disk, and its acknowledgement may join behind.
    """

    def __init__(self) -> None:
        self._line: deque[tuple[Message, frozenset[str]]] = deque()

    def add(self, message: Message, names: frozenset[str]) -> None:
        """Hold a message; one that speaks to nobody waits only for those before it."""
        self._line.append((message, names))

    def first(self, most: int) -> frozenset[str]:
        """Return whom the first message speaks to, if more than so many are held; else nobody."""
        return self._line[0][1] if len(self._line) > most else frozenset()

    def ready(self, waits: Callable[[str], bool]) -> list[Message]:
        """Give up, in order, the messages before the first that speaks to somebody still waiting for a step."""
        found = []
        while self._line and not any(map(waits, self._line[0][1])):
            found.append(self._line.popleft()[0])
        return found

    def lost(self, name: str) -> list[Message]:
        """Give up the messages that speak to an enclosure for whose readings there was no room."""
        found = [message for message, names in self._line if name in names]
        self._line = deque(each for each in self._line if name not in each[1])
        return found
