"""Faults of sense in `soilward.toml`: what is sound by itself and cannot be so together.

An enclosure of which a part could not be read is judged by the rest: one run shows everything.
"""

from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from controller.control.schedule import ScheduleError, starts_of
from controller.enclosure_settings import Control, Enclosure, HeaterKind, ProbeSettings
from controller.plant.from_settings import construction_of
from controller.probe import SI_UNIT, TEMPERATURES, Quantity
from controller.safety import limits
from controller.settings import Broker

AIR_HEAT_CAPACITY_J_PER_M3_K = 1206.0
"""[J/m3K] air at 20 Cel and 101 kPa: 1.204 kg/m3 x 1006 J/kgK less 0.4 % for damp. Source: ASHRAE Fundamentals."""
_Place = tuple[str, str | None]
"""Topic, and what is picked from it."""
_STAND_INS: dict[str, Any] = {
    "name": "unread",
    "heater": {"kind": "soil-cable", "rated_w": 1.0, "depth_m": 0.1},
    "probe": [{"name": "unread", "quantity": "soil", "depth_m": 0.1}],
}


@dataclass(frozen=True, slots=True)
class Read:
    """An enclosure as far as it could be read; the parts named in `unread` are not, or not wholly, its own."""

    enclosure: Enclosure
    unread: frozenset[str] = frozenset()

    def knows(self, *parts: str) -> bool:
        """Whether all of these parts are as they were written."""
        return self.unread.isdisjoint(parts)


def read_around(entry: Any, places: Sequence[tuple[int | str, ...]]) -> Read | None:
    """Return what is left of one `[[enclosure]]` without what is at fault in it, or None where nothing is.

    Parameters
    ----------
    places
        Where its faults are: the key, and within a list the number.
    """
    if not isinstance(entry, Mapping):
        return None
    unread = frozenset(str(place[0]) for place in places)
    kept = {key: value for key, value in entry.items() if key not in unread}
    bad = {place[1] for place in places if place[0] == "probe" and len(place) > 1}
    if bad:
        kept["probe"] = [each for at, each in enumerate(entry["probe"]) if at not in bad] or _STAND_INS["probe"]
    try:
        return Read(Enclosure.model_validate({**_STAND_INS, **kept}), unread)
    except ValidationError:
        return None


def faults(read: Sequence[Read], broker: Broker | None, folder: Path) -> Iterator[str]:
    """Yield every fault of sense: of the broker, of each enclosure, then of what they must not share.

    Parameters
    ----------
    broker
        None where it could not be read.
    folder
        From which relative paths count.
    """
    if broker is not None:
        yield from _broker_faults(broker)
    names = Counter(each.enclosure.name for each in read if each.knows("name"))
    yield from (f"enclosure {name!r}: is there {n} times; names must differ" for name, n in names.items() if n > 1)
    for each in read:
        who = f"enclosure {each.enclosure.name!r}" if each.knows("name") else "an enclosure without a good name"
        yield from (f"{who}: {fault}" for fault in _faults_of(each))
    once = [each for each in read if names[each.enclosure.name] == 1]
    yield from _shared_keys([each.enclosure for each in once if each.knows("heater")], folder)
    if broker is not None:
        yield from _shared_topics([each for each in once if each.knows("heater", "probe")], broker.root)


def anchored(folder: Path, path: Path | None) -> Path | None:
    """Return a path that counts from a folder, as it is from anywhere."""
    return None if path is None else (folder / path).resolve()


def _broker_faults(broker: Broker) -> Iterator[str]:
    if broker.kind == "embedded" and broker.read_username is not None:
        yield (
            f"broker.read_username: {broker.read_username!r} is one user too many: the embedded broker knows one only; "
            'remove read_username, or run a broker with access lists and write kind = "external"'
        )


def _shared_keys(enclosures: Sequence[Enclosure], folder: Path) -> Iterator[str]:
    """With one key, a command to one node would be obeyed by the other."""
    keys: dict[bytes, list[str]] = defaultdict(list)
    for each in enclosures:
        file = anchored(folder, each.heater.key_file)
        if each.heater.relay == "node" and file is not None and file.is_file():
            keys[file.read_bytes().strip()].append(f"{each.name!r} ({file})")
    for names in keys.values():
        if len(names) > 1:
            yield f"enclosures {' and '.join(names)}: the same node key; give each node a key of its own"


def _shared_topics(read: Sequence[Read], root: str) -> Iterator[str]:
    """With one topic, one enclosure would be heated by another's probe, or air be watched by a probe in the soil."""
    topics: dict[_Place, list[str]] = defaultdict(list)
    for each in read:
        name = repr(each.enclosure.name)
        for place, count in _places(each.enclosure, root).items():
            topics[place].append(name)
            if count > 1:
                yield (
                    f"enclosure {name}: the topic {place[0]!r} is there {count} times; give each probe, and the relay, "
                    'its own, or probes that share one a pointer each, or form = "senml" and their names in its records'
                )
    for (topic, _), names in topics.items():
        if len(names) > 1:
            yield f"enclosures {' and '.join(names)}: the same topic {topic!r}; give each its own"


def _places(enclosure: Enclosure, root: str) -> Counter[_Place]:
    """Count from where an enclosure's probes are heard, and where its plain relay is told."""
    from controller.routing import probe_topic  # brings the broker's client, which most who read settings do without

    # Weather is one for all; from a gateway's topic each probe may pick a record of its own.
    found: Counter[_Place] = Counter(
        (probe_topic(root, enclosure.name, probe), probe.pointer or (probe.form == "senml" and probe.name) or None)
        for probe in {each.name: each for each in enclosure.probe}.values()
        if probe.quantity not in {Quantity.OUTSIDE, Quantity.LIGHT}
    )
    if enclosure.heater.relay == "plain" and enclosure.heater.plain_topic:
        found[enclosure.heater.plain_topic, None] += 1
    return found


def _faults_of(read: Read) -> Iterator[str]:
    enclosure = read.enclosure
    if read.knows("probe"):
        probes = Counter(each.name for each in enclosure.probe)
        yield from (f"probe {name!r} is there {n} times; names must differ" for name, n in probes.items() if n > 1)
        if not enclosure.of(Quantity.SOIL):
            yield 'no soil probe; heat needs at least one probe with quantity = "soil"'
    yield from _probe_faults(enclosure)
    if read.knows("heater"):
        yield from _heater_faults(read)
    if read.knows("control"):
        yield from _control_faults(enclosure.control)
    if read.knows("schedule"):
        yield from _schedule_faults(read)


def _probe_faults(enclosure: Enclosure) -> Iterator[str]:
    for probe in enclosure.probe:
        if probe.quantity is Quantity.SOIL and probe.depth_m is None:
            yield f"probe {probe.name!r}: a soil probe needs depth_m, the depth it is buried at"
        if probe.quantity is Quantity.AIR and probe.height_m is None:
            yield f"probe {probe.name!r}: an air probe needs height_m, the height it hangs at"
        if probe.form == "json" and probe.pointer is None:
            yield f'probe {probe.name!r}: form = "json" needs pointer, such as "/sensor/temperature"'
        if probe.unit in {"F", "K"} and probe.quantity not in TEMPERATURES:
            yield f"probe {probe.name!r}: unit {probe.unit!r} is for temperatures only"
        elif probe.unit not in {None, "Cel", "C", "F", "K", "%RH", "W/m2", "A", "/"}:
            yield f"probe {probe.name!r}: unit {probe.unit!r} is unknown; use Cel, F, K, %RH, W/m2, A or /"
        elif probe.unit is not None and not _fits(probe):
            said = f"unit {probe.unit!r} is none of {probe.quantity}"
            yield f"probe {probe.name!r}: {said}; write {SI_UNIT[probe.quantity]!r}, or leave it out"


def _fits(probe: ProbeSettings) -> bool:
    """Whether a probe's numbers can be in its unit: of others every one would be refused."""
    return probe.unit == SI_UNIT[probe.quantity] or (probe.unit in {"C", "F", "K"} and probe.quantity in TEMPERATURES)


def _control_faults(control: Control) -> Iterator[str]:
    if control.least_on_s > control.window_s:
        yield (
            f"control.least_on_s: {control.least_on_s:g} s are longer than the window of {control.window_s:g} s that "
            "heat is shared out in, so it would hardly ever come; write at most window_s"
        )


def _heater_faults(read: Read) -> Iterator[str]:
    enclosure, heater = read.enclosure, read.enclosure.heater
    if heater.kind is HeaterKind.SOIL_CABLE and heater.depth_m is None:
        yield "heater: a soil cable needs depth_m, the depth it is buried at"
    if heater.kind is HeaterKind.AIR_HEATER:
        if read.knows("probe") and not enclosure.of(Quantity.AIR):
            yield "heater: an air heater needs at least one air probe"
        if read.knows("shape"):
            yield from _rise_faults(enclosure)
    if heater.relay == "plain":
        yield from _plain_relay_faults(enclosure)


def _rise_faults(enclosure: Enclosure) -> Iterator[str]:
    heater, shape = enclosure.heater, enclosure.shape
    volume_m3 = shape.length_m * shape.width_m * shape.height_m * 0.785
    rise = heater.rated_w * 60 / (volume_m3 * AIR_HEAT_CAPACITY_J_PER_M3_K)
    if rise > limits.HEATER_AIR_RISE_K_PER_MIN:
        yield (
            f"heater: {heater.rated_w:.0f} W in {volume_m3:.1f} m3 of air could rise {rise:.0f} K/min, above the "
            f"hard limit {limits.HEATER_AIR_RISE_K_PER_MIN:.0f} K/min; fit a smaller heater"
        )
    elif (own := construction_of(enclosure).first_minute_rise_k) >= limits.AIR_RISE_K_PER_MIN:
        yield (
            f"heater: {heater.rated_w:.0f} W would lift this air by {own:.1f} K in its first minute, and air that "
            f"rises {limits.AIR_RISE_K_PER_MIN} K/min is taken for fire; fit a smaller heater"
        )


def _plain_relay_faults(enclosure: Enclosure) -> Iterator[str]:
    if not enclosure.heater.independent_cut_off:
        yield (
            'heater: relay = "plain" has no dead-man of its own; name the independent timer or thermostat that cuts '
            'the heat in independent_cut_off, or use relay = "node"'
        )
    if not enclosure.heater.plain_topic:
        yield 'heater: relay = "plain" needs plain_topic, the topic it listens on'
    on, off = enclosure.heater.plain_on, enclosure.heater.plain_off
    if not off or on == off:
        yield f"heater: plain_off {off!r} cannot open what plain_on {on!r} closes; write the relay's own words for each"


def _schedule_faults(read: Read) -> Iterator[str]:
    highest = read.enclosure.limits.highest_set_point
    for number, entry in enumerate(read.enclosure.schedule):
        try:
            starts_of(entry.starts)
        except ScheduleError as fault:
            yield f"schedule[{number}].from: {fault}"
        if entry.set_point != "off" and read.knows("limits") and not -5 <= entry.set_point <= highest:
            hint = ""
            if 40 <= entry.set_point <= 90:
                hint = f'; did you mean {entry.set_point:.0f} F? write "{entry.set_point:.0f} F"'
            yield f"schedule[{number}].set_point: {entry.set_point:.1f} Cel is outside -5.0 to {highest:.1f}{hint}"
