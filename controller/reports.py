"""Node reports as they come: which say something new about now, and which nodes keep losing the broker. Pure."""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from controller.state import NodeReport

FLAPS = 5
FLAP_SPAN_S = 600.0
"""[s] A node that lost the broker so often within this flaps. Source: hazard R10; engineering judgement."""


def is_repeat(report: NodeReport, last: NodeReport | None) -> bool:
    """Whether a report is a copy of the last one or older than it: a bridge's loop makes no dead node look alive.

    Uptime alone cannot tell, since it begins again with a boot; the number of the last command obeyed does not.
    """
    if last is None or report.epoch != last.epoch:
        return False
    if (report.seq, report.uptime_s) != (last.seq, last.uptime_s):
        return (report.seq, report.uptime_s) < (last.seq, last.uptime_s)
    return replace(report, arrived_s=last.arrived_s, arrived_ms=last.arrived_ms) == last


@dataclass(slots=True)
class Flaps:
    """How often one node lost the broker lately."""

    _times_s: deque[float] = field(default_factory=lambda: deque(maxlen=FLAPS))

    def lost(self, now_s: float) -> bool:
        """Take one loss; returns whether it is worth a line of its own."""
        self._times_s.append(now_s)
        return not self.is_flapping(now_s)

    def is_flapping(self, now_s: float) -> bool:
        """Whether the last few losses all lie within ten minutes."""
        return len(self._times_s) == FLAPS and now_s - self._times_s[0] <= FLAP_SPAN_S

    def notes(self, now_s: float) -> Iterator[tuple[str, str]]:
        """Yield (name, words) of what a person should know."""
        if self.is_flapping(now_s):
            yield "node-flaps", "the relay node loses the broker again and again; look at its network"
