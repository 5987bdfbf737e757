"""Our presence at the broker: whether it brings our own messages back, and whether somebody else bears our name."""

import logging
from collections.abc import Iterator
from typing import Any

import paho.mqtt.client as mqtt

from controller.clock import Clock
from controller.wire.canary import Canary
from controller.wire.flaps import Flaps
from controller.wire.rivals import SESSION_TAKEN_OVER, Rivals

log = logging.getLogger("soilward.wire")


class Presence:
    """What is said at `{root}/presence/{id}` and comes back from `.../canary`.

    Parameters
    ----------
    root, name
        Root topic and our client id.
    """

    def __init__(self, root: str, name: str, clock: Clock) -> None:
        self.topic = f"{root}/presence/{name}"
        self.canary_topic = f"{self.topic}/canary"
        self.is_stalled = False
        self._name, self._clock = name, clock
        self._canary, self._rivals, self._ends = Canary(), Rivals(), Flaps()
        self._thrown_out = False

    @property
    def has_yielded(self) -> bool:
        """Whether another client has won our name: we connect no more."""
        return self._rivals.have_won

    @property
    def fault(self) -> str:
        """Why this session is not good enough to heat by, in words; "" if it is."""
        if self.has_yielded:
            who = f"another client keeps connecting as '{self._name}'"
            return f"{who}; stop it, or give each controller a broker.controller of its own, and start this one anew"
        return "the broker takes messages and delivers none" if self.is_stalled else ""

    def notes(self, now_s: float) -> Iterator[tuple[str, str]]:
        """Yield (name, words) of what a person should know."""
        if self.fault:
            yield "broker:link", self.fault
        if self._ends.is_flapping(now_s):
            yield "broker:flaps", f"our session ends again and again: a bad network, or another '{self._name}'"

    def begin(self, client: mqtt.Client) -> None:
        """Take up a new connection."""
        self._canary.begin()
        self.is_stalled = False
        client.publish(self.topic, b"online", qos=1, retain=True)

    def ended(self, client: mqtt.Client, reason: Any) -> None:
        """Take the end of a connection."""
        if reason.is_failure:
            self._ends.lost(self._clock.now().mono_s)
        self._thrown_out = reason.value == SESSION_TAKEN_OVER
        if self._thrown_out:
            self._taken_over(client)

    def look(self, client: mqtt.Client, connected: bool) -> bool:
        """Once a second: send the canary when it is due; returns whether the broker stalls or recovers just now."""
        now_s = self._clock.now().mono_s
        stalled = connected and self._canary.is_missed(now_s)
        changed, self.is_stalled = stalled != self.is_stalled, stalled
        if changed:
            log.warning("the broker %s", "delivers nothing" if stalled else "delivers again")
        if connected and self._canary.is_due(now_s):
            self._send_canary(client)
        return changed

    def take(self, client: mqtt.Client, payload: bytes, retained: bool) -> None:
        """Ours has come back; or another controller's lies there since we were last connected, so it took our place.

        What one that yields had still on its way lies there for the other: were neither to hold out, both could yield.
        """
        if not retained:
            self._canary.hear(payload)
            return
        if self._canary.is_foreign(payload) and not self._thrown_out:
            self._taken_over(client, holds_out=self._canary.outranks(payload))
        if not self.has_yielded:
            self._send_canary(client)

    def _send_canary(self, client: mqtt.Client) -> None:
        """QoS 1, the way orders go: a broker that drops those brings no canary back either (hazard B07)."""
        client.publish(self.canary_topic, self._canary.next(self._clock.now().mono_s), qos=1, retain=True)

    def _taken_over(self, client: mqtt.Client, holds_out: bool = False) -> None:
        if self._rivals.took_over(self._clock.now().mono_s, holds_out):
            log.error("%s", self.fault)
            # In a callback, this ends paho's reconnecting too.
            client.disconnect()
