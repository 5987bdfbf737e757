"""What waits in the broker while the controller is away: every reading, and no state of a contact."""

import time
from pathlib import Path

from controller.wire.relay import encode_report
from controller.wire.senml import encode_senml
from tests.wire.kit import Bench, throughout, until
from tests.wire.link import PUBLISH


class Given:
    """The bodies of all PUBLISH packets that the broker gave the controller."""

    def __init__(self) -> None:
        self.bodies: list[bytes] = []

    def __call__(self, up: bool, first: int, body: bytes) -> None:
        """Take note of one packet."""
        if not up and first >> 4 == PUBLISH:
            self.bodies.append(body)

    def has(self, payload: bytes) -> bool:
        """Whether a packet ended with this payload."""
        return any(body.endswith(payload) for body in self.bodies)


def _state(on: bool, seq: int) -> bytes:
    return encode_report(on, on, 1, seq, 10.0, 2.0, 0, 100.0)


def _last_presence(bench: Bench) -> bytes:
    presence = [heard.payload for heard in bench.spy.heard if heard.topic.endswith("/presence/soilward-controller")]
    return presence[-1] if presence else b""


def test_a_state_said_while_the_controller_was_away_never_comes_and_a_reading_does(tmp_path: Path) -> None:
    """Both are published at QoS 1 and the session is kept; an old "closed" must not make a dead node look alive."""
    given = Given()
    with Bench(tmp_path, given) as bench:
        until("the controller is there", bench.spy.status, 30.0)
        until("readings are kept", bench.kept, 20.0)
        bench.node.stop()
        # Left unacknowledged, the node's own last reading would come again too, and ours so soon after it is refused.
        throughout("the last ones too", bench.kept, 4.0)
        bench.controller.kill()
        # What is published before the broker has seen the link's end is given to the dead link, and again to the next.
        until("the broker knows", lambda: _last_presence(bench) == b"offline", 10.0)
        topic, now_ms = "soilward/larch/heater/state", time.time_ns() // 1_000_000
        old, reading = _state(True, 7001), encode_senml("larch", "outside", "Cel", [(now_ms, 1.125)])
        bench.spy.publish(topic, old)
        bench.spy.publish("soilward/larch/probe/outside", reading)
        bench.controller.start()
        until("the reading comes", lambda: given.has(reading), 30.0)
        fresh = _state(False, 7002)
        until("a fresh state comes", lambda: given.has(fresh), 30.0, lambda: bench.spy.publish(topic, fresh))
        assert not given.has(old)
        until("the reading is stored", lambda: [row[3] for row in bench.kept("outside")].count(1.125) == 1, 30.0)
