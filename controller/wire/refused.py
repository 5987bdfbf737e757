"""Why a payload is refused: a value with a reason, never an exception past `decode`."""

import math
from dataclasses import dataclass
from enum import StrEnum


class Refused(StrEnum):
    """The closed set of reasons; the word is also what the journal and the API say."""

    TOO_LARGE = "too-large"
    NOT_UTF8 = "not-utf8"
    NOT_JSON = "not-json"
    DUPLICATE_KEY = "duplicate-key"
    NOT_A_NUMBER = "not-a-number"
    NOT_FINITE = "not-finite"
    NOT_A_CONTACT = "not-a-contact"
    NO_VALUE = "no-value"
    NO_UNIT = "no-unit"
    WRONG_UNIT = "wrong-unit"
    NO_RECORD = "no-record"
    POINTER_MISSING = "pointer-missing"
    BAD_SENML = "bad-senml"
    VERSION = "version"


@dataclass(frozen=True, slots=True)
class Refusal:
    """A payload that is not used: the reason, and a detail for people (plain ASCII, bounded)."""

    reason: Refused
    detail: str


class PayloadError(ValueError):
    """Carries a refusal up to `decode`; it never leaves the wire package."""

    def __init__(self, reason: Refused, detail: str) -> None:
        super().__init__(detail)
        self.reason = reason


def shown(value: object) -> str:
    """Return a value from the field as short ASCII text: containers by kind only, so no depth or size can hurt."""
    if isinstance(value, list):
        return "an array"
    if isinstance(value, dict):
        return "an object"
    if isinstance(value, int) and value.bit_length() > 64:
        return "a huge integer"
    return ascii(value)[:60]


def finite_number(value: object, what: str) -> float:
    """Return a JSON number as a finite float; a bool or text is no number.

    Raises
    ------
    PayloadError
        NOT_A_NUMBER or NOT_FINITE; `what` names the thing in the detail.
    """
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise PayloadError(Refused.NOT_A_NUMBER, f"{what} is {shown(value)}, not a JSON number")
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise PayloadError(Refused.NOT_FINITE, f"{what} is not finite")
    return number
