"""What a node finds wrong with its own contacts, heater or program, and what people are told of it."""

from enum import StrEnum


class NodeFault(StrEnum):
    """Why a node has locked itself off."""

    CURRENT_WHEN_OPEN = "current-when-open"
    K2_WELDED = "k2-welded"
    NOT_FOLLOWING = "contact-does-not-follow"
    INTERMITTENT = "contact-intermittent"
    NO_CURRENT = "no-current"
    HALF_POWER = "half-power"
    OVER_POWER = "over-power"
    SELF_INTERRUPTING = "self-interrupting"
    SENSOR = "current-sensor"
    BOOT_LOOP = "boot-loop"
    CONSTANTS = "constants"
    MEMORY_LOST = "memory-lost"


WORDS: dict[NodeFault, str] = {
    NodeFault.CURRENT_WHEN_OPEN: "current flows though K1 is told to open: a welded contact, a shorted driver, or a"
    " heater connected past the relay. Switch off at the breaker and look",
    NodeFault.K2_WELDED: "K2 does not open: replace it before heating again",
    NodeFault.NOT_FOLLOWING: "K1 does not do what it is told: look at its coil, its driver and its auxiliary contact",
    NodeFault.INTERMITTENT: "the current drops out again and again: a worn contact or a loose terminal, which gets hot",
    NodeFault.NO_CURRENT: "no current though both contacts are closed: look at the heating element, its thermal fuse or"
    " cut-out, the earth-fault breaker, the plug, a heater connected past the relay, and the coils of K1 and K2",
    NodeFault.HALF_POWER: "the heater draws about half its power: one half-wave of a solid-state relay, or part of the"
    " element, has failed",
    NodeFault.OVER_POWER: "the heater draws more than its rated power: a partial short, a larger heater than the"
    " settings say, or mains far too high",
    NodeFault.SELF_INTERRUPTING: "the heater switches itself off and on: its own thermal cut-out acts, so it is too"
    " hot. Look for leaves, cloth or a stopped fan",
    NodeFault.SENSOR: "the current sensor gives no possible value: look at it and its wires",
    NodeFault.BOOT_LOOP: "the node restarts again and again: look at its supply",
    NodeFault.CONSTANTS: "the node's limits have changed in its memory: restart it, and replace it if that comes back",
    NodeFault.MEMORY_LOST: "the node's own store cannot be read or written: look at its memory card",
}
"""Plain words for each fault: what it shows, and where to look."""
