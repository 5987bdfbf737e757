"""A simulated board: circuit, clock, watchdog and store, with the node's program on it. It moves when told."""

import hashlib
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import replace

from controller.node.contacts import Circuit
from controller.node.electrical import Sensed, Told
from controller.node.guard import Guard
from controller.node.memory import MemoryStore
from controller.node.uptime import SPAN, Uptime
from controller.safety import node_limits as limits
from controller.safety.node_fault import NodeFault


def boot_wait_s(name: str) -> float:
    """Return [s] for which a node obeys no "on" after a boot: the shortest off time, and its own share of a minute.

    Mains that return must not meet every heater of a site at once (hazard W01). The share comes from the node's name:
    always the same for one node, spread evenly over many.
    """
    drawn = int.from_bytes(hashlib.sha256(name.encode()).digest()[:4], "big") / 2**32
    return limits.SHORTEST_OFF_S + drawn * limits.LONGEST_STAGGER_S


class Board:
    """One node's hardware and program.

    Parameters
    ----------
    now_s
        [s] true time at power-on.
    wait_s
        [s] of `boot_wait_s`; 0 where tests do not want to wait.
    clock_rate
        Seconds that the board's clock counts in one true second.
    millis
        [ms] what its 32-bit clock shows at power-on.
    has_sensor
        Whether a current sensor is fitted.
    """

    def __init__(
        self, circuit: Circuit, key: bytes | None, store: MemoryStore, now_s: float, *, wait_s: float = 0.0,
        clock_rate: float = 1.0, millis: int = 0, has_sensor: bool = True,
    ) -> None:  # fmt: skip
        self.circuit, self.hung = circuit, False
        self._key, self._store, self._wait_s = key, store, wait_s
        self._clock_rate, self._millis, self._start_s = clock_rate, millis, now_s
        self._rated_a = circuit.load.rated_w / circuit.load.volts if has_sensor else None
        self._boot(now_s)

    def _boot(self, now_s: float) -> None:
        self.hung, self._fed_s = False, now_s
        self._uptime = Uptime(self._clock_ms(now_s))
        self.guard = Guard(self._key, self._rated_a, self._store.load(), self._wait_s)
        self._remember()
        self.circuit.told = self.guard.told
        self.circuit.settle(now_s)

    def _clock_ms(self, now_s: float) -> int:
        return (self._millis + round((now_s - self._start_s) * self._clock_rate * 1000)) % SPAN

    @property
    def runs(self) -> bool:
        """Whether there is a program at work that could speak."""
        return self.circuit.powered and not self.hung

    @property
    def sensed(self) -> Sensed:
        """What the program can sense."""
        return Sensed(None if self._rated_a is None else self.circuit.amps, self.circuit.aux)

    def turn(self, now_s: float, commands: Iterable[tuple[bytes, bool]] = ()) -> None:
        """Let the loop turn once at `now_s` [s] true time, with the commands (payload, retained) that came."""
        self.circuit.settle(now_s)
        if not self.circuit.powered:
            return
        if self.hung:
            self._watch_the_loop(now_s)
            return
        node_s = self._uptime.seconds(self._clock_ms(now_s))
        for payload, retained in commands:
            self.guard.receive(payload, retained, node_s)
        told = self.guard.advance(self.sensed, node_s)
        # Kept before any contact moves: a reset just after must not forget that this command was obeyed.
        self.circuit.told = told if self._remember() else Told()
        self._fed_s = now_s
        self.circuit.pulse(now_s)
        self.circuit.settle(now_s)

    def _watch_the_loop(self, now_s: float) -> None:
        """Do as the hardware watchdog does: it resets the processor, whatever the program thinks of it."""
        if now_s - self._fed_s >= limits.WATCHDOG_S:
            self._boot(now_s)

    def _remember(self) -> bool:
        try:
            self._store.save(self.guard.memory)
        except OSError:
            self.guard.lock(NodeFault.MEMORY_LOST)
            return False
        return True

    def lose_mains(self, now_s: float) -> None:
        """Take away the mains: the processor stops and both coils fall."""
        self.circuit.powered = False
        self.circuit.settle(now_s)

    def regain_mains(self, now_s: float) -> None:
        """Give the mains back: the processor boots."""
        self.circuit.powered = True
        self._boot(now_s)

    def report(self, now_s: float) -> bytes:
        """Write heater/state."""
        return self.guard.report(self.sensed, self._uptime.seconds(self._clock_ms(now_s)))

    def shut_down(self, now_s: float) -> None:
        """End in order: contacts open, and this boot counts towards no loop, if the store takes that."""
        self.circuit.told = Told()
        self.circuit.settle(now_s)
        with suppress(OSError):
            self._store.save(replace(self.guard.memory, boots=0))
