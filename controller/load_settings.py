"""Reading `soilward.toml`: every fault at once, each with file, key, value, bound and remedy."""

import tomllib
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from controller import sense
from controller.errors import SettingsError
from controller.setting_kinds import PATTERN_WORDS
from controller.settings import Broker, Settings


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
        # Some editors begin a file with the mark of its encoding.
        return tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise SettingsError([f"{path}: cannot be read ({error.strerror}); `soilward init` writes one"]) from error
    except UnicodeDecodeError as error:
        line = error.object.count(b"\n", 0, error.start) + 1
        raise SettingsError([f"{path}: is no TOML: line {line} is not UTF-8; save the file as UTF-8"]) from error
    except (ValueError, RecursionError) as error:
        raise SettingsError([f"{path}: is no TOML: {error}"]) from error


def check(raw: dict[str, Any], path: Path) -> Settings:
    """Turn parsed TOML into settings, collecting faults of shape and of sense together."""
    folder = path.resolve().parent
    try:
        settings = Settings.model_validate(raw)
    except ValidationError as error:
        faults = [sentence(path, each) for each in error.errors() if not _is_echo(each)]
        faults += [f"{path}: {fault}" for fault in _sense_of_what_was_read(raw, error, folder)]
        raise SettingsError(faults) from error
    read = [sense.Read(each) for each in settings.enclosure]
    if faults := [f"{path}: {fault}" for fault in sense.faults(read, settings.broker, folder)]:
        raise SettingsError(faults)
    return _absolute(settings, folder)


def _sense_of_what_was_read(raw: dict[str, Any], error: ValidationError, folder: Path) -> Iterator[str]:
    """Judge the enclosures as far as they could be read, so that one run shows everything."""
    places = [each["loc"] for each in error.errors()]
    entries = raw.get("enclosure")
    found = [
        sense.read_around(entry, [place[2:] for place in places if place[:2] == ("enclosure", number)])
        for number, entry in enumerate(entries if isinstance(entries, list) else [])
    ]
    is_broker_read = all(place[0] != "broker" for place in places)
    broker = Broker.model_validate(raw.get("broker", {})) if is_broker_read else None
    yield from sense.faults([each for each in found if each is not None], broker, folder)


def _is_echo(error: Any) -> bool:
    """A list that only looks empty because its own items were at fault, which is said already."""
    return bool(error["type"] == "too_short" and error["input"])


def _shown(value: Any) -> str:
    text = repr(round(value, 4) if isinstance(value, float) else value)
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
    if kind == "string_pattern_mismatch":
        return f"{path}: {key}: {_shown(value)} {PATTERN_WORDS[context['pattern']]}"
    if kind in {"tuple_type", "model_type"}:
        header = f"[{'.'.join(part for part in error['loc'] if isinstance(part, str))}]"
        header = f"[{header}]" if kind == "tuple_type" or isinstance(error["loc"][-1], int) else header
        return f"{path}: {key}: {_shown(value)} is not written as a table; begin it with {header}"
    message = (
        error["msg"].removeprefix("Value error, ").replace("Input should", "must").replace("String should", "must")
    )
    return f"{path}: {key}: {_shown(value)}: {message}"


def _limit_note(key: str) -> str:
    if ".limits." in key or key.endswith("lease_s"):
        return "; a hard limit can be tightened here, never loosened"
    return ""


def _absolute(settings: Settings, folder: Path) -> Settings:
    """Anchor every relative path at the settings file's own folder."""
    anchored = partial(sense.anchored, folder)
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
