"""What one enclosure remembers from tick to tick, and what a tick is given."""

from dataclasses import dataclass

from controller.control.cycle import Cycle
from controller.plausibility import ProbeState
from controller.probe import Reading
from controller.safety import lease
from controller.safety.interlock import Permissive
from controller.standing import Standing
from controller.store.requests import Request

NEVER = float("-inf")
JUST_STARTED = lease.Order(False, False, "just started")


@dataclass(frozen=True, slots=True)
class NodeReport:
    """What a node says of its contacts (topic heater/state)."""

    arrived_s: float
    arrived_ms: int
    on: bool
    armed: bool
    lease_left_s: float
    amps: float | None
    drops: int
    uptime_s: float
    epoch: int = 0
    seq: int = 0


@dataclass(frozen=True, slots=True)
class Inputs:
    """What came since the last tick, and how the shell fares.

    Parameters
    ----------
    connected, resumed_s
        Whether the broker session stands, and since when [s].
    journal_ok
        Whether the journal can be written.
    """

    readings: tuple[Reading, ...] = ()
    reports: tuple[NodeReport, ...] = ()
    requests: tuple[Request, ...] = ()
    connected: bool = True
    resumed_s: float = NEVER
    journal_ok: bool = True


@dataclass(frozen=True, slots=True)
class State:
    """All that one enclosure remembers from tick to tick."""

    standing: Standing
    probes: dict[str, ProbeState]
    node: NodeReport | None = None
    contact_since_ms: int | None = None
    integral: float = 0.0
    duty: float = 0.0
    asked_c: float | None = None
    asked_by: str = "none"
    working_c: float | None = None
    soil_c: float | None = None
    controlled_s: float | None = None
    cycle: Cycle | None = None
    ticked_s: float | None = None
    valid_from_s: float = NEVER
    air_hot_s: float = NEVER
    air_hot_probe: str = ""
    rearm_s: float = NEVER
    heat_s: float = NEVER
    opened_s: float = NEVER
    inverted: int = 0
    permissives: tuple[Permissive, ...] = ()
    told_lost: frozenset[str] = frozenset()
    order: lease.Order = JUST_STARTED
    sent: lease.Sent | None = None

    @property
    def why_open(self) -> str:
        """Why a contact that has just opened did: our order, or the node's own lease or longest closing."""
        return "the node let go by itself" if self.order.on else self.order.because
