"""Payload decoders: bytes from the field become finite values in SI units, or a refusal with its reason."""

import json
import re
from collections.abc import Callable, Mapping, Sequence
from enum import IntEnum, StrEnum
from typing import NamedTuple

from controller.probe import SI_UNIT, TEMPERATURES, Quantity
from controller.units import ZERO_CELSIUS_K, fahrenheit_to_c
from controller.wire.refused import PayloadError, Refusal, Refused, finite_number, shown
from controller.wire.senml import MAX_PAYLOAD_BYTES, Record, encode_senml, resolve

__all__ = [
    "MAX_PAYLOAD_BYTES",
    "Contact",
    "Decoded",
    "Form",
    "Record",
    "Refusal",
    "Refused",
    "belongs",
    "decode",
    "encode_senml",
    "resolve",
]

Conversion = Callable[[float], float]

# In SenML "F" is the farad; only settings can say Fahrenheit.
_SENML_UNITS: Mapping[str, Conversion] = {"K": lambda kelvin: kelvin - ZERO_CELSIUS_K}
_SETTINGS_UNITS: Mapping[str, Conversion] = {**_SENML_UNITS, "F": fahrenheit_to_c, "C": float}

_INDEX = re.compile(r"0|[1-9][0-9]{0,8}")


class Form(StrEnum):
    """How a topic's payload is written; ANY looks at the first character."""

    SENML = "senml"
    NUMBER = "number"
    JSON = "json"
    ANY = "any"


class Contact(IntEnum):
    """The only two values of the quantity `contact`; closed means current can flow."""

    OPEN = 0
    CLOSED = 1


class Decoded(NamedTuple):
    """One value a payload carries.

    Parameters
    ----------
    value
        Finite, in the quantity's SI unit.
    taken_ms
        [ms] UTC stamp the probe gave, or None if it gave none.
    source
        The resolved SenML name; "" for numbers and JSON, which name nobody.
    """

    value: float
    taken_ms: int | None
    source: str


def decode(
    payload: bytes, form: Form, quantity: Quantity, unit: str | None, pointer: str | None, probe: str, now_ms: int
) -> tuple[Decoded, ...] | Refusal:
    """Decode one message of one probe's topic; never raises, whatever the bytes.

    Parameters
    ----------
    payload
        As received, at most MAX_PAYLOAD_BYTES.
    form
        From settings. ANY: "[" is SenML, "{" with a pointer is JSON, all else a number.
    quantity
        Decides the unit; temperatures may come in K and are converted.
    unit
        From settings, for numbers and JSON only (None: the SI unit; "F", "K" and "C" for temperatures).
        SenML carries its own unit, and one without is refused (hazard P18).
    pointer
        RFC 6901 pointer to the number, for JSON.
    probe
        Which SenML records are ours: the resolved name is it, or ends with it after "/" or ":".
    now_ms
        [ms] UTC that SenML's relative times count from.

    Returns
    -------
    One or more values in chronological order (several: a backlog), or why there is none.
    """
    try:
        text = _text(payload)
        chosen = _chosen(form, text, pointer)
        document = strict_json(text)
        if chosen is Form.SENML:
            return _from_senml(resolve(document, now_ms), quantity, probe)
        found = _pointed(document, pointer) if chosen is Form.JSON else document
        value = _in_si(
            finite_number(found, "the payload's value"), quantity, unit or SI_UNIT[quantity], _SETTINGS_UNITS
        )
        return (Decoded(value, None, ""),)
    except PayloadError as refused:
        return Refusal(refused.reason, str(refused))


def _text(payload: bytes) -> str:
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise PayloadError(Refused.TOO_LARGE, f"{len(payload)} bytes is above {MAX_PAYLOAD_BYTES}")
    try:
        return payload.decode("utf-8")
    except UnicodeDecodeError as error:
        raise PayloadError(Refused.NOT_UTF8, f"byte {error.start} is not UTF-8") from error


def _chosen(form: Form, text: str, pointer: str | None) -> Form:
    if form is not Form.ANY:
        return form
    first = text.lstrip(" \t\r\n")[:1]
    if first == "[":
        return Form.SENML
    return Form.JSON if first == "{" and pointer is not None else Form.NUMBER


def strict_json(text: str) -> object:
    """Read JSON as RFC 8259 has it: no NaN or Infinity, no key twice, every number a float (1e309 becomes inf)."""
    try:
        document: object = _STRICT.decode(text)
    except json.JSONDecodeError as error:
        raise PayloadError(Refused.NOT_JSON, f"not JSON at character {error.pos}: {error.msg}") from error
    except RecursionError as error:
        raise PayloadError(Refused.NOT_JSON, "nested too deeply") from error
    return document


def _refuse_constant(word: str) -> float:
    raise PayloadError(Refused.NOT_FINITE, f"{word} is no JSON number")


def _unique_keys(pairs: list[tuple[str, object]]) -> dict[str, object]:
    document = dict(pairs)
    if len(document) != len(pairs):
        raise PayloadError(Refused.DUPLICATE_KEY, "an object has the same key twice; which one is meant is unknown")
    return document


_STRICT = json.JSONDecoder(parse_int=float, parse_constant=_refuse_constant, object_pairs_hook=_unique_keys)


def _pointed(document: object, pointer: str | None) -> object:
    """Follow an RFC 6901 pointer; "" is the whole document."""
    if pointer is None or (pointer and not pointer.startswith("/")) or re.search(r"~(?![01])", pointer):
        raise PayloadError(Refused.POINTER_MISSING, f"pointer {shown(pointer)} is no RFC 6901 pointer")
    for token in pointer.split("/")[1:]:
        # "~1" before "~0", so that "~01" means "~1" and not "/" (RFC 6901, section 4)
        key = token.replace("~1", "/").replace("~0", "~")
        if isinstance(document, dict) and key in document:
            document = document[key]
        elif isinstance(document, list) and _INDEX.fullmatch(key) and int(key) < len(document):
            document = document[int(key)]
        else:
            raise PayloadError(Refused.POINTER_MISSING, f"nothing at {shown(key)} of pointer {shown(pointer)}")
    return document


def _in_si(value: float, quantity: Quantity, unit: str, conversions: Mapping[str, Conversion]) -> float:
    """Return the value in the quantity's SI unit, finite; a contact must be 0 or 1."""
    if quantity is Quantity.CONTACT and value not in (Contact.OPEN, Contact.CLOSED):
        raise PayloadError(Refused.NOT_A_CONTACT, f"a contact is 0 or 1, not {shown(value)}")
    if unit == SI_UNIT[quantity]:
        return value
    if quantity in TEMPERATURES and unit in conversions:
        return finite_number(conversions[unit](value), "the converted value")
    raise PayloadError(
        Refused.WRONG_UNIT, f"{quantity} is kept in {SI_UNIT[quantity]}; unit {shown(unit)} cannot be used"
    )


def _from_senml(records: Sequence[Record], quantity: Quantity, probe: str) -> tuple[Decoded, ...]:
    ours = [record for record in records if len(records) == 1 or belongs(record.name, probe)]
    if not ours:
        raise PayloadError(Refused.NO_RECORD, f"no record's name ends with {shown(probe)}")
    return tuple(_measured(record, quantity) for record in ours)


def belongs(name: str, probe: str) -> bool:
    """Whether a record's full name is a probe's."""
    return name == probe or name.endswith((f"/{probe}", f":{probe}"))


def _measured(record: Record, quantity: Quantity) -> Decoded:
    """Return the record as a measurement: only an explicit `v` counts, since a missing one reads 0 (hazard P20)."""
    taken_ms = round(record.time_s * 1000) if record.stamped else None
    if record.flag is not None and quantity is Quantity.CONTACT:
        value = _in_si(float(record.flag), quantity, record.unit or SI_UNIT[quantity], {})
        return Decoded(value, taken_ms, record.name)
    if not record.explicit or record.value is None:
        raise PayloadError(Refused.NO_VALUE, f"record {shown(record.name)} has no explicit numeric v")
    if not record.unit:
        raise PayloadError(Refused.NO_UNIT, f"record {shown(record.name)} has no unit; {quantity} needs one")
    return Decoded(_in_si(record.value, quantity, record.unit, _SENML_UNITS), taken_ms, record.name)
