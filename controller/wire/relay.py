"""Heater command and heater state on the wire: signed, numbered, strictly read."""

import hmac
import json
import math
import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from controller.clock import Moment, from_rfc3339, rfc3339
from controller.safety.lease import Order
from controller.state import NodeReport

LARGEST_BYTES = 1024
LARGEST_REPORT_BYTES = 2048
"""Room for as many faults and reasons as a report may name, each at its longest."""
COMMAND_FIELDS = {"on", "armed", "lease_s", "epoch", "seq", "issued", "by", "mac"}
MOST_NAMES = 16
"""Faults, and reasons of refusal, in one report."""
MOST_A = 10_000.0
"""[A] More is no current that was measured, and counts as not told. Source: engineering judgement, 20 kW at 12 V six
times over."""
PROOFS = {"", "running", "passed", "failed", "not-possible"}
_NAME = re.compile(r"[a-z0-9_-]{1,40}")


class WireError(ValueError):
    """A command or state that is not as the contract says; the text is the reason it is counted under."""


@dataclass(frozen=True, slots=True)
class Command:
    """One heater command as a node reads it.

    Parameters
    ----------
    issued_ms
        [ms] by the controller's clock, which does not jump within an epoch.
    signed
        Whether its mac is right for the key that was given.
    """

    on: bool
    armed: bool
    lease_s: float
    epoch: int
    seq: int
    issued_ms: int
    by: str
    signed: bool


@dataclass(frozen=True, slots=True)
class Health:
    """What a node says of itself beside its contacts, as in `NodeReport`.

    Parameters
    ----------
    notices
        What people should know and is no fault: "power-low".
    by
        Whose command it obeyed last; "" before the first.
    """

    faults: tuple[str, ...] = ()
    notices: tuple[str, ...] = ()
    refused: tuple[tuple[str, int], ...] = ()
    limits: str = ""
    boots: int = 1
    proof: str = ""
    by: str = ""


_written = json.JSONEncoder(sort_keys=True, separators=(",", ":")).encode
"""Made once: an encoder that is not the usual one costs as much as what it writes."""


_TRUTH = {True: "true", False: "false"}
_text = lru_cache(maxsize=100)(_written)
"""A text as JSON: there is one name of ours, and a few of others."""


def _canonical(fields: dict[str, Any]) -> bytes:
    return _written(fields).encode()


@lru_cache(maxsize=10_000)
def _signing(key: bytes) -> hmac.HMAC:
    """Return what signs with a key, to be copied: `hmac.digest` lets Python's lock go, and the loop waits for it."""
    return hmac.new(key, digestmod="sha256")


def _signed(unsigned: bytes, key: bytes) -> str:
    signing = _signing(key).copy()
    signing.update(unsigned)
    return signing.hexdigest()


def mac_of(fields: dict[str, Any], key: bytes) -> str:
    """Return HMAC-SHA256 over every field but `mac`, as JSON with sorted keys and no spaces. Source: RFC 2104."""
    return _signed(_canonical({name: value for name, value in fields.items() if name != "mac"}), key)


def encode_command(
    order: Order, lease_s: float, epoch: int, seq: int, issued_ms: int, by: str, key: bytes | None
) -> bytes:
    """Write a command; without a key the mac is empty."""
    # As `_canonical` writes it, in a third of the time (1.7 µs for 5.4, without the mac).
    before = f'{{"armed":{_TRUTH[order.armed]},"by":{_text(by)},"epoch":{epoch},"issued":"{rfc3339(issued_ms)}"'
    before += f',"lease_s":{lease_s!r}'
    after = f',"on":{_TRUTH[order.on]},"seq":{seq}}}'
    mac = _signed(f"{before}{after}".encode(), key) if key else ""
    return f'{before},"mac":"{mac}"{after}'.encode()


def _fields(payload: bytes, most: int = LARGEST_BYTES) -> dict[str, Any]:
    if len(payload) > most:
        raise WireError("too-large")
    try:
        fields = json.loads(payload.decode("utf-8"))
    except (UnicodeDecodeError, json.JSONDecodeError, RecursionError) as error:
        raise WireError("not-json") from error
    if not isinstance(fields, dict):
        raise WireError("not-an-object")
    return fields


def _number(fields: dict[str, Any], name: str, least: float = 0.0) -> float:
    value = fields.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise WireError(f"bad-{name}")
    try:
        number = float(value)
    except OverflowError as error:
        raise WireError(f"bad-{name}") from error
    if not math.isfinite(number) or number < least:
        raise WireError(f"bad-{name}")
    return number


def _truth(fields: dict[str, Any], name: str) -> bool:
    value = fields.get(name)
    if not isinstance(value, bool):
        raise WireError(f"bad-{name}")
    return value


def _count(fields: dict[str, Any], name: str) -> int:
    value = fields.get(name)
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**53:
        raise WireError(f"bad-{name}")
    return value


def decode_command(payload: bytes, key: bytes | None) -> Command:
    """Read a command.

    Raises
    ------
    WireError
        With the reason, if any field is missing, unknown or not of its kind.
    """
    fields = _fields(payload)
    if not fields.keys() <= COMMAND_FIELDS:
        raise WireError("unknown-field")
    mac, by, issued = fields.get("mac"), fields.get("by"), fields.get("issued")
    if not isinstance(by, str) or not isinstance(issued, str) or not isinstance(mac, str):
        raise WireError("bad-text")
    try:
        issued_ms = from_rfc3339(issued)
    except (ValueError, OverflowError) as error:
        raise WireError("bad-issued") from error
    signed = key is None or hmac.compare_digest(mac_of(fields, key).encode(), mac.encode("utf-8", "replace"))
    return Command(
        _truth(fields, "on"), _truth(fields, "armed"), _number(fields, "lease_s"), _count(fields, "epoch"),
        _count(fields, "seq"), issued_ms, by, signed,
    )  # fmt: skip


def says_off(payload: bytes) -> bool:
    """Whether a payload, however broken otherwise, asks for off: off is always obeyed."""
    try:
        return _fields(payload).get("on") is False
    except WireError:
        return False


def encode_report(
    on: bool, armed: bool, epoch: int, seq: int, lease_left_s: float, amps: float | None, drops: int, uptime_s: float,
    health: Health = Health(),
) -> bytes:  # fmt: skip
    """Write heater/state; of more refusals than fit, the most frequent."""
    refused = sorted(health.refused, key=lambda each: -each[1])[:MOST_NAMES]
    return _canonical(
        {
            "on": on,
            "armed": armed,
            "epoch": epoch,
            "seq": seq,
            "lease_left_s": round(lease_left_s, 2),
            "amps": None if amps is None else round(amps, 3),
            "drops": drops,
            "uptime_s": round(uptime_s, 1),
            "faults": health.faults[:MOST_NAMES],
            "notices": health.notices[:MOST_NAMES],
            "refused": dict(refused),
            "limits": health.limits,
            "boots": health.boots,
            "proof": health.proof,
            "by": health.by,
        }
    )


def _names(found: Any, name: str) -> tuple[str, ...]:
    """Return short plain names: they reach people and the journal, so nothing else may hide in them."""
    if not isinstance(found, list) or len(found) > MOST_NAMES:
        raise WireError(f"bad-{name}")
    if not all(isinstance(each, str) and _NAME.fullmatch(each) for each in found):
        raise WireError(f"bad-{name}")
    return tuple(found)


def _health(fields: dict[str, Any]) -> Health:
    """Read what a node may leave out."""
    told = {"faults": [], "notices": [], "refused": {}, "limits": "", "boots": 1, "proof": "", "by": ""} | fields
    faults, notices = _names(told["faults"], "faults"), _names(told["notices"], "notices")
    refused, proof, by = told["refused"], told["proof"], told["by"]
    if not isinstance(refused, dict):
        raise WireError("bad-refused")
    # Not by their own names: what is refused is counted by its reason, and somebody might invent ever new ones.
    counts = {name: _count({"refused": refused[name]}, "refused") for name in _names(list(refused), "refused")}
    limits = _names([told["limits"]], "limits")[0] if told["limits"] != "" else ""
    if not isinstance(proof, str) or proof not in PROOFS:
        raise WireError("bad-proof")
    if not isinstance(by, str):
        raise WireError("bad-by")
    return Health(faults, notices, tuple(counts.items()), limits, _count(told, "boots"), proof, by)


def decode_report(payload: bytes, arrived: Moment) -> NodeReport | None:
    """Read heater/state; None when it is the Will's "offline".

    Raises
    ------
    WireError
        With the reason.
    """
    if payload == b"offline":
        return None
    fields = _fields(payload, LARGEST_REPORT_BYTES)
    amps = None if fields.get("amps") is None else _number(fields, "amps")
    if amps is not None and amps > MOST_A:
        amps = None
    health = _health(fields)
    return NodeReport(
        arrived.mono_s, arrived.utc_ms, _truth(fields, "on"), _truth(fields, "armed"), _number(fields, "lease_left_s"),
        amps, _count(fields, "drops"), _number(fields, "uptime_s"), _count(fields, "epoch"), _count(fields, "seq"),
        health.faults, health.refused, health.limits, health.boots, health.proof, health.notices,
        health.by,
    )  # fmt: skip
