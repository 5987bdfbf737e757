"""The node's dead-man: which commands it obeys and how long a contact may stay closed. Pure."""

from collections import Counter
from dataclasses import dataclass, field

from controller.safety import node_limits as limits
from controller.wire.relay import Command, WireError, decode_command, says_off

SEQ_SPAN = 2**32


def newer(seq: int, than: int) -> bool:
    """Compare sequence numbers in 32-bit serial arithmetic. Source: RFC 1982, section 3.2."""
    return 0 < (seq - than) % SEQ_SPAN < SEQ_SPAN // 2


@dataclass(slots=True)
class RelayCore:
    """Two contacts and the lease that holds them.

    Parameters
    ----------
    key
        Shared with the controller; None accepts unsigned commands (bench only).
    epoch, seq
        The newest command that may have been obeyed before; nothing up to it is obeyed.
    rests_until_s
        [s] until when no "on" is obeyed.
    refused
        How often heat was refused, by reason: commands, and closings that had reached the longest allowed.
    """

    key: bytes | None
    on: bool = False
    armed: bool = False
    lease_ends_s: float = float("-inf")
    epoch: int = -1
    seq: int = 0
    rests_until_s: float = float("-inf")
    by: str = ""
    drops: int = 0
    refused: Counter[str] = field(default_factory=Counter)
    _lag_s: float | None = None
    _lag_at_s: float = 0.0
    _closed_since_s: float | None = None

    def receive(self, payload: bytes, retained: bool, now_s: float) -> str:
        """Take one command; returns "" if it was obeyed, else why not. Off is obeyed always."""
        self._expire(now_s)
        if says_off(payload) and not retained:
            self.on = False
        try:
            command = decode_command(payload, self.key)
            reason = "retained" if retained else self._why_not(command, now_s)
        except WireError as error:
            reason = str(error)
        if reason:
            self.refused[reason] += 1
            return reason
        self._obey(command, now_s)
        return ""

    def _why_not(self, command: Command, now_s: float) -> str:
        if not command.signed:
            return "unsigned"
        if command.epoch < self.epoch:
            return "older-epoch"
        if (command.on or command.armed) and command.by != self.by and now_s < self.lease_ends_s:
            return "second-controller"
        if command.epoch == self.epoch and not newer(command.seq, self.seq):
            return "replayed" if self.has_obeyed else "before-boot"
        if command.lease_s <= 0 and command.on:
            return "bad-lease_s"
        if command.on and self._late_s(command, now_s) >= min(command.lease_s, limits.LONGEST_LEASE_S):
            return "late"
        return ""

    @property
    def has_obeyed(self) -> bool:
        """Whether it has obeyed any command since it booted."""
        return self._lag_s is not None

    def _late_s(self, command: Command, now_s: float) -> float:
        """How much later than the promptest command of this epoch it came [s], drift allowed."""
        if command.epoch != self.epoch or self._lag_s is None:
            return 0.0
        return now_s - command.issued_ms / 1000 - self._lag_s - self._drift_s(now_s)

    def _drift_s(self, now_s: float) -> float:
        return min(limits.CLOCK_DRIFT * (now_s - self._lag_at_s), limits.MOST_DRIFT_S)

    def _obey(self, command: Command, now_s: float) -> None:
        late_s = max(0.0, self._late_s(command, now_s))
        lag_s = now_s - command.issued_ms / 1000
        if command.epoch != self.epoch or self._lag_s is None:
            self._lag_s = lag_s
        else:
            self._lag_s = min(self._lag_s + self._drift_s(now_s), lag_s)
        self._lag_at_s = now_s
        self.epoch, self.seq, self.by = command.epoch, command.seq, command.by
        lease_s = min(command.lease_s, limits.LONGEST_LEASE_S)
        self.lease_ends_s = now_s + lease_s - late_s if command.on or command.armed else float("-inf")
        self.armed = command.armed
        self._set(command.on, now_s)

    def _set(self, on: bool, now_s: float) -> None:
        if on and now_s < self.rests_until_s:
            self.refused["resting"] += 1
            on = False
        if on and self._closed_since_s is None:
            self._closed_since_s = now_s
        self.on = on

    def rest(self, until_s: float) -> None:
        """Open K1 and obey no "on" before `until_s` [s]."""
        self.rests_until_s = max(self.rests_until_s, until_s)
        self.on = False

    def _expire(self, now_s: float) -> None:
        if now_s >= self.lease_ends_s and (self.on or self.armed):
            self.drops += 1 if self.on else 0
            self.on = self.armed = False
        if self.on and self._closed_since_s is not None and now_s - self._closed_since_s >= limits.LONGEST_CLOSING_S:
            self.refused["longest-closing"] += 1
            self.rest(now_s + limits.REST_AFTER_LONGEST_S)

    def advance(self, now_s: float) -> bool:
        """Let time pass; returns whether K1 stays closed.

        Only a turn that ends open has opened K1: a lease that lapses just as it is renewed has not (hazard N09).
        """
        self._expire(now_s)
        if not self.on:
            self._closed_since_s = None
        return self.on

    def lease_left_s(self, now_s: float) -> float:
        """Return [s] until both contacts open unless renewed."""
        return max(0.0, min(self.lease_ends_s - now_s, limits.LONGEST_LEASE_S))
