"""The heater's power, from its current: half, low, high or far too high. Pure."""

from dataclasses import dataclass, field

from controller.node.lasting import Lasting
from controller.safety import node_limits as limits
from controller.safety.node_fault import NodeFault


def power_share(amps: float, rated_a: float) -> float:
    """Return power over rated power of a resistive heater: the square of its RMS current over the rated one.

    Notes
    -----
    Right for mains off their nominal voltage (1.21 at +10 %) and for a missing half-wave (0.5). For a heater whose
    resistance has changed it exaggerates, upwards towards a fault: 1.3 times the rated power reads 1.69.
    """
    part = amps / rated_a
    # Not `** 2`, which raises where this is infinite: a sensor gone wild is over-power, and no end of the program.
    return part * part


@dataclass(slots=True)
class PowerWatch:
    """Watches one heater.

    Parameters
    ----------
    rated_a
        [A] rated current.
    low
        Whether power was low at the last look at a current, and yet no fault: people are told, heat goes on
        (hazard W03).
    """

    rated_a: float
    low: bool = False
    _half: Lasting = field(default_factory=Lasting)
    _low: Lasting = field(default_factory=Lasting)
    _high: Lasting = field(default_factory=Lasting)
    _over: Lasting = field(default_factory=Lasting)
    _rested_s: float = float("-inf")

    def see(self, heats: bool, amps: float, now_s: float) -> tuple[tuple[NodeFault, ...], bool]:
        """Take one look; returns faults, and whether the heater must rest for a minute."""
        share = power_share(amps, self.rated_a)
        flows = heats and amps >= limits.FLOW_A
        least, most = limits.HALF_POWER
        half_s = self._half.seconds(flows and least <= share <= most, now_s)
        low_s = self._low.seconds(flows and share < limits.LOW_POWER, now_s)
        # No current at all is below it too, so the pauses of a cycle change nothing here.
        self.low = share < limits.LOW_POWER and (self.low or low_s >= limits.POWER_STEADY_S)
        over_s = self._over.seconds(flows and share > limits.OVER_POWER, now_s)
        high_s = self._high.seconds(flows and share > limits.HIGH_POWER, now_s)
        if half_s >= limits.HALF_POWER_S:
            return (NodeFault.HALF_POWER,), False
        if over_s >= limits.POWER_STEADY_S:
            return (NodeFault.OVER_POWER,), False
        return self._rest(now_s) if high_s >= limits.POWER_STEADY_S else ((), False)

    def _rest(self, now_s: float) -> tuple[tuple[NodeFault, ...], bool]:
        if now_s - self._rested_s < limits.HIGH_POWER_SPAN_S:
            return (NodeFault.OVER_POWER,), False
        self._rested_s = now_s
        return (), True
