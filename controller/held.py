"""Messages that are not acknowledged yet: each waits until everyone it speaks to has been stepped."""

from collections import deque

from controller.wire.inbox import Message


class Held:
    """Messages in the order they came, with the enclosures they speak to.

    Once those are stepped, what it holds stands in the line for the disk, and its acknowledgement may join behind. What
    came after that step waits for the next one, and holds up nothing that came before.
    """

    def __init__(self) -> None:
        self._line: deque[tuple[int, Message, frozenset[str]]] = deque()
        self._came = 0
        self._stepped: dict[str, int] = {}

    def __len__(self) -> int:
        return len(self._line)

    def add(self, message: Message, names: frozenset[str]) -> None:
        """Hold a message; one that speaks to nobody waits only for those before it."""
        self._line.append((self._came, message, names))
        self._came += 1

    def stepped(self, name: str) -> None:
        """Note that an enclosure has taken all that came for it so far."""
        self._stepped[name] = self._came

    def first(self, most: int) -> frozenset[str]:
        """Return whom the first message speaks to, if more than so many are held; else nobody."""
        return self._line[0][2] if len(self._line) > most else frozenset()

    def ready(self) -> list[Message]:
        """Give up, in order, the messages before the first that speaks to somebody not stepped since it came."""
        found: list[Message] = []
        line = self._line
        while line:
            number, message, names = line[0]
            for name in names:
                if self._waits(number, name):
                    return found
            found.append(message)
            line.popleft()
        return found

    def lost(self, name: str) -> list[Message]:
        """Give up the messages that wait for an enclosure for whose readings there was no room."""
        found = [message for number, message, names in self._line if name in names and self._waits(number, name)]
        gone = {id(message) for message in found}
        self._line = deque(each for each in self._line if id(each[1]) not in gone)
        return found

    def _waits(self, number: int, name: str) -> bool:
        return self._stepped.get(name, 0) <= number
