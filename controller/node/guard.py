"""The node's program: what the lease grants, let through only while contacts, heater and program are sound. Pure."""

import math

from controller.node.electrical import ElectricalWatch, Sensed, Told, believable
from controller.node.memory import Memory
from controller.node.proof import Proof, Proved
from controller.node.relay_core import SEQ_SPAN, RelayCore, newer
from controller.safety import node_limits as limits
from controller.safety.digest import PROGRAMMED, limits_digest
from controller.safety.node_fault import NodeFault
from controller.wire.relay import Health, encode_report

CHECK_EVERY_S = 10.0
"""[s] The figures are compared with their digest this often (hazard N13). Not one of them itself: a bit flipped there
would end the checks."""


class Guard:
    """One boot of a node; all times are [s] since that boot, by the node's own clock.

    Parameters
    ----------
    key
        Shared with the controller.
    rated_a
        [A] rated current of the heater, or None where no current is sensed.
    memory
        What the store held at boot.
    boot_wait_s
        [s] in which no "on" is obeyed, so that nodes do not all switch on at once when mains return.
    """

    def __init__(self, key: bytes | None, rated_a: float | None, memory: Memory, boot_wait_s: float) -> None:
        self._can_sense = rated_a is not None and rated_a >= limits.SMALLEST_PROVABLE_A
        self.core = RelayCore(key, epoch=memory.epoch, seq=memory.seq, rests_until_s=boot_wait_s)
        self.watch = ElectricalWatch(rated_a if self._can_sense else None)
        self.proof = Proof()
        self.told = Told()
        self.boots = memory.boots + 1
        self.faults: list[NodeFault] = list(memory.faults)
        self._seq_kept, self._epoch_kept = memory.seq, memory.epoch
        self._disarmed_since_fault = False
        self._digest, self._checked_s = PROGRAMMED, -math.inf
        if self.boots > limits.BOOTS:
            self.lock(NodeFault.BOOT_LOOP)

    @property
    def memory(self) -> Memory:
        """What the store must hold."""
        return Memory(self._epoch_kept, self._seq_kept, self.boots, tuple(self.faults))

    def lock(self, fault: NodeFault) -> None:
        """Hold both contacts open until a person has had it disarmed and armed, and the proof passes."""
        if fault not in self.faults:
            self.faults.append(fault)
            self._disarmed_since_fault = False
        self.proof.spoil()

    def receive(self, payload: bytes, retained: bool, now_s: float) -> str:
        """Take one command; returns "" if it was obeyed, else why not."""
        was_armed = self.core.armed
        reason = self.core.receive(payload, retained, now_s)
        if reason:
            return reason
        self._reserve_numbers()
        if not self.core.armed:
            self._disarmed_since_fault = True
        elif not was_armed:
            self._arm(now_s)
        return ""

    def _reserve_numbers(self) -> None:
        """Keep a number somewhat ahead, so that the store is written once in many commands."""
        if self.core.epoch != self._epoch_kept or newer(self.core.seq, self._seq_kept):
            self._epoch_kept, self._seq_kept = self.core.epoch, (self.core.seq + limits.SEQ_RESERVE) % SEQ_SPAN

    def _arm(self, now_s: float) -> None:
        """Prove the contacts at an arming edge, unless a recent proof holds.

        A lease that lapsed and came back is no arming by a person, so it ends no fault.
        """
        if self.faults and not self._disarmed_since_fault:
            return
        if not self.proof.holds(now_s):
            self.proof.begin(self._can_sense, now_s)
        if self.proof.permits:
            self._forgive(now_s)

    def _forgive(self, now_s: float) -> None:
        self.faults.clear()
        self._check_constants(now_s)

    def advance(self, sensed: Sensed, now_s: float) -> Told:
        """Let time pass; returns what the contacts are told.

        Parameters
        ----------
        sensed
            Measured while the last answer was in force.
        """
        self.core.advance(now_s)
        if now_s >= limits.BOOT_SPAN_S:
            self.boots = 1
        if now_s - self._checked_s >= CHECK_EVERY_S:
            self._check_constants(now_s)
        finding = self.watch.see(self.told, sensed, now_s)
        for fault in finding.faults:
            self.lock(fault)
        if finding.rest:
            self.core.rest(now_s + limits.HIGH_POWER_REST_S)
        if not self.core.armed:
            self.proof.break_off()
        if self.proof.stands is Proved.RUNNING:
            self._prove(sensed, now_s)
        self.told = self._let_through()
        return self.told

    def _check_constants(self, now_s: float) -> None:
        self._digest, self._checked_s = limits_digest(), now_s
        if self._digest != PROGRAMMED:
            self.lock(NodeFault.CONSTANTS)

    def _prove(self, sensed: Sensed, now_s: float) -> None:
        fault = self.proof.advance(sensed.amps, now_s)
        if fault is not None:
            self.lock(fault)
        elif self.proof.permits:
            self._forgive(now_s)

    def _let_through(self) -> Told:
        if self.proof.stands is Proved.RUNNING:
            return self.proof.told
        if self.faults or not self.core.armed or not self.proof.permits:
            return Told()
        # K1 follows K2 by a turn, so that the load is always switched by K1 and never welds K2.
        return Told(self.core.on and self.told.k2, True)

    @property
    def _health(self) -> Health:
        notices = ("power-low",) if self.watch.power.low else ()
        refused = tuple(self.core.refused.items())
        return Health(tuple(self.faults), notices, refused, self._digest, self.boots, self.proof.stands, self.core.by)

    def report(self, sensed: Sensed, now_s: float) -> bytes:
        """Write heater/state; a contact closed by the proof alone is not reported as closed, since it heats nothing."""
        core = self.core
        armed = self.told.k2 and self.proof.stands is not Proved.RUNNING
        # A number restored from the store was put aside, not obeyed.
        seq = core.seq if core.has_obeyed else 0
        amps = sensed.amps if believable(sensed.amps) else None
        left_s = core.lease_left_s(now_s)
        return encode_report(
            self.told.heats, armed, max(core.epoch, 0), seq, left_s, amps, core.drops, now_s, self._health
        )
