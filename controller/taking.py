"""Messages taken in: what they say goes to its keeper, and whoever must not wait for the next tick gets a turn."""

from collections.abc import Mapping

from controller.keeper import Keeper
from controller.nodes_heard import NodesHeard
from controller.probe import Reading
from controller.routing import Routing
from controller.ticking import Ticking
from controller.wire.inbox import Message

MOST_WAITING = 250
"""Readings of one enclosure that call for its tick: it takes them in some ms, for which a hot one of another enclosure
must wait. Source: engineering judgement."""


class Taking:
    """What comes, given to every enclosure that it speaks to."""

    def __init__(self, keepers: Mapping[str, Keeper], routing: Routing, nodes: NodesHeard, ticking: Ticking) -> None:
        self._keepers, self._routing, self._nodes, self._ticking = keepers, routing, nodes, ticking

    def take(self, message: Message, epoch: int) -> frozenset[str]:
        """Take a message, while our epoch is this; returns the enclosures whose readings it holds."""
        name = self._routing.states.get(message.topic)
        if name is not None:
            if self._nodes.take(name, message, epoch):
                self._ticking.has_news(name, message.arrived.mono_s)
            return frozenset()
        return frozenset([self._taken(reading) for reading in self._routing.readings(message)])

    def _taken(self, reading: Reading) -> str:
        """Give a reading to its enclosure; returns whose it is."""
        keeper = self._keepers[reading.enclosure]
        keeper.readings.append(reading)
        watch = keeper.plan.watches[reading.probe]
        hot = watch.over is not None and reading.value >= watch.over
        is_now = reading.arrived_ms - reading.stamp_ms <= watch.stale_after_s * 1000
        # Nothing depends on what is told of long ago, nor on what can open no contact: it waits for the next tick.
        if hot or (is_now and keeper.state.may_be_closed) or len(keeper.readings) >= MOST_WAITING:
            self._ticking.has_news(reading.enclosure, reading.arrived_s, hot=hot)
        return reading.enclosure
