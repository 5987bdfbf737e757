"""paho's properties at less cost: every message that comes has a set of them, and hardly one says anything.

paho writes out its tables for each set, and asks for all 27 names to clear an empty one: half of what a message costs
there. Its own class names no other to use, so two of its methods are replaced, for the whole process.
"""

from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

_FIELDS = frozenset(("packetType", "types", "names", "properties"))
"""What a set has before anything is said: its kind of packet, and the tables, which nobody changes."""


def lighten(kind: type[Properties] = Properties) -> bool:
    """Let all sets share one copy of the tables; returns whether paho is as we know it, or else is left alone."""
    first = vars(kind(PacketTypes.PUBLISH))
    if first.keys() != _FIELDS:
        return False
    tables = {name: first[name] for name in _FIELDS - {"packetType"}}

    def begin(self: Properties, packetType: int) -> None:  # noqa: N803 - paho's own word
        vars(self).update(tables, packetType=packetType)

    def clear(self: Properties) -> None:
        said = vars(self)
        if len(said) > len(_FIELDS):
            for name in said.keys() - _FIELDS:
                del said[name]

    kind.__init__, kind.clear = begin, clear  # type: ignore[method-assign]
    return True
