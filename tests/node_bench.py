"""A simulated node board on a clock of its own: four turns a second, watched twenty times, commanded each 5 s."""

import json
from collections.abc import Callable
from typing import Any

from controller.node.board import Board
from controller.node.contacts import Circuit, Load
from controller.node.memory import MemoryStore
from controller.safety.lease import Order
from controller.wire.relay import encode_command

KEY = b"k" * 32
ON, READY, OFF = Order(True, True, ""), Order(False, True, ""), Order(False, False, "")
BEGAN_MS = 1_772_400_000_000
STEP_S, TURN_STEPS, RENEW_STEPS = 0.05, 5, 100
Watch = Callable[["NodeBench"], object]


class NodeBench:
    """One board with a 460 W heater at 230 V (2 A).

    Parameters
    ----------
    board
        As for `Board`.
    """

    def __init__(self, circuit: Circuit | None = None, store: MemoryStore | None = None, **board: Any) -> None:
        self.circuit = circuit or Circuit(Load(460.0, 230.0))
        self.board = Board(self.circuit, KEY, store or MemoryStore(), 0.0, **board)
        self.step = self.seq = 0
        self.order: Order | None = OFF
        self.waiting: list[tuple[bytes, bool]] = []
        self.closed: list[int] = []

    @property
    def now_s(self) -> float:
        """[s] true time."""
        return self.step * STEP_S

    @property
    def faults(self) -> list[str]:
        """What the node has locked itself off for."""
        return [str(each) for each in self.board.guard.faults]

    @property
    def heats(self) -> bool:
        """Whether current flows through the heater."""
        return self.circuit.watts > 0.0

    def command(self, order: Order, seq: int, key: bytes = KEY, epoch: int = 1) -> bytes:
        """Return a command issued now."""
        return encode_command(order, 15.0, epoch, seq, BEGAN_MS + round(self.now_s * 1000), "bench", key)

    def tell(self, order: Order | None) -> None:
        """Order this from now on, at once and every 5 s; None falls silent."""
        self.order = order
        self._speak()

    def _speak(self) -> None:
        if self.order is not None:
            self.seq += 1
            self.waiting.append((self.command(self.order, self.seq), False))

    def run(self, seconds: float, each: Watch | None = None) -> None:
        """Let time pass, calling `each` before every step."""
        for _ in range(round(seconds / STEP_S)):
            self.step += 1
            if each is not None:
                each(self)
            if self.step % RENEW_STEPS == 0:
                self._speak()
            if self.step % TURN_STEPS == 0:
                self.board.turn(self.now_s, self.waiting)
                self.waiting = []
            else:
                self.circuit.settle(self.now_s)
            if self.circuit.passes > 0.0:
                self.closed.append(self.step)

    def heat(self) -> None:
        """Arm, prove and heat."""
        self.tell(ON)
        self.run(10.0)
        assert self.heats, "the bench does not heat before the fault"

    def last_closed_s(self, since_s: float) -> float:
        """Return how long after `since_s` the contact path was closed last [s]; 0 if never."""
        return max(self.closed[-1] * STEP_S - since_s, 0.0) if self.closed else 0.0

    def open_after_s(self, within_s: float, each: Watch | None = None) -> float:
        """Run until the contact path is open; return after how long [s]."""
        start_s = self.now_s
        while self.circuit.passes > 0.0:
            assert self.now_s - start_s <= within_s, f"still closed after {within_s} s"
            self.run(STEP_S, each)
        return self.now_s - start_s

    def report(self) -> dict[str, Any]:
        """Return heater/state as it would be published now."""
        found: dict[str, Any] = json.loads(self.board.report(self.now_s))
        return found
