"""What every part of the settings is made of: strict, closed tables, and values that people write in their own way."""

from functools import cache
from pathlib import Path
from typing import Annotated, Any
from zoneinfo import available_timezones

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from controller.units import temperature_c

NAME_PATTERN = r"^[a-z0-9][a-z0-9-]{0,31}$"


def _as_path(value: Any) -> Any:
    return Path(value) if isinstance(value, str) else value


@cache
def _zones() -> frozenset[str]:
    """Return the zones' names: to find them, the whole tree of their files is walked."""
    return frozenset(available_timezones())


def _known_zone(value: str) -> str:
    if value not in _zones():
        raise ValueError('is no IANA time zone; write one such as "Europe/Zurich"')
    return value


Temperature = Annotated[float, BeforeValidator(temperature_c)]
"""[Cel] a number, or text with its unit."""
Name = Annotated[str, Field(pattern=NAME_PATTERN)]
FilePath = Annotated[Path, BeforeValidator(_as_path)]
Zone = Annotated[str, AfterValidator(_known_zone)]


class Part(BaseModel):
    """Strict, closed and frozen: a misspelt key is an error, never a default."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)
