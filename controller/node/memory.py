"""What a node must know after a reset: the newest command it may have obeyed, its boots, its faults."""

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from controller.safety.node_fault import NodeFault


@dataclass(frozen=True, slots=True)
class Memory:
    """The contents of a node's small store.

    Parameters
    ----------
    epoch, seq
        No command up to this one is obeyed after a boot; `seq` lies up to `SEQ_RESERVE` ahead of the last obeyed.
    boots
        Boots so far without ten minutes of steady running. The node has no clock that runs while it is off, so it
        counts the time it ran.
    """

    epoch: int = -1
    seq: int = 0
    boots: int = 0
    faults: tuple[NodeFault, ...] = ()


def as_text(memory: Memory) -> str:
    """Write the store's text."""
    return json.dumps(asdict(memory), sort_keys=True)


def from_text(text: str) -> Memory:
    """Read the store's text.

    Raises
    ------
    ValueError
        If anything is missing or not of its kind.
    """
    raw = json.loads(text)
    if not isinstance(raw, dict) or set(raw) != {"epoch", "seq", "boots", "faults"}:
        raise ValueError("the node's store is not of its shape")
    counts = [raw["epoch"], raw["seq"], raw["boots"]]
    if not all(isinstance(each, int) for each in counts) or not isinstance(raw["faults"], list):
        raise ValueError("the node's store holds a value of a wrong kind")
    epoch, seq, boots = counts
    return Memory(epoch, seq, boots, tuple(NodeFault(each) for each in raw["faults"]))


class MemoryStore:
    """A store in a file, or in nothing but this object.

    Parameters
    ----------
    path
        The file; None forgets everything with the process (tests).
    """

    def __init__(self, path: Path | None = None) -> None:
        self._path, self._last = path, Memory()

    def load(self) -> Memory:
        """Return what was kept; a damaged store is a fault of its own, never an empty one."""
        if self._path is None:
            return self._last
        try:
            return from_text(self._path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return Memory()
        except (ValueError, OSError):
            return Memory(faults=(NodeFault.MEMORY_LOST,))

    def save(self, memory: Memory) -> None:
        """Keep it, unless that is what was last kept; a power cut leaves the old or the new one, never half."""
        if memory == self._last:
            return
        if self._path is not None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
            fresh = self._path.with_suffix(".new")
            with open(fresh, "w", encoding="utf-8") as file:
                file.write(as_text(memory))
                file.flush()
                os.fsync(file.fileno())
            os.replace(fresh, self._path)
        self._last = memory
