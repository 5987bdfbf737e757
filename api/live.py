"""What is true now, as the broker tells it: the newest status of each enclosure, and which of them are silent.

Everything but the paho callbacks runs on the event loop; the callbacks only stamp and queue.
"""

import asyncio
import secrets
from collections.abc import AsyncIterator, Iterator
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from api.heard import SILENT_AFTER_S, Heard, decoded
from api.listeners import Listeners, Welcome, anybody, event
from controller.clock import Clock, Moment, rfc3339
from controller.settings import Settings
from controller.wire import session

LOOK_EVERY_S = 1.0


class Live:
    """Follows the controller over MQTT and tells every listening page.

    Parameters
    ----------
    settings
        Broker, root topic and the enclosures that are known.
    clock
        Stamps arrivals.
    """

    def __init__(self, settings: Settings, clock: Clock) -> None:
        self._settings = settings
        self._clock = clock
        self._began = clock.now()
        self._heard: dict[str, Heard] = {}
        self._heater: dict[str, tuple[dict[str, Any], Moment]] = {}
        self._silent: set[str] = set()
        self.listeners = Listeners(clock, len(settings.enclosure))
        self._client: mqtt.Client | None = None
        self.connected = False
        self.refused = 0
        """Payloads that were not understood."""

    def start(self, loop: asyncio.AbstractEventLoop) -> None:
        """Connect in the background and keep trying; returns at once."""
        client_id = f"soilward-api-{secrets.token_hex(4)}"
        self._client = session.make_client(self._settings, client_id, reading_only=True)

        def on_connect(*_: object) -> None:
            self._subscribe()

        def on_subscribe(_c: object, _u: object, _mid: int, codes: list[ReasonCode], _p: object) -> None:
            loop.call_soon_threadsafe(self._granted, codes)

        def on_disconnect(*_: object) -> None:
            loop.call_soon_threadsafe(self._lost)

        def on_message(_c: object, _u: object, message: mqtt.MQTTMessage) -> None:
            arrived = self._clock.now()
            loop.call_soon_threadsafe(self.accept, message.topic, bytes(message.payload), message.retain, arrived)

        self._client.on_connect = on_connect
        self._client.on_subscribe = on_subscribe
        self._client.on_disconnect = on_disconnect
        self._client.on_message = on_message
        session.connect(self._client, self._settings.broker, kept=False)

    def stop(self) -> None:
        """Leave the broker and end every listener."""
        self.close()
        if self._client is not None:
            self._client.on_disconnect = None
            self._client.disconnect()
            self._client.loop_stop()

    def close(self) -> None:
        """End every listener; later ones end after their first events."""
        self.listeners.close()

    def heard(self, enclosure: str) -> Heard | None:
        """Return the newest status of an enclosure, or None if none ever came."""
        return self._heard.get(enclosure)

    def heater(self, enclosure: str) -> tuple[dict[str, Any], Moment] | None:
        """Return the newest word of the enclosure's node on its contact and our receipt of it, or None."""
        return self._heater.get(enclosure)

    def age_s(self, enclosure: str) -> float | None:
        """[s] age of the newest status now, or None if none ever came."""
        heard = self._heard.get(enclosure)
        return None if heard is None else heard.age_s(self._clock.now())

    def is_silent(self, enclosure: str) -> bool:
        """Whether nothing is known about now."""
        age_s = self.age_s(enclosure)
        return age_s is None or age_s > SILENT_AFTER_S

    def accept(self, topic: str, payload: bytes, retained: bool = False, arrived: Moment | None = None) -> None:
        """Take one message; one that is not understood is counted and changes nothing.

        Parameters
        ----------
        topic
            Full topic, with the root.
        payload
            JSON object, at most 256 KiB.
        retained
            Whether the broker had kept it: then its own `at_ms` says how old it is.
        arrived
            Our receipt; now if None.
        """
        arrived = arrived or self._clock.now()
        enclosure, _, leaf = topic.removeprefix(f"{self._settings.broker.root}/").partition("/")
        found = decoded(payload)
        if self._settings.named(enclosure) is None or found is None:
            self.refused += 1
        elif leaf == "heater/state":
            self._heater[enclosure] = (found, arrived)
        elif leaf == "status" and found.get("enclosure") == enclosure and isinstance(found.get("at_ms"), int):
            age_s = abs(arrived.utc_ms - found["at_ms"]) / 1000 if retained else 0.0
            self._take(enclosure, Heard(found, arrived, age_s))
        else:
            self.refused += 1

    def _take(self, enclosure: str, heard: Heard) -> None:
        self._heard[enclosure] = heard
        if self.is_silent(enclosure):
            return
        if enclosure in self._silent:
            self._silent.discard(enclosure)
            self.listeners.tell(self._silence(enclosure))
        self.listeners.tell(_known(heard, heard.arrived))

    async def watch(self) -> None:
        """Look for silence until cancelled."""
        while True:
            self.look()
            await asyncio.sleep(LOOK_EVERY_S)

    def look(self) -> None:
        """Tell every listener of each enclosure that has just fallen silent."""
        still_starting = self._clock.now().mono_s - self._began.mono_s <= SILENT_AFTER_S
        for each in self._settings.enclosure:
            waiting = each.name not in self._heard and still_starting
            if each.name not in self._silent and self.is_silent(each.name) and not waiting:
                self._silent.add(each.name)
                self.listeners.tell(self._silence(each.name))

    def events(self, welcome: Welcome = anybody, caller: str = "") -> AsyncIterator[str]:
        """Yield server-sent events: what is known first, then every change.

        Parameters
        ----------
        welcome
            Asked again and again while the stream lasts; it ends once the answer is no.
        caller
            The listener's address.
        """
        return self.listeners.events(self._opening, welcome, caller)

    def _opening(self) -> Iterator[str]:
        now = self._clock.now()
        for heard in list(self._heard.values()):
            if heard.age_s(now) <= SILENT_AFTER_S:
                yield _known(heard, now)
        for name in sorted(self._silent):
            yield self._silence(name)

    def _silence(self, enclosure: str) -> str:
        """Say whether an enclosure is silent now, and when its controller was last heard."""
        age_s = self.age_s(enclosure)
        last_ms = None if age_s is None else self._clock.now().utc_ms - round(age_s * 1000)
        last = None if last_ms is None else rfc3339(last_ms)
        return event("silence", {"enclosure": enclosure, "silent": enclosure in self._silent, "last_heard": last})

    def _subscribe(self) -> None:
        root = self._settings.broker.root
        if self._client is not None:
            self._client.subscribe([(f"{root}/+/status", 0), (f"{root}/+/heater/state", 0)])

    def _granted(self, codes: list[ReasonCode]) -> None:
        """A broker may take the connection and refuse the topics; that counts as not connected."""
        self.connected = not any(code.is_failure for code in codes)

    def _lost(self) -> None:
        self.connected = False


def _known(heard: Heard, now: Moment) -> str:
    return event("enclosure", {**heard.status, "known": True, "as_of_age_s": round(heard.age_s(now), 1)})
