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
    """Numbers sent and the highest that came back; `token` tells ours from another controller's."""

    token: str = field(default_factory=lambda: secrets.token_hex(4))
    sent: int = 0
    heard: int = 0
    sent_s: float = float("-inf")
    has_returned: bool = False

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
        token, _, count = payload[:40].decode("ascii", "replace").partition(" ")
        number = int(count) if token == self.token and count.isdecimal() else 0
        if self.heard < number <= self.sent:
            self.heard, self.has_returned = number, True

    def is_foreign(self, payload: bytes) -> bool:
        """Whether this one, retained, is of another controller that came after us: ours had lain there before it."""
        return self.has_returned and not payload.startswith(self.token.encode())

    def outranks(self, payload: bytes) -> bool:
        """Whether of us and whose canary this is, the other is to yield: both find the same, neither knows why."""
        return self.token.encode() > payload.partition(b" ")[0]

    def is_missed(self, now_s: float) -> bool:
        """Whether the last three had their time and none of them came back."""
        on_its_way = 0 if self.is_due(now_s) else 1
        return self.sent - self.heard - on_its_way >= MISSING
