"""What a request body may say: strict, closed, finite."""

from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, JsonValue, StringConstraints
from pydantic_core import PydanticCustomError

from controller.clock import from_rfc3339
from controller.safety.limits import HIGHEST_SET_POINT_C, LONGEST_AT_WORK_S, LONGEST_SHELVED_S
from controller.tuning.pulses import FEWEST, MOST
from controller.units import fahrenheit_to_c

LOWEST_SET_POINT_C = -5.0
"""[Cel] Colder than any frost guard needs. Source: engineering judgement."""


def set_point_fault(value_c: float, highest_c: float, whose: str) -> str | None:
    """Say what is wrong with a set point [Cel], with a hint if it looks like Fahrenheit (hazard O01); None if nothing.

    Parameters
    ----------
    highest_c
        [Cel] the limit.
    whose
        What the limit is called, such as "hard limit".
    """
    if value_c < LOWEST_SET_POINT_C:
        return f"set point {value_c:.1f} Cel is below the lowest allowed {LOWEST_SET_POINT_C:.1f}"
    if value_c <= highest_c:
        return None
    fault = f"set point {value_c:.1f} Cel is above the {whose} {highest_c:.1f}"
    meant_c = fahrenheit_to_c(value_c)
    if meant_c <= highest_c:
        fault += f"; did you mean {value_c:g} F? send {meant_c:.1f}"
    return fault


def _within_hard_limit(value_c: float) -> float:
    fault = set_point_fault(value_c, HIGHEST_SET_POINT_C, "hard limit")
    if fault is not None:
        raise PydanticCustomError("said", "{fault}", {"fault": fault})
    return value_c


def _is_time(text: str) -> str:
    try:
        from_rfc3339(text)
    except (ValueError, OverflowError) as error:
        raise PydanticCustomError("time", "write an RFC 3339 time such as 2026-03-01T06:00:00Z") from error
    return text


SetPointC = Annotated[
    float,
    AfterValidator(_within_hard_limit),
    Field(json_schema_extra={"minimum": LOWEST_SET_POINT_C, "maximum": HIGHEST_SET_POINT_C}),
]
"""[Cel] within the hard limits."""

Why = Annotated[
    str,
    StringConstraints(strip_whitespace=True, min_length=3, max_length=300),
    Field(description="Why, in a few words; kept in the journal with your name."),
]

Time = Annotated[str, AfterValidator(_is_time), Field(json_schema_extra={"format": "date-time"}, max_length=40)]


class Body(BaseModel):
    """Strict, closed and finite."""

    model_config = ConfigDict(strict=True, extra="forbid", allow_inf_nan=False, frozen=True)


class SetPoint(Body):
    """Ask for another soil temperature, or, with null, go back to the schedule."""

    set_point_c: SetPointC | None = Field(description="[Cel], or null to go back to the schedule")
    until: Time | None = Field(default=None, description="when the schedule takes over again; null: never by itself")
    why: Why


class Arm(Body):
    """Let this enclosure be heated."""

    why: Why


class Disarm(Body):
    """Take heat away from this enclosure until it is armed again."""

    why: Why


class Reset(Body):
    """End a trip whose cause is gone."""

    trip: str = Field(min_length=1, max_length=100, description="the trip's name, as the status gives it")
    why: Why


class Stop(Body):
    """Lock heat off at once; a reason may be given and is never waited for."""

    why: Why = "stop pressed"


class AtWork(Body):
    """Keep heat off while somebody works at the enclosure; afterwards it is disarmed."""

    minutes: float = Field(gt=0, le=LONGEST_AT_WORK_S / 60, description="[min] how long")
    why: Why


class Shelve(Body):
    """Put an alert aside for some hours; it comes back by itself."""

    alert: str = Field(min_length=1, max_length=100, description="the alert's name, as the status gives it")
    hours: float = Field(gt=0, le=LONGEST_SHELVED_S / 3600, description="[h] how long")
    why: Why


class Acknowledge(Body):
    """Take note of a break in the journal's chain, so that heat may be armed again."""

    sequence: int = Field(ge=1, lt=2**53, description="where the chain first breaks, as the proof gives it")
    why: Why


class Trial(Body):
    """Ask for pulses of heat in the coming night, to learn the enclosure by; 0 ends a trial."""

    pulses: int = Field(ge=0, le=MOST, description=f"0, which ends a trial, or {FEWEST} to {MOST}")
    why: Why


Three = Annotated[list[float], Field(min_length=3, max_length=3)]


class Adopt(Body):
    """Adopt a model in place of the one in use; bounds round what shape and materials give are kept."""

    figures: dict[str, float] = Field(description="every figure by name, as `soilward tune` finds them")
    likely: dict[str, Three] = Field(description="value, low and high by name; may be empty")
    why: Why


class OnBehalf(Body):
    """What the command on this machine asks for somebody."""

    enclosure: str = Field(min_length=1, max_length=60)
    kind: Literal["trial", "adopt"]
    arguments: dict[str, JsonValue]
    why: Why


class NewPerson(Body):
    """Somebody to be added."""

    name: str = Field(min_length=1, max_length=40)
    role: Literal["view", "operate"]
    password: str = Field(min_length=1, max_length=200)


class LogIn(Body):
    """Name and password."""

    name: str = Field(min_length=1, max_length=40)
    password: str = Field(min_length=1, max_length=200)
