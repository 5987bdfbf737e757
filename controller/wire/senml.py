"""SenML packs (RFC 8428): resolving every record to full name, unit, value and time, and writing packs."""

import json
import math
import re
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from controller.wire.refused import PayloadError, Refused, finite_number, shown

MAX_PAYLOAD_BYTES = 16384
"""[byte] Engineering judgement: a backlog of some 300 readings, far below what could hold up a tick (hazard B10)."""

KNOWN_VERSION = 10
"""The version RFC 8428 defines, and the default (section 4.4)."""

ABSOLUTE_FROM_S = 2.0**28
"""[s] From here a time counts from 1970, below it from now (RFC 8428, section 4.5.3)."""

LATEST_S = 253_402_300_799.0
"""[s] 9999-12-31T23:59:59Z, the last second RFC 3339 can write; engineering judgement."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9:./_-]*")
_VALUE_LABELS = frozenset({"v", "vs", "vb", "vd"})


class Record(NamedTuple):
    """One resolved record: base fields are added in, nothing is inherited any more.

    Parameters
    ----------
    name, unit
        Full name; unit from `u`, else `bu`, else None.
    time_s
        [s] since 1970-01-01T00:00Z, relative times resolved.
    stamped
        Whether the pack gave any time; without one `time_s` is our now.
    value, explicit
        `bv` + `v`; `explicit` is False when there was no `v` and the RFC counts it as 0 (section 4.5.4).
    text, flag, data
        `vs`, `vb`, `vd` (still base64url).
    total
        Sum, `bs` + `s`, in unit x second.
    update_s
        [s] `ut`, the longest time until the next record.
    version
        `bver` of the pack.
    """

    name: str
    unit: str | None
    time_s: float
    stamped: bool
    value: float | None = None
    explicit: bool = False
    text: str | None = None
    flag: bool | None = None
    data: str | None = None
    total: float | None = None
    update_s: float | None = None
    version: int = KNOWN_VERSION


class _Base(NamedTuple):
    """The base fields in force at one record."""

    name: str | None = None
    time_s: float | None = None
    unit: str | None = None
    value: float | None = None
    total: float | None = None


def resolve(pack: object, now_ms: int) -> tuple[Record, ...]:
    """Resolve a decoded SenML pack; records come back in chronological order.

    Parameters
    ----------
    pack
        What a JSON reader made of the payload: a list of dicts.
    now_ms
        [ms] UTC that relative times count from.

    Raises
    ------
    PayloadError
        BAD_SENML, VERSION, NO_VALUE, NOT_A_NUMBER or NOT_FINITE.

    Source: RFC 8428, sections 4.1-4.6.
    """
    if not isinstance(pack, list) or not pack:
        raise PayloadError(Refused.BAD_SENML, "a SenML pack is a JSON array of at least one record")
    version = _version(pack)
    base, records = _Base(), []
    for item in pack:
        _refuse_unknown(item)
        base = _inherit(base, item)
        records.append(_record(item, base, now_ms / 1000, version))
    return tuple(sorted(records, key=lambda record: record.time_s))


def _version(pack: Sequence[object]) -> int:
    """Return the one version of the pack; a newer one must not be used, a mixed one is an error (section 4.4)."""
    known = float(KNOWN_VERSION)
    for index, item in enumerate(pack):
        if not isinstance(item, dict):
            raise PayloadError(Refused.BAD_SENML, f"record {index} is {shown(item)}, not an object")
        said = _number(item, "bver")
        if said is None:
            continue
        if said < 1 or not said.is_integer():
            raise PayloadError(Refused.BAD_SENML, f"bver {shown(said)} is not a positive integer")
        if said > KNOWN_VERSION:
            raise PayloadError(Refused.VERSION, f"bver {shown(said)} is above the known {KNOWN_VERSION}")
        if index > 0 and said != known:
            raise PayloadError(Refused.BAD_SENML, "records of one pack differ in bver")
        known = said
    return int(known)


def _refuse_unknown(item: Mapping[str, object]) -> None:
    """Refuse a label we must understand but do not (it ends in "_"); all other unknown labels are ignored."""
    for label in item:
        if label.endswith("_"):
            raise PayloadError(Refused.BAD_SENML, f"label {shown(label)} must be understood and is not")
    present = sorted(_VALUE_LABELS & item.keys())
    if len(present) > 1:
        raise PayloadError(Refused.BAD_SENML, f"a record has more than one value: {', '.join(present)}")


def _inherit(base: _Base, item: Mapping[str, object]) -> _Base:
    """Return the base in force at `item`: a new base field replaces the old one and holds on (section 4.1)."""
    name, unit = _text(item, "bn"), _text(item, "bu")
    time_s, value, total = _number(item, "bt"), _number(item, "bv"), _number(item, "bs")
    return _Base(
        base.name if name is None else name,
        base.time_s if time_s is None else time_s,
        base.unit if unit is None else unit,
        base.value if value is None else value,
        base.total if total is None else total,
    )


def _record(item: Mapping[str, object], base: _Base, now_s: float, version: int) -> Record:
    name = (base.name or "") + (_text(item, "n") or "")
    if _NAME.fullmatch(name) is None:
        raise PayloadError(Refused.BAD_SENML, f"name {shown(name)} is empty or has characters SenML forbids")
    own_time_s, own_value, unit = _number(item, "t"), _number(item, "v"), _text(item, "u")
    other = bool(item.keys() & {"vs", "vb", "vd"})
    record = Record(
        name=name,
        unit=base.unit if unit is None else unit,
        time_s=_absolute_s((base.time_s or 0.0) + (own_time_s or 0.0), now_s),
        stamped=own_time_s is not None or base.time_s is not None,
        value=None if other else _added(base.value, own_value),
        explicit=own_value is not None,
        text=_text(item, "vs"),
        flag=_flag(item),
        data=_text(item, "vd"),
        total=_added(base.total, _number(item, "s")),
        update_s=_number(item, "ut"),
        version=version,
    )
    if not other and record.value is None and record.total is None:
        raise PayloadError(Refused.NO_VALUE, f"record {shown(name)} has neither a value nor a sum")
    return record


def _added(base: float | None, own: float | None) -> float | None:
    """Return base + own, a missing one counting as 0 (section 4.5.4); None if both are missing."""
    if base is None and own is None:
        return None
    return finite_number((base or 0.0) + (own or 0.0), "base plus value")


def _absolute_s(time_s: float, now_s: float) -> float:
    absolute_s = time_s if time_s >= ABSOLUTE_FROM_S else now_s + time_s
    if not 0 <= absolute_s <= LATEST_S:
        raise PayloadError(Refused.BAD_SENML, f"time {shown(time_s)} s is outside the years 1970 to 9999")
    return absolute_s


def _number(item: Mapping[str, object], label: str) -> float | None:
    return finite_number(item[label], label) if label in item else None


def _text(item: Mapping[str, object], label: str) -> str | None:
    value = item.get(label)
    if label in item and not isinstance(value, str):
        raise PayloadError(Refused.BAD_SENML, f"{label} is {shown(value)}, not text")
    return value if isinstance(value, str) else None


def _flag(item: Mapping[str, object]) -> bool | None:
    value = item.get("vb")
    if "vb" in item and not isinstance(value, bool):
        raise PayloadError(Refused.BAD_SENML, f"vb is {shown(value)}, not true or false")
    return value if isinstance(value, bool) else None


def encode_senml(source: str, probe: str, unit: str, samples: Sequence[tuple[int, float]]) -> bytes:
    """Write samples of one probe as a SenML pack.

    Parameters
    ----------
    source, probe
        The node's name and the probe's; together the resolved name `urn:dev:ops:{source}:{probe}`.
    unit
        A unit of RFC 8428, section 12.1.
    samples
        ([ms] UTC, value) pairs; times absolute, values finite.

    Raises
    ------
    ValueError
        No samples, a forbidden name, a value not finite, a time SenML would call relative, or a pack too large.
    """
    base = f"urn:dev:ops:{source}:"
    if not source or not probe or _NAME.fullmatch(base + probe) is None:
        raise ValueError(f"name {base + probe!r} has characters SenML forbids")
    if not samples or not all(math.isfinite(value) for _, value in samples):
        raise ValueError("a pack needs at least one sample, and finite values only")
    if not all(ABSOLUTE_FROM_S <= taken_ms / 1000 <= LATEST_S for taken_ms, _ in samples):
        raise ValueError("sample times are [ms] UTC, from 1978-07-04 to 9999")
    first_ms = samples[0][0]
    pack: list[dict[str, object]] = [
        {"n": probe, "t": (taken_ms - first_ms) / 1000, "v": value} for taken_ms, value in samples
    ]
    pack[0] = {"bn": base, "bt": first_ms / 1000, "bu": unit, "n": probe, "v": samples[0][1]}
    payload = json.dumps(pack, separators=(",", ":"), allow_nan=False).encode()
    if len(payload) > MAX_PAYLOAD_BYTES:
        raise ValueError(f"a pack of {len(payload)} bytes is above {MAX_PAYLOAD_BYTES}; send fewer samples at once")
    return payload
