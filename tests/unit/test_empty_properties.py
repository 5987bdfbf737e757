"""paho's properties are made at less cost and say what they said before; a paho of another make is left alone."""

import pytest
from paho.mqtt import MQTTException
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from controller.wire import session
from controller.wire.empty_properties import lighten

SAID = {
    "PayloadFormatIndicator": (1, "0101"),
    "MessageExpiryInterval": (15, "020000000f"),
    "ContentType": ("a", "03000161"),
    "ResponseTopic": ("b/c", "080003622f63"),
    "CorrelationData": (b"\x00\xff", "09000200ff"),
    "SubscriptionIdentifier": ([300], "0bac02"),
    "TopicAlias": (7, "230007"),
    "UserProperty": ([("k", "v"), ("k", "w")], "2600016b000176" + "2600016b000177"),
}
"""What a PUBLISH may say, and how it is written (MQTT 5.0, section 2.2.2.2)."""


def _new(packet: int = PacketTypes.PUBLISH) -> Properties:
    return Properties(packet)  # type: ignore[no-untyped-call]


def test_all_sets_share_their_tables() -> None:
    """Where this fails, paho makes its properties in another way: see whether `lighten` is still worth its while."""
    assert session.WINDOW > 0, "the door to paho is open"
    one, other = _new(), _new(PacketTypes.CONNECT)
    assert vars(one).keys() == {"packetType", "types", "names", "properties"}
    assert (one.packetType, other.packetType) == (PacketTypes.PUBLISH, PacketTypes.CONNECT)
    for table in ("types", "names", "properties"):
        assert getattr(one, table) is getattr(other, table)


@pytest.mark.parametrize("name", SAID)
def test_each_property_is_written_and_read_as_the_standard_has_it(name: str) -> None:
    """And nothing of it is in the next set, or left once the same set reads an empty one."""
    value, written = SAID[name]
    said = _new()
    setattr(said, name, value)
    packed = bytes([len(written) // 2]) + bytes.fromhex(written)
    assert said.pack() == packed  # type: ignore[no-untyped-call]
    heard, length = _new().unpack(packed + b"payload")  # type: ignore[no-untyped-call]
    assert (getattr(heard, name), length) == (value, len(packed))
    assert not hasattr(_new(), name)
    assert heard.unpack(b"\x00payload") == (heard, 1)
    assert heard.isEmpty()


def test_what_a_packet_may_not_say_is_refused_as_before() -> None:
    """A receive maximum is no property of a message."""
    with pytest.raises(Exception, match="does not apply"):
        _new().ReceiveMaximum = 10


def test_a_paho_of_another_make_is_left_alone() -> None:
    """Slower, and right."""

    class Other(Properties):
        def __init__(self, packet: int) -> None:
            super().__init__(packet)  # type: ignore[no-untyped-call]
            vars(self)["more"] = {}

    assert not lighten(Other)
    assert vars(Other(PacketTypes.PUBLISH))["more"] == {}


@pytest.mark.parametrize(
    "written",
    ["260001750003efbbbf", "0300016103000161", "030001ff", "030005"],
    ids=["a-mark-that-a-text-may-hold", "twice", "no-text", "cut-short"],
)
def test_a_message_is_heard_whatever_its_properties_say(written: str) -> None:
    """B10: at what paho refuses the session ended, and in each new one the broker told that message again."""
    packed = bytes([len(written) // 2]) + bytes.fromhex(written)
    heard, length = _new().unpack(packed + b"payload")  # type: ignore[no-untyped-call]
    assert (heard.isEmpty(), length) == (True, len(packed))
    with pytest.raises((MQTTException, ValueError)):
        _new(PacketTypes.CONNACK).unpack(packed)  # type: ignore[no-untyped-call]
