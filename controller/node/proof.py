"""The proof before arming: each contact closed alone must pass no current. Pure."""

from dataclasses import dataclass, field
from enum import StrEnum

from controller.node.electrical import Told
from controller.node.lasting import Lasting
from controller.safety import node_limits as limits
from controller.safety.node_fault import NodeFault


class Proved(StrEnum):
    """How the proof stands."""

    NOT_YET = ""
    RUNNING = "running"
    PASSED = "passed"
    FAILED = "failed"
    NOT_POSSIBLE = "not-possible"


_STEPS = (
    (Told(k1=True), limits.PROOF_STEP_S, NodeFault.K2_WELDED),
    (Told(), limits.PROOF_PAUSE_S, NodeFault.CURRENT_WHEN_OPEN),
    (Told(k2=True), limits.PROOF_STEP_S, NodeFault.CURRENT_WHEN_OPEN),
)
"""What is told, for how long [s], and which fault a current then shows. No step closes both, so none makes heat."""


@dataclass(slots=True)
class Proof:
    """The proof of K1 and K2."""

    stands: Proved = Proved.NOT_YET
    _step: int = 0
    _step_s: float = 0.0
    _looked_s: float = 0.0
    _passed_s: float = float("-inf")
    _flows: Lasting = field(default_factory=Lasting)

    def begin(self, can_sense: bool, now_s: float) -> None:
        """Begin it; without a current sensor nothing can be proved, and arming goes on."""
        self.stands = Proved.RUNNING if can_sense else Proved.NOT_POSSIBLE
        self._enter(0, now_s)
        self._looked_s = now_s

    def _enter(self, step: int, now_s: float) -> None:
        self._step, self._step_s, self._flows = step, now_s, Lasting()

    def break_off(self) -> None:
        """Forget a proof that was still running."""
        if self.stands is Proved.RUNNING:
            self.stands = Proved.NOT_YET

    def spoil(self) -> None:
        """A fault came up: a running proof has failed, and an earlier one is worth nothing."""
        self.stands = Proved.FAILED if self.stands in {Proved.RUNNING, Proved.FAILED} else Proved.NOT_YET

    def holds(self, now_s: float) -> bool:
        """Whether an arming edge may go without a new proof."""
        return self.stands is Proved.PASSED and now_s - self._passed_s < limits.PROOF_GOOD_S

    @property
    def permits(self) -> bool:
        """Whether both contacts may be closed together."""
        return self.stands in {Proved.PASSED, Proved.NOT_POSSIBLE}

    @property
    def told(self) -> Told:
        """What the contacts are told by a running proof."""
        return _STEPS[self._step][0]

    def advance(self, amps: float | None, now_s: float) -> NodeFault | None:
        """Let time pass in a running proof; returns the fault that ends it.

        Parameters
        ----------
        amps
            [A] sensed while `told` was in force. What is no number counts as current.
        """
        _, lasts_s, fault = _STEPS[self._step]
        stood_still, self._looked_s = now_s - self._looked_s > limits.LONGEST_TURN_S, now_s
        if stood_still:
            self._enter(self._step, now_s)
            return None
        flows = amps is None or not amps <= limits.FLOW_A
        flowed_s, over = self._flows.seconds(flows, now_s), now_s - self._step_s >= lasts_s
        if flowed_s >= limits.FLOW_STEADY_S or (flows and over):
            return fault
        if over and self._step + 1 < len(_STEPS):
            self._enter(self._step + 1, now_s)
        elif over:
            self.stands, self._passed_s = Proved.PASSED, now_s
        return None
