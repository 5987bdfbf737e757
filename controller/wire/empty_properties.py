"""paho's properties at less cost: every message that comes has a set of them, and hardly one says anything.

paho writes out its tables for each set, and asks for all 27 names to clear an empty one: half of what a message costs
there. And it ends the session at U+FEFF in a property, at which the broker tells the message again in the next one, for
good. Its own class names no other to use, so some of its methods are replaced, for the whole process.
"""

from paho.mqtt import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties, VariableByteIntegers

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

    read = kind.unpack

    def unpack(self: Properties, buffer: bytes) -> tuple[Properties, int]:
        try:
            return read(self, buffer)  # type: ignore[no-untyped-call, no-any-return]
        except (MQTTException, ValueError, LookupError):
            if self.packetType != PacketTypes.PUBLISH:
                raise
            # A text may hold U+FEFF (MQTT 5.0, section 1.5.4). No property tells us anything, so all of this message's
            # are passed over, and its payload is heard.
            self.clear()  # type: ignore[no-untyped-call]
            length, written = VariableByteIntegers.decode(buffer)  # type: ignore[no-untyped-call]
            return self, length + written

    kind.__init__, kind.clear, kind.unpack = begin, clear, unpack  # type: ignore[method-assign]
    return True
