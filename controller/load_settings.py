"""Reading `soilward.toml`: every fault at once, each with file, key, value, bound and remedy."""

import tomllib
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from controller.enclosure_settings import Enclosure, HeaterKind
from controller.errors import SettingsError
from controller.plant.from_settings import construction_of
from controller.probe import TEMPERATURES, Quantity
from controller.safety import limits
from controller.setting_kinds import NAME_PATTERN
from controller.settings import Settings

AIR_HEAT_CAPACITY_J_PER_M3_K = 1206.0
"""[J/m3K] air at 20 Cel and 101 kPa: 1.204 kg/m3 x 1006 J/kgK less 0.4 % for damp. Source: ASHRAE Fundamentals."""


def load(path: Path) -> Settings:
    """Read and check a settings file; relative paths in it count from its own folder.

    Raises
    ------
    SettingsError
        With one line per fault.
    """
    return check(read_toml(path), path)


def read_toml(path: Path) -> dict[str, Any]:
    """Return a TOML file's content.

    Raises
    ------
    SettingsError
        If it cannot be read or is no TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise SettingsError([f"{path}: cannot be read ({error.strerror}); `soilward init` writes one"]) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SettingsError([f"{path}: is no TOML: {error}"]) from error


def check(raw: dict[str, Any], path: Path) -> Settings:
    """Turn parsed TOML into settings, collecting faults of shape and of sense together."""
    try:
        settings = Settings.model_validate(raw)
    except ValidationError as error:
        faults = [sentence(path, each) for each in error.errors() if not _is_echo(each)]
        faults += [f"{path}: {fault}" for fault in _sense_of_sound_parts(raw)]
        raise SettingsError(faults) from error
    faults = [f"{path}: {fault}" for fault in _sense(settings.enclosure)]
    if faults:
        raise SettingsError(faults)
    settings = _absolute(settings, path.resolve().parent)
    if faults := [f"{path}: {fault}" for fault in _shared(settings)]:
        raise SettingsError(faults)
    return settings


def _sense_of_sound_parts(raw: dict[str, Any]) -> list[str]:
    """Check the enclosures that did parse, so that one run shows everything."""
    sound = []
    entries = raw.get("enclosure")
    for entry in entries if isinstance(entries, list) else []:
        try:
            sound.append(Enclosure.model_validate(entry))
        except ValidationError:
            continue
    return list(_sense(sound))


def _is_echo(error: Any) -> bool:
    """A list that only looks empty because its own items were at fault, which is said already."""
    return bool(error["type"] == "too_short" and error["input"])


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


_BOUND_WORDS = {
    "greater_than_equal": ("ge", "is below the lowest allowed"),
    "less_than_equal": ("le", "is above the highest allowed"),
    "greater_than": ("gt", "must be more than"),
    "less_than": ("lt", "must be less than"),
}


def sentence(path: Path, error: Any) -> str:
    """Say one of pydantic's faults as file, key, value, bound and remedy."""
    key = ".".join(f"[{part}]" if isinstance(part, int) else str(part) for part in error["loc"]).replace(".[", "[")
    value, kind, context = error["input"], error["type"], error.get("ctx", {})
    if kind == "extra_forbidden":
        return f"{path}: {key}: no such key; check the spelling or remove it"
    if kind == "missing":
        return f"{path}: {key}: is missing; add it"
    if kind in _BOUND_WORDS:
        name, words = _BOUND_WORDS[kind]
        return f"{path}: {key}: {_shown(value)} {words} {context[name]}{_limit_note(key)}"
    if kind == "string_pattern_mismatch" and context["pattern"] == NAME_PATTERN:
        return f"{path}: {key}: {_shown(value)} is no name; write at most 32 lower-case letters, digits and hyphens"
    message = error["msg"].removeprefix("Value error, ").replace("Input should be", "must be")
    return f"{path}: {key}: {_shown(value)}: {message}"


def _limit_note(key: str) -> str:
    if ".limits." in key or key.endswith("lease_s"):
        return "; a hard limit can be tightened here, never loosened"
    return ""


def _sense(enclosures: Sequence[Enclosure]) -> Iterator[str]:
    names = Counter(each.name for each in enclosures)
    yield from (f"enclosure {name!r}: is there {n} times; names must differ" for name, n in names.items() if n > 1)
    for each in enclosures:
        yield from (f"enclosure {each.name!r}: {fault}" for fault in _faults_of(each))


def _shared(settings: Settings) -> Iterator[str]:
    """Find what two enclosures must not share: with one key, a command to one node would be obeyed by the other."""
    from controller.routing import probe_topic

    keys: dict[bytes, list[str]] = defaultdict(list)
    topics: dict[tuple[str, str | None], list[str]] = defaultdict(list)
    for each in settings.enclosure:
        file = each.heater.key_file
        if each.heater.relay == "node" and file is not None and file.is_file():
            keys[file.read_bytes().strip()].append(f"{each.name!r} ({file})")
        # Weather is one for all; from a gateway's topic each probe may pick a record of its own.
        own = {
            (
                probe_topic(settings.broker.root, each.name, probe),
                probe.pointer or (probe.form == "senml" and probe.name) or None,
            )
            for probe in each.probe
            if probe.quantity not in {Quantity.OUTSIDE, Quantity.LIGHT}
        }
        if each.heater.relay == "plain" and each.heater.plain_topic:
            own.add((each.heater.plain_topic, None))
        for place in own:
            topics[place].append(repr(each.name))
    for names in keys.values():
        if len(names) > 1:
            yield f"enclosures {' and '.join(names)}: the same node key; give each node a key of its own"
    for (topic, _), names in topics.items():
        if len(names) > 1:
            yield f"enclosures {' and '.join(names)}: the same topic {topic!r}; give each its own"


def _faults_of(enclosure: Enclosure) -> Iterator[str]:
    probes = Counter(each.name for each in enclosure.probe)
    yield from (f"probe {name!r} is there {n} times; names must differ" for name, n in probes.items() if n > 1)
    if not enclosure.of(Quantity.SOIL):
        yield 'no soil probe; heat needs at least one probe with quantity = "soil"'
    yield from _probe_faults(enclosure)
    yield from _heater_faults(enclosure)
    yield from _schedule_faults(enclosure)


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


def _heater_faults(enclosure: Enclosure) -> Iterator[str]:
    heater, shape = enclosure.heater, enclosure.shape
    if heater.kind is HeaterKind.SOIL_CABLE and heater.depth_m is None:
        yield "heater: a soil cable needs depth_m, the depth it is buried at"
    if heater.kind is HeaterKind.AIR_HEATER:
        if not enclosure.of(Quantity.AIR):
            yield "heater: an air heater needs at least one air probe"
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
    if heater.relay == "plain":
        yield from _plain_relay_faults(enclosure)


def _plain_relay_faults(enclosure: Enclosure) -> Iterator[str]:
    if not enclosure.heater.independent_cut_off:
        yield (
            'heater: relay = "plain" has no dead-man of its own; name the independent timer or thermostat that cuts '
            'the heat in independent_cut_off, or use relay = "node"'
        )
    if not enclosure.heater.plain_topic:
        yield 'heater: relay = "plain" needs plain_topic, the topic it listens on'


def _schedule_faults(enclosure: Enclosure) -> Iterator[str]:
    from controller.control.schedule import ScheduleError, starts_of

    highest = enclosure.limits.highest_set_point
    for number, entry in enumerate(enclosure.schedule):
        try:
            starts_of(entry.starts)
        except ScheduleError as fault:
            yield f"schedule[{number}].from: {fault}"
        if entry.set_point != "off" and not -5 <= entry.set_point <= highest:
            hint = ""
            if 40 <= entry.set_point <= 90:
                hint = f'; did you mean {entry.set_point:.0f} F? write "{entry.set_point:.0f} F"'
            yield f"schedule[{number}].set_point: {entry.set_point:.1f} Cel is outside -5.0 to {highest:.1f}{hint}"


def _absolute(settings: Settings, folder: Path) -> Settings:
    """Anchor every relative path at the settings file's own folder."""

    def anchored(path: Path | None) -> Path | None:
        return None if path is None else (folder / path.expanduser()).resolve()

    broker = settings.broker.model_copy(
        update={
            "password_file": anchored(settings.broker.password_file),
            "read_password_file": anchored(settings.broker.read_password_file),
            "ca_file": anchored(settings.broker.ca_file),
        }
    )
    enclosures = tuple(
        each.model_copy(update={"heater": each.heater.model_copy(update={"key_file": anchored(each.heater.key_file)})})
        for each in settings.enclosure
    )
    store = settings.store.model_copy(
        update={
            "folder": anchored(settings.store.folder),
            "journal_key_file": anchored(settings.store.journal_key_file),
        }
    )
    remote = settings.remote and settings.remote.model_copy(update={"token_file": anchored(settings.remote.token_file)})
    season = settings.season.model_copy(update={"station_file": anchored(settings.season.station_file)})
    parts = {"broker": broker, "enclosure": enclosures, "store": store, "remote": remote, "season": season}
    return settings.model_copy(update=parts)
