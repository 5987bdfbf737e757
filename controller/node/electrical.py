"""What the contacts are told against what is sensed: faults of contacts, heater and wiring. Pure."""

import math
from dataclasses import dataclass, field

from controller.node.interruptions import Interruptions
from controller.node.lasting import Lasting
from controller.node.power import PowerWatch
from controller.safety import node_limits as limits
from controller.safety.node_fault import NodeFault


@dataclass(frozen=True, slots=True)
class Told:
    """What the two contacts are told: True is closed."""

    k1: bool = False
    k2: bool = False

    @property
    def heats(self) -> bool:
        """Whether heat is told to flow."""
        return self.k1 and self.k2


@dataclass(frozen=True, slots=True)
class Sensed:
    """What is sensed of them.

    Parameters
    ----------
    amps
        [A] true RMS; None where there is no number.
    k1_closed
        Auxiliary contact of K1; None where none is fitted.
    """

    amps: float | None = None
    k1_closed: bool | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """What one look shows.

    Parameters
    ----------
    rest
        Whether the heater must rest for `HIGH_POWER_REST_S`.
    """

    faults: tuple[NodeFault, ...] = ()
    rest: bool = False


def believable(amps: float | None) -> bool:
    """Whether a current is a possible number."""
    return amps is not None and math.isfinite(amps) and amps >= 0.0


@dataclass(slots=True)
class ElectricalWatch:
    """The watch over one heater's circuit.

    Parameters
    ----------
    rated_a
        [A] rated current of the heater; None where no current is sensed, or it is too small to tell.
    """

    rated_a: float | None
    power: PowerWatch = field(init=False)
    _pauses: Interruptions = field(default_factory=Interruptions)
    _told_open: Lasting = field(default_factory=Lasting)
    _flows: Lasting = field(default_factory=Lasting)
    _missing: Lasting = field(default_factory=Lasting)
    _contradicts: Lasting = field(default_factory=Lasting)
    _doubted: Lasting = field(default_factory=Lasting)

    def __post_init__(self) -> None:
        self.power = PowerWatch(self.rated_a or math.inf)

    def see(self, told: Told, sensed: Sensed, now_s: float) -> Finding:
        """Take one look; `told` is what was in force while `sensed` was measured."""
        faults = self._aux(told, sensed.k1_closed, now_s)
        if self.rated_a is None:
            return Finding(faults)
        amps = sensed.amps
        if self._doubted.seconds(not believable(amps), now_s) >= limits.SENSOR_DOUBTED_S:
            faults += (NodeFault.SENSOR,)
        if amps is None or not believable(amps):
            return Finding(faults)
        faults += self._while_open(told, amps, now_s) + self._while_closed(told, amps, now_s)
        wrong, rest = self.power.see(told.heats, amps, now_s)
        return Finding(faults + wrong, rest)

    def _aux(self, told: Told, k1_closed: bool | None, now_s: float) -> tuple[NodeFault, ...]:
        contradicts = k1_closed is not None and k1_closed != told.k1
        lasted_s = self._contradicts.seconds(contradicts, now_s)
        return (NodeFault.NOT_FOLLOWING,) if lasted_s >= limits.NOT_FOLLOWING_S else ()

    def _while_open(self, told: Told, amps: float, now_s: float) -> tuple[NodeFault, ...]:
        open_s = self._told_open.seconds(not told.k1, now_s)
        flows_s = self._flows.seconds(not told.k1 and amps > limits.FLOW_A, now_s)
        wrong = open_s >= limits.OPEN_SETTLE_S and flows_s >= limits.FLOW_STEADY_S
        return (NodeFault.CURRENT_WHEN_OPEN,) if wrong else ()

    def _while_closed(self, told: Told, amps: float, now_s: float) -> tuple[NodeFault, ...]:
        flows = amps >= limits.FLOW_A
        missing_s = self._missing.seconds(told.heats and not flows, now_s)
        faults = self._pauses.see(told.heats, flows, now_s)
        return (*faults, NodeFault.NO_CURRENT) if missing_s > limits.NO_CURRENT_S else faults
