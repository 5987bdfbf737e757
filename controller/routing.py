"""Which topic belongs to which probe, and what became of everything that was no reading."""

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from controller.clock import Moment
from controller.enclosure_settings import ProbeSettings
from controller.probe import Quantity, Reading
from controller.settings import Settings
from controller.wire.inbox import Message
from controller.wire.payload import Decoded, Form, Refusal, belongs, decode

KEPT_BYTES = 200

BURST_MS = 60_000
"""[ms] What comes without a stamp so soon after, by the clock, as to be filed behind the one before it: as many may
come at once, nearly a week of one each ten seconds, for which the broker keeps our session."""


@dataclass(frozen=True, slots=True)
class Listener:
    """A probe that listens on a topic."""

    enclosure: str
    probe: ProbeSettings


def probe_topic(root: str, enclosure: str, probe: ProbeSettings) -> str:
    """Return the topic a probe is heard on."""
    return probe.topic or f"{root}/{enclosure}/probe/{probe.name}"


class Routing:
    """Topic to probes, and the refused messages counted by reason."""

    def __init__(self, settings: Settings) -> None:
        root = settings.broker.root
        self.listeners: dict[str, list[Listener]] = {}
        self.states: dict[str, str] = {}
        self.refused: dict[str, Counter[str]] = {each.name: Counter() for each in settings.enclosure}
        self.last_refused: dict[str, dict[str, str]] = {each.name: {} for each in settings.enclosure}
        self._filed_ms: dict[tuple[str, str], tuple[int, int]] = {}
        for enclosure in settings.enclosure:
            self.states[f"{root}/{enclosure.name}/heater/state"] = enclosure.name
            for probe in enclosure.probe:
                topic = probe_topic(root, enclosure.name, probe)
                self.listeners.setdefault(topic, []).append(Listener(enclosure.name, probe))

    @property
    def probe_topics(self) -> tuple[str, ...]:
        """Topics whose every message counts, also those that waited while we were away."""
        return tuple(self.listeners)

    @property
    def state_topics(self) -> tuple[str, ...]:
        """Topics of which only what is said now counts."""
        return tuple(self.states)

    def readings(self, message: Message) -> Iterator[Reading]:
        """Decode one message for each probe that listens on its topic; count what is refused."""
        arrived: Moment = message.arrived
        listeners = self.listeners.get(message.topic, ())
        named: dict[str, _Named] = {}
        read: dict[tuple[object, ...], tuple[Decoded, ...] | Refusal] = {}
        for listener in listeners:
            probe = listener.probe
            how = (Form(probe.form), probe.quantity, probe.unit, probe.pointer, probe.name)
            if how not in read:
                # Once for all who read it alike: what a station says after an outage held up a thousand for seconds.
                read[how] = decode(message.payload, *how, arrived.utc_ms)
            found = read[how]
            if isinstance(found, Refusal):
                self.refuse(listener.enclosure, message, found.reason)
                continue
            for each in found:
                if len(listeners) > 1 and not belongs(each.source, probe.name):
                    # Once for all who listen: of two thousand, each one's own search took seconds of the loop.
                    if each.source not in named:
                        named[each.source] = _named(each.source, listeners)
                    if _is_anothers(listener, *named[each.source]):
                        continue
                at_ms = arrived.utc_ms if each.taken_ms is not None else self._apart_ms(listener, arrived.utc_ms)
                yield Reading(
                    listener.enclosure, probe.name, each.value, each.taken_ms, at_ms, arrived.mono_s,
                    each.source, message.retained,
                )  # fmt: skip

    def _apart_ms(self, listener: Listener, arrived_ms: int) -> int:
        """Return a time of receipt of its own for a reading without a stamp: the record keeps one of each instant.

        Nothing is filed behind what came before the clock was set back: that is no burst.
        """
        key = (listener.enclosure, listener.probe.name)
        filed_ms, came_ms = self._filed_ms.get(key, (0, 0))
        is_behind = came_ms <= arrived_ms <= filed_ms < arrived_ms + BURST_MS
        at_ms = filed_ms + 1 if is_behind else arrived_ms
        self._filed_ms[key] = at_ms, arrived_ms
        return at_ms

    def refuse(self, enclosure: str, message: Message, reason: str) -> None:
        """Count a refused message and keep the beginning of its payload."""
        self.refused[enclosure][str(reason)] += 1
        shown = message.payload[:KEPT_BYTES].decode("utf-8", "backslashreplace")
        self.last_refused[enclosure][message.topic] = shown


_Named: TypeAlias = "tuple[set[str], set[Quantity]]"
"""Enclosures and quantities of the probes that a record names."""


def _named(source: str, listeners: Sequence[Listener]) -> _Named:
    found = [each for each in listeners if belongs(source, each.probe.name)]
    return {each.enclosure for each in found}, {each.probe.quantity for each in found}


def _is_anothers(listener: Listener, enclosures: set[str], quantities: set[Quantity]) -> bool:
    """Whether a record that names other probes of its topic is none of this one's: alone in its pack it may bear any
    name but such. Weather is one for all: each enclosure may call it what it likes."""
    if not enclosures:
        return False
    is_weather = listener.probe.quantity in {Quantity.OUTSIDE, Quantity.LIGHT}
    return not is_weather or quantities != {listener.probe.quantity} or listener.enclosure in enclosures
