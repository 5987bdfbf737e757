"""What is true now, as the broker tells it: the newest status of each enclosure, and who is listening.

Everything but the paho callbacks runs on the event loop; the callbacks only stamp and queue.
"""

import asyncio
import json
import secrets
from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.reasoncodes import ReasonCode

from controller.clock import Clock, Moment
from controller.settings import Settings
from controller.wire import session

SILENT_AFTER_S = 15.0
"""[s] A status older than this says nothing about now. Source: one lease (15 s), after which the contact is open."""

HEARTBEAT_S = 15.0
"""[s] Comment sent to a listener when nothing else is, so that a dead line is noticed."""

QUEUE_LENGTH = 32
"""Events a listener may be behind before it is dropped."""

MOST_LISTENERS = 64
"""Pages that may listen at once."""

LARGEST_PAYLOAD = 262_144
"""[bytes]"""


@dataclass(frozen=True, slots=True)
class Heard:
    """The newest status of one enclosure, as decoded, and how old it is.

    Parameters
    ----------
    status
        The JSON object on `{root}/{enclosure}/status`.
    arrived
        Our receipt.
    age_at_arrival_s
        [s] 0 for a live message; for a retained one, which is history, what the wall clocks differ by.
    """

    status: dict[str, Any]
    arrived: Moment
    age_at_arrival_s: float

    def age_s(self, now: Moment) -> float:
        """[s] how old the status is at `now`."""
        return max(0.0, now.mono_s - self.arrived.mono_s) + self.age_at_arrival_s


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
        self._heard: dict[str, Heard] = {}
        self._heater: dict[str, tuple[dict[str, Any], Moment]] = {}
        self._listeners: set[asyncio.Queue[str | None]] = set()
        self._client: mqtt.Client | None = None
        self._closed = False
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
        self._closed = True
        for queue in list(self._listeners):
            self._drop(queue)

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
        decoded = _decoded(payload)
        if self._settings.named(enclosure) is None or decoded is None:
            self.refused += 1
        elif leaf == "heater/state":
            self._heater[enclosure] = (decoded, arrived)
        elif leaf == "status" and decoded.get("enclosure") == enclosure and isinstance(decoded.get("at_ms"), int):
            age_s = abs(arrived.utc_ms - decoded["at_ms"]) / 1000 if retained else 0.0
            heard = self._heard[enclosure] = Heard(decoded, arrived, age_s)
            self._tell(_event(heard, arrived))
        else:
            self.refused += 1

    @property
    def is_full(self) -> bool:
        """Whether no further listener is taken."""
        return len(self._listeners) >= MOST_LISTENERS

    async def events(self) -> AsyncIterator[str]:
        """Yield server-sent events: what is known first, then every change; ends when dropped or closed."""
        queue: asyncio.Queue[str | None] = asyncio.Queue(QUEUE_LENGTH)
        self._listeners.add(queue)
        try:
            yield ": soilward\nretry: 3000\n\n"
            now = self._clock.now()
            for event in [_event(heard, now) for heard in self._heard.values() if heard.age_s(now) <= SILENT_AFTER_S]:
                yield event
            while not (self._closed and queue.empty()):
                news = await _next(queue)
                if news is None:
                    return
                yield news
        finally:
            self._listeners.discard(queue)

    def _tell(self, event: str) -> None:
        for queue in list(self._listeners):
            if queue.full():
                self._drop(queue)
            else:
                queue.put_nowait(event)

    def _drop(self, queue: asyncio.Queue[str | None]) -> None:
        """Let a listener go; the browser connects again and starts with what is true then."""
        self._listeners.discard(queue)
        while not queue.empty():
            queue.get_nowait()
        queue.put_nowait(None)

    def _subscribe(self) -> None:
        root = self._settings.broker.root
        if self._client is not None:
            self._client.subscribe([(f"{root}/+/status", 0), (f"{root}/+/heater/state", 0)])

    def _granted(self, codes: list[ReasonCode]) -> None:
        """A broker may take the connection and refuse the topics; that counts as not connected."""
        self.connected = not any(code.is_failure for code in codes)

    def _lost(self) -> None:
        self.connected = False


def _decoded(payload: bytes) -> dict[str, Any] | None:
    if len(payload) > LARGEST_PAYLOAD:
        return None
    try:
        found = json.loads(payload, parse_constant=_no_constant)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def _no_constant(word: str) -> float:
    raise ValueError(f"{word} is no number")


async def _next(queue: asyncio.Queue[str | None]) -> str | None:
    try:
        return await asyncio.wait_for(queue.get(), HEARTBEAT_S)
    except TimeoutError:
        return ": still here\n\n"


def _event(heard: Heard, now: Moment) -> str:
    shown = {**heard.status, "known": True, "as_of_age_s": round(heard.age_s(now), 1)}
    return f"event: enclosure\ndata: {json.dumps(shown, separators=(',', ':'), ensure_ascii=False)}\n\n"
