"""The record as points of the line protocol: one measurement per kind of row, names and places as tags."""

import json
from dataclasses import dataclass

from influxdb_client import Point, WritePrecision

from controller.settings import RemoteKind
from controller.store.journal import StoredEntry

NS_PER_MS = 1_000_000
LONGEST_LABEL = 4000
"""[byte] of a journal body that a label may hold. Source: VictoriaMetrics (since 1.108) drops, without a word, a series
with a label of more than 4096, its default for -maxLabelValueLen.
"""
LONGEST_FIELD = 64_000
"""[byte] of a text that a field may hold. Source: InfluxDB's line protocol reference, 64 KB. What reads its answers
takes no more than 131 072 letters in one (csv.field_size_limit).
"""


@dataclass(frozen=True, slots=True)
class Place:
    """Whose readings these are."""

    enclosure: str
    probe: str
    quantity: str
    unit: str


class Points:
    """Makes points for one site.

    Parameters
    ----------
    kind
        VictoriaMetrics keeps numbers alone, so what a journal entry or the end of a run says becomes tags there; and
        a point written anew does not replace the old one there (`replaces`).
    """

    def __init__(self, kind: RemoteKind, site: str) -> None:
        self.site, self._texts_are_tags = site, kind is RemoteKind.VICTORIA_METRICS
        self.replaces = kind is not RemoteKind.VICTORIA_METRICS

    def reading(self, place: Place, taken_ms: int, value: float, grade: str) -> Point:
        """Return one reading at the time it was taken; its unit is that of the probe."""
        return self._of(place, "reading").tag("grade", grade).field("value", value).time(*_at(taken_ms))

    def roll_up(self, place: Place, width: str, start_ms: int, row: tuple[int, float, float, float]) -> Point:
        """Return a minute or an hour (`width`) of (count, least, most, sum of values), at its beginning."""
        count, least, most, total = row
        point = self._of(place, f"reading_{width}").field("least", least).field("most", most)
        return point.field("mean", total / count).field("count", count).time(*_at(start_ms))

    def run(self, enclosure: str, start_ms: int, end_ms: int, energy_j: float | None, ended_by: str) -> Point:
        """Return one heater run, at its start; energy [J] only where it is known."""
        point = Point("heater_run").tag("site", self.site).tag("enclosure", enclosure)
        self._text(point, "ended_by", ended_by)
        point.field("seconds", (end_ms - start_ms) / 1000)
        if energy_j is not None:
            point.field("energy_j", energy_j)
        return point.time(*_at(start_ms))

    def explained(self, enclosure: str, start_ms: int, ended_by: str, number: int) -> Point:
        """Return what says anew why a run ended that was sent before, for a store that keeps the old point beside it.

        There new words would make a second run of it, so they come alone, as tags of a mark at its start; `number`
        rises with each, so the mark with the greatest one has the last word.
        """
        point = Point("heater_run").tag("site", self.site).tag("enclosure", enclosure)
        self._text(point, "ended_by", ended_by)
        return point.field("explained", number).time(*_at(start_ms))

    def entry(self, entry: StoredEntry) -> Point:
        """Return one journal entry with its hash. Its place in the chain makes its time unique below 1 ms."""
        point = Point("journal").tag("site", self.site).tag("kind", entry.kind)
        if entry.enclosure is not None:
            point.tag("enclosure", entry.enclosure)
        body = json.dumps(entry.body, sort_keys=True, ensure_ascii=False)
        for name, text in (("who", entry.who), ("why", entry.why), ("body", body), ("hash", entry.hash)):
            self._text(point, name, text)
        point.field("sequence", entry.sequence)
        return point.time(entry.at_ms * NS_PER_MS + entry.sequence % NS_PER_MS, WritePrecision.NS)

    def _of(self, place: Place, measurement: str) -> Point:
        point = Point(measurement).tag("site", self.site).tag("enclosure", place.enclosure).tag("probe", place.probe)
        return point.tag("quantity", place.quantity).tag("unit", place.unit)

    def _text(self, point: Point, name: str, text: str) -> None:
        if not self._texts_are_tags:
            point.field(name, _cut(text, LONGEST_FIELD))
        elif text:
            point.tag(name, _cut(_one_line(text), LONGEST_LABEL))


def _one_line(text: str) -> str:
    """Return text that a tag can hold: no line breaks, no backslash (it would escape what follows)."""
    return text.translate(_FLAT).rstrip()


_FLAT = str.maketrans("\\\n\r\t", "/   ")
"""The client would write the last three as a backslash and a letter, which a VictoriaMetrics keeps."""


def _cut(text: str, most: int) -> str:
    """Return text of at most so many bytes; one that was longer says so."""
    whole = text.encode()
    return text if len(whole) <= most else whole[:most].decode(errors="ignore") + " ..."


def _at(at_ms: int) -> tuple[int, WritePrecision]:
    return at_ms * NS_PER_MS, WritePrecision.NS
