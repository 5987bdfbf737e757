"""What every part of the settings is made of: strict, closed tables, and values that people write in their own way."""

from datetime import date, datetime
from functools import cache
from pathlib import Path
from typing import Annotated, Any, Literal
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from controller.units import temperature_c

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,31}$"
TOPIC_PATTERN = r"^[^#+\x00]*$"
POINTER_PATTERN = r"^(/.*)?$"
ROOT_PATTERN = r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+)*$"
URL_PATTERN = r"^https?://[^\s/?#]+(/[^\s?#]*)?$"
BUCKET_PATTERN = r"^[A-Za-z0-9_.-]{1,120}$"
PATTERN_WORDS = {
    NAME_PATTERN: "is no name; write at most 32 lower-case letters, digits and hyphens",
    TOPIC_PATTERN: "is no single topic; write one without # and +",
    POINTER_PATTERN: 'is no pointer; begin it with a slash, as in "/sensor/temperature"',
    ROOT_PATTERN: "is no root of topics; write letters, digits, hyphens and underscores, with a slash between levels",
    URL_PATTERN: 'is no address; write one such as "https://metrics.example:8428"',
    BUCKET_PATTERN: "is no bucket; write at most 120 letters, digits, dots, hyphens and underscores",
}
"""What is said of text that its pattern does not take."""


def _as_path(value: Any) -> Any:
    if not isinstance(value, str | Path) or "\0" in str(value):
        raise ValueError('is no path; write one in quotation marks, such as "keys/tunnel.key"')
    try:
        return Path(value).expanduser()
    except RuntimeError as error:
        raise ValueError("begins with a home that nobody has here; write the whole path") from error


@cache
def _zones() -> frozenset[str]:
    """Return the zones' names: to find them, the whole tree of their files is walked."""
    return frozenset(available_timezones())


def _known_zone(value: str) -> str:
    if value not in _zones():
        raise ValueError('is no IANA time zone; write one such as "Europe/Zurich"')
    return value


def _host(value: str) -> str:
    try:
        value.encode("idna")
    except UnicodeError as error:
        raise ValueError('is no host; write a name or an address, such as "192.168.1.20"') from error
    return value


def _set_point(value: Any) -> Any:
    try:
        return value if value == "off" else temperature_c(value)
    except ValueError as error:
        raise ValueError('write a number in Cel, text with its unit, such as "65 F", or "off"') from error


def _start(value: Any) -> Any:
    if not isinstance(value, str | date):
        raise ValueError('is no date; write 2026-02-15, or "02-15" for every year')
    return value


Temperature = Annotated[float, BeforeValidator(temperature_c)]
"""[Cel] a number, or text with its unit."""
SetPoint = Annotated[float | Literal["off"], BeforeValidator(_set_point)]
Start = Annotated[str | date | datetime, BeforeValidator(_start)]
Name = Annotated[str, Field(pattern=NAME_PATTERN)]
FilePath = Annotated[Path, BeforeValidator(_as_path)]
Host = Annotated[str, AfterValidator(_host)]
Zone = Annotated[str, AfterValidator(_known_zone)]


class Part(BaseModel):
    """Strict, closed and frozen: a misspelt key is an error, never a default."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)
