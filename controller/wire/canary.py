"""The canary: a numbered message to ourselves. A broker that takes it and does not bring it back delivers nothing.

It is retained, so that one of another controller of our name is found when we come back to the broker.
"""

import secrets
from dataclasses import dataclass, field

EVERY_S = 5.0
"""[s] Between two messages. Source: hazard B04."""

MISSING = 3
"""So many in a row that did not come back. Source: hazard B04."""


@dataclass(slots=True)
class Canary:
    """Numbers sent and the highest that came back; `token` tells ours from another's, whose last we met is `met`."""

    token: str = field(default_factory=lambda: secrets.token_hex(4))
    sent: int = 0
    heard: int = 0
    sent_s: float = float("-inf")
    has_returned: bool = False
    met: tuple[str, int] = ("", 0)

    def begin(self) -> None:
        """Start afresh with a new connection: nothing is missing yet, and the next is due."""
        self.heard, self.sent_s = self.sent, float("-inf")

    def is_due(self, now_s: float) -> bool:
        """Whether it is time for the next one."""
        return now_s - self.sent_s >= EVERY_S

    def next(self, now_s: float) -> bytes:
        """Return the next one, to be sent now."""
        self.sent, self.sent_s = self.sent + 1, now_s
        return f"{self.token} {self.sent}".encode()

    def hear(self, payload: bytes) -> None:
        """Take one that came back; copies, nonsense and what we never sent change nothing."""
        token, number = _read(payload)
        if token == self.token and self.heard < number <= self.sent:
            self.heard, self.has_returned = number, True

    def is_foreign(self, payload: bytes) -> bool:
        """Take one that lay at the broker; returns whether another controller has come after us: ours had lain there.

        One we have met already only shows that the broker forgot ours: it was killed before it had saved it.
        """
        token, number = _read(payload)
        if token == self.token:
            return False
        is_new = token != self.met[0] or number > self.met[1]
        if is_new:
            self.met = token, number
        return is_new and self.has_returned

    def outranks(self, payload: bytes) -> bool:
        """Whether of us and whose canary this is, the other is to yield: both find the same, neither knows why."""
        return self.token > _read(payload)[0]

    def is_missed(self, now_s: float) -> bool:
        """Whether the last three had their time and none of them came back."""
        on_its_way = 0 if self.is_due(now_s) else 1
        return self.sent - self.heard - on_its_way >= MISSING


def _read(payload: bytes) -> tuple[str, int]:
    """Return whose a canary is and its number, 0 for nonsense."""
    token, _, count = payload[:40].decode("ascii", "replace").partition(" ")
    return token, int(count) if count.isdecimal() else 0
