"""Pauses in the current while both contacts are told closed: a bad contact, or the heater's own cut-out. Pure."""

from collections import deque
from dataclasses import dataclass, field

from controller.safety import node_limits as limits
from controller.safety.node_fault import NodeFault


@dataclass(slots=True)
class Interruptions:
    """Counts short pauses of one closing, and long ones of the last ten minutes."""

    _flowed: bool = False
    _paused_s: float | None = None
    _is_long: bool = False
    _drop_outs: int = 0
    _long_s: deque[float] = field(default_factory=deque)

    def see(self, heats: bool, flows: bool, now_s: float) -> tuple[NodeFault, ...]:
        """Take one look: told to heat or not, current or none."""
        if not heats:
            self._flowed, self._paused_s, self._is_long, self._drop_outs = False, None, False, 0
        elif flows:
            self._drop_outs += self._paused_s is not None and not self._is_long
            self._flowed, self._paused_s, self._is_long = True, None, False
        elif self._flowed:
            self._pause(now_s)
        return self._faults(now_s)

    def _pause(self, now_s: float) -> None:
        if self._paused_s is None:
            self._paused_s = now_s
        if not self._is_long and now_s - self._paused_s >= limits.INTERRUPTION_S:
            self._is_long = True
            self._long_s.append(now_s)

    def _faults(self, now_s: float) -> tuple[NodeFault, ...]:
        while self._long_s and now_s - self._long_s[0] > limits.INTERRUPTION_SPAN_S:
            self._long_s.popleft()
        faults: tuple[NodeFault, ...] = ()
        if self._drop_outs > limits.DROP_OUTS:
            faults += (NodeFault.INTERMITTENT,)
        if len(self._long_s) >= limits.INTERRUPTIONS:
            self._long_s.clear()
            faults += (NodeFault.SELF_INTERRUPTING,)
        return faults
