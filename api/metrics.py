"""What programs that watch over programs ask for: numbers in the Prometheus text format."""

import json
import sqlite3
from collections.abc import Callable, Iterator
from typing import Any

from prometheus_client import CollectorRegistry
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    Metric,
)
from prometheus_client.exposition import CONTENT_TYPE_PLAIN_0_0_4, generate_latest
from prometheus_client.registry import Collector

from api.seen import as_seen
from api.state import State
from controller.errors import StoreError
from controller.store.told import told

CONTENT_TYPE = CONTENT_TYPE_PLAIN_0_0_4
STALE_MS = 30_000
"""[ms] Figures older than three of the controller's intervals say nothing about now and are left out."""

_BY_ENCLOSURE = ("enclosure",)
_GAUGES: tuple[tuple[str, str, Callable[[dict[str, Any]], Any]], ...] = (
    ("soilward_soil_celsius", "Soil temperature that control uses", lambda s: s["soil_c"]),
    ("soilward_set_point_celsius", "Soil temperature asked for", lambda s: s["set_point"]["asked_c"]),
    ("soilward_duty_ratio", "Heater duty, 0 to 1", lambda s: s["heat"]["duty"]),
    ("soilward_heat_ordered", "1 if heat is ordered", lambda s: s["heat"]["ordered"]),
    ("soilward_contact_closed", "1 if the node reports its contact closed", lambda s: s["heat"]["contact"]),
    ("soilward_armed", "1 if the enclosure may be heated", lambda s: s["armed"]),
    ("soilward_trips", "Trips latched now", lambda s: len(s["trips"]) if s["known"] else None),
    ("soilward_status_age_seconds", "Age of the newest status", lambda s: s["as_of_age_s"]),
)
# All of them are read, so in the order they lie: by the index, row after row elsewhere, it takes three times as long.
# Only those that have ended: one that is open ends before the moment at which it is read, and a counter that falls by a
# second counts for whoever reads it as one that began anew.
_HEATER = """SELECT enclosure, sum(end_ms - start_ms) / 1000.0, count(*)
FROM heater_run NOT INDEXED WHERE end_ms IS NOT NULL GROUP BY enclosure"""
_TRIPS = "SELECT enclosure, count(*) FROM journal WHERE kind = 'trip' AND enclosure IS NOT NULL GROUP BY enclosure"


def text_of(state: State) -> bytes:
    """Return every number that is known now."""
    registry = CollectorRegistry(auto_describe=False)
    registry.register(_Now(state))
    return generate_latest(registry)


class _Now(Collector):
    """Gathers once: live values, what the controller counted, what is on record."""

    def __init__(self, state: State) -> None:
        self._state = state

    def describe(self) -> Iterator[Metric]:
        """Name nothing beforehand: what is not known is left out."""
        return iter(())

    def collect(self) -> Iterator[Metric]:
        """Yield every family that has a value."""
        state = self._state
        for family in (*_live(state), *_counted(state), *_recorded(state), *_copied(state)):
            if family.samples:
                yield family


def _live(state: State) -> Iterator[Metric]:
    now = state.clock.now()
    shown = [as_seen(each, state.live.heard(each.name), now) for each in state.settings.enclosure]
    connected = float(state.live.connected)
    yield GaugeMetricFamily("soilward_broker_connected", "1 if live values can arrive", connected)
    for name, meaning, value_of in _GAUGES:
        family = GaugeMetricFamily(name, meaning, labels=_BY_ENCLOSURE)
        for each in shown:
            value = value_of(each)
            if value is not None:
                family.add_metric((each["enclosure"],), float(value))
        yield family


def _counted(state: State) -> list[Metric]:
    """Return what the controller has left in its file, unless that is missing, old or no such thing."""
    try:
        told = json.loads((state.folder / "figures.json").read_text("utf-8"))
        return list(_told(told, state.clock.now().utc_ms))
    except (OSError, ArithmeticError, ValueError, LookupError, TypeError, AttributeError):
        return []


def _told(told: dict[str, Any], now_ms: int) -> Iterator[Metric]:
    age_ms = now_ms - told["at_ms"]
    if abs(age_ms) > STALE_MS:
        return
    readings = CounterMetricFamily(
        "soilward_readings", "Readings judged since the controller started", labels=("enclosure", "grade")
    )
    for name, grades in told["readings"].items():
        for grade, count in grades.items():
            readings.add_metric((name, grade), float(count))
    yield readings
    renewals = CounterMetricFamily("soilward_lease_renewals", "Orders sent to keep heat on", labels=_BY_ENCLOSURE)
    for name, count in told["renewals"].items():
        renewals.add_metric((name,), float(count))
    yield renewals
    depth = GaugeMetricFamily("soilward_queue_depth", "Items that wait", labels=("queue",))
    for name, count in told["queues"].items():
        depth.add_metric((name,), float(count))
    yield depth
    yield GaugeMetricFamily("soilward_figures_age_seconds", "Age of the controller's own figures", age_ms / 1000)
    yield _durations(
        "soilward_tick_seconds",
        "One enclosure's tick and all that follows from it, with those stepped in the same turn",
        told["tick"],
    )
    yield _durations("soilward_tick_late_seconds", "How long after it was due a tick began", told["late"])
    yield _durations("soilward_commit_seconds", "Writing what waited to disk", told["commit"])


def _durations(name: str, meaning: str, told: dict[str, Any]) -> Metric:
    """Return a histogram; its buckets count everything up to their bound."""
    buckets, so_far = [], 0
    for bound, count in zip((*map(str, told["bounds_s"]), "+Inf"), told["counts"], strict=True):
        so_far += count
        buckets.append((bound, so_far))
    return HistogramMetricFamily(name, meaning, buckets=buckets, sum_value=float(told["total_s"]))


def _recorded(state: State) -> Iterator[Metric]:
    """Yield what is on record and so outlives a restart."""
    heater = CounterMetricFamily("soilward_heater_seconds", "Contact closed, in runs that ended", labels=_BY_ENCLOSURE)
    runs = CounterMetricFamily("soilward_heater_runs", "Heater runs that ended", labels=_BY_ENCLOSURE)
    for name, seconds, count in _found(state, "readings.db", _HEATER):
        heater.add_metric((name,), seconds)
        runs.add_metric((name,), count)
    trips = CounterMetricFamily("soilward_trips_latched", "Trips on record", labels=_BY_ENCLOSURE)
    for name, count in _found(state, "journal.db", _TRIPS):
        trips.add_metric((name,), count)
    yield from (heater, runs, trips)


def _copied(state: State) -> Iterator[Metric]:
    """Yield how far the copy elsewhere is behind; nothing where there is none."""
    word = told(state.folder) if state.settings.remote else None
    if word is None:
        return
    now_ms = state.clock.now().utc_ms
    behind_s = 0.0 if word.oldest_ms is None else max(now_ms - word.oldest_ms, 0) / 1000
    yield GaugeMetricFamily("soilward_outbox_age_seconds", "Age of the oldest reading not copied elsewhere", behind_s)
    word_s = (now_ms - word.at_ms) / 1000
    yield GaugeMetricFamily("soilward_outbox_word_age_seconds", "Since the forwarder last said anything", word_s)
    yield CounterMetricFamily("soilward_outbox_points", "Points copied since the forwarder started", word.sent)
    yield CounterMetricFamily("soilward_outbox_refused", "Points the store elsewhere will never take", word.refused)


def _found(state: State, file: str, query: str) -> list[Any]:
    try:
        with state.reading(file) as connection:
            return connection.execute(query).fetchall()
    except (StoreError, sqlite3.OperationalError):
        return []
