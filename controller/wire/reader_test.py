"""The access lists, tried: the account that may only read must not get a command through (hazard B08)."""

import logging
import secrets
import threading
from collections.abc import Iterator
from enum import StrEnum
from typing import Any

import paho.mqtt.client as mqtt

from controller.clock import Moment
from controller.errors import BrokerError
from controller.safety.lease import Order
from controller.settings import Settings
from controller.wire import session
from controller.wire.relay import encode_command

log = logging.getLogger("soilward.wire")

PATIENCE_S = 10.0
"""[s] Our own orders are renewed every 5 s, so a listener that hears none within two renewals hears nothing."""

THROWN_OUT = 5
"""Times let in within one try, with no answer to what it writes: the broker refuses by closing the connection, as it
may. Source: MQTT 3.1.1, section 3.3.5; the count is engineering judgement."""

TURNED_AWAY = 3
"""Connections closed on the reader within one try, of the four that are made, before it was ever let in: the broker
refuses the account without a word, as it may. Source: MQTT 5.0, section 3.1.4; the count is engineering judgement."""

PENDING_TOLD_AFTER_S = 60.0
"""[s] A test that is not answered for so long is told to people. Source: engineering judgement."""

AGAIN_AFTER_S = 60.0
"""[s] Until a test that did not end well is made again: lists may have been mended meanwhile."""


class Finding(StrEnum):
    """What the last test showed."""

    PENDING = "whether readers can write commands is being tested"
    SAFE = ""
    OPEN = "access lists let readers write commands"
    UNKNOWN = "whether readers can write commands could not be tested; look at the accounts and access lists"


UNANSWERED = "no heat: the broker does not answer the test whether readers can write commands; look at its log"


class ReaderTest:
    """Tries it in the background at start, and again each minute until it ends well.

    Settings that name no `read_username` need no test: there is one account, and the signature carries the trust.

    Parameters
    ----------
    canary_topic
        Where the controller's own session speaks to itself.
    """

    def __init__(self, settings: Settings, start: Moment, canary_topic: str) -> None:
        self._settings, self._start, self._canary_topic = settings, start, canary_topic
        needed = settings.broker.read_username is not None
        self.finding = Finding.PENDING if needed else Finding.SAFE
        self._answered_s = start.mono_s
        self._stop = threading.Event()

    def start(self) -> None:
        """Begin, if there is anything to test."""
        if self.finding is Finding.PENDING:
            threading.Thread(target=self._run, name="reader-test", daemon=True).start()

    def stop(self) -> None:
        """Test no more."""
        self._stop.set()

    @property
    def fault(self) -> str:
        """Why there must be no heat, in words; "" if nothing is in the way."""
        return self.finding if self.finding in (Finding.PENDING, Finding.OPEN) else ""

    def notes(self, now_s: float) -> Iterator[tuple[str, str]]:
        """Yield (name, words) of what a person should know; asked once a second."""
        if self.finding is not Finding.PENDING:
            self._answered_s = now_s
        if self.finding in (Finding.OPEN, Finding.UNKNOWN):
            yield "broker:lists", self.finding
        elif now_s - self._answered_s > PENDING_TOLD_AFTER_S:
            yield "broker:lists", UNANSWERED

    def _run(self) -> None:
        while not self._stop.is_set():
            finding = self._found()
            if finding is not self.finding:
                log.warning("access lists: %s", finding or "readers cannot write commands")
            self.finding = finding
            if finding is Finding.SAFE:
                return
            self._stop.wait(AGAIN_AFTER_S if finding is not Finding.PENDING else 1.0)

    def _found(self) -> Finding:
        try:
            return Trial(self._settings, self._start, self._canary_topic).outcome()
        except BrokerError as error:
            log.warning("%s", error)
            return Finding.UNKNOWN
        except (OSError, RuntimeError) as error:
            log.warning("access lists cannot be tried now: %s; close what holds too many files or threads", error)
            return Finding.PENDING


class Trial:
    """One test: a reader publishes an "off", and a listener of ours says whether it was let through.

    That the listener hears at all is shown by the controller's own orders on the same topics, which come after it.
    Where its canary comes and they do not, lists keep the controller's account from hearing its own orders.
    """

    def __init__(self, settings: Settings, start: Moment, canary_topic: str) -> None:
        token = secrets.token_hex(4)
        root = settings.broker.root
        self._settings = settings
        self._topics = [f"{root}/{e.name}/heater/command" for e in settings.enclosure if e.heater.relay == "node"]
        self._canary_topic = canary_topic
        off = Order(False, False, "a test")
        self._forged = encode_command(off, 0.0, 0, 0, start.utc_ms, f"reader-test-{token}", None)
        self._changed = threading.Condition()
        self._refused: dict[int, bool] = {}
        self._heard: set[str] = set()
        self._through: set[str] = set()
        self._ear_ready = self._ear_lost = self._reader_out = False
        self._logins = self._ends = 0
        self._asked: dict[int, list[str]] = {}
        self._ear = session.make_client(settings, f"soilward-listener-{token}")
        self._ear.on_connect = self._on_ear
        self._ear.on_disconnect = self._on_ear_end
        self._ear.on_subscribe = self._on_subscribe
        self._ear.on_message = self._on_message
        self._reader = session.make_client(settings, f"soilward-reader-{token}", reading_only=True)
        self._reader.on_connect = self._on_reader
        self._reader.on_disconnect = self._on_reader_end
        self._reader.on_publish = self._on_publish

    def outcome(self) -> Finding:
        """Run it; PENDING if the broker did not answer in time, so that it is made again."""
        if not self._topics:
            return Finding.SAFE
        try:
            return self._tried()
        finally:
            for client in (self._ear, self._reader):
                client.disconnect()
                client.loop_stop()
                # A circle would keep its sockets until the collector looks, which is all but never.
                client.on_connect = client.on_disconnect = client.on_subscribe = None
                client.on_message = client.on_publish = None

    def _tried(self) -> Finding:
        session.connect(self._ear, self._settings.broker, kept=False)
        if not self._await(lambda: self._ear_ready):
            return Finding.PENDING
        session.connect(self._reader, self._settings.broker, kept=False)
        if not self._await(lambda: self._logins or self._reader_out):
            return self._unanswered(self._ends >= TURNED_AWAY)
        if self._reader_out:
            return Finding.UNKNOWN
        for topic in self._topics:
            self._reader.publish(topic, self._forged, qos=1)
        if not self._await(lambda: len(self._refused) == len(self._topics)):
            return self._unanswered(self._logins >= THROWN_OUT)
        all_refused = all(self._refused.values())
        if not all_refused and not self._catches_up():
            return Finding.PENDING
        everywhere = set(self._topics)
        if not all_refused and not self._await(lambda: bool(self._through) or self._heard >= everywhere):
            return self._unanswered(True)
        if self._through:
            return Finding.OPEN
        # What got through while our listener was away, nobody heard.
        return Finding.SAFE if all_refused or not self._ear_lost else Finding.PENDING

    def _catches_up(self) -> bool:
        """Let our listener hear what was on its way to it: an order from before the reader wrote shows nothing.

        What it asks for now is answered behind that.
        """
        with self._changed:
            self._asked = self._ask()
        if not self._await(lambda: not self._asked):
            return False
        with self._changed:
            self._heard.clear()
        return True

    def _ask(self) -> dict[int, list[str]]:
        return session.subscribe(self._ear, [(topic, 1) for topic in (*self._topics, self._canary_topic)])

    def _unanswered(self, is_refused: bool) -> Finding:
        """Name a try that came to nothing: only of a broker that is there for our listener is a refusal believed."""
        with self._changed:
            is_there = not self._ear_lost and self._canary_topic in self._heard
            return Finding.UNKNOWN if is_refused and is_there and not self._through else Finding.PENDING

    def _await(self, holds: Any) -> bool:
        with self._changed:
            return bool(self._changed.wait_for(holds, PATIENCE_S))

    def _on_ear(self, *_: Any) -> None:
        self._asked = self._ask()

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, mid: int, *_: Any) -> None:
        with self._changed:
            self._asked.pop(mid, None)
            self._ear_ready = self._ear_ready or not self._asked
            self._changed.notify_all()

    def _on_ear_end(self, *_: Any) -> None:
        with self._changed:
            self._ear_lost = self._ear_lost or self._ear_ready

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        if message.retain:
            return  # it lay there: of what comes back to us now it says nothing
        with self._changed:
            (self._through if message.payload == self._forged else self._heard).add(message.topic)
            self._changed.notify_all()

    def _on_reader(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        with self._changed:
            self._reader_out = bool(reason.is_failure)
            self._logins += not self._reader_out
            self._changed.notify_all()

    def _on_reader_end(self, *_: Any) -> None:
        with self._changed:
            self._ends += 1

    def _on_publish(self, _client: mqtt.Client, _data: Any, mid: int, reason: Any, _properties: Any) -> None:
        with self._changed:
            self._refused[mid] = bool(reason.is_failure)
            self._changed.notify_all()
