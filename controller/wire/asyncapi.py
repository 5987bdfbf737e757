"""The wire as AsyncAPI 3, made from the settings: `soilward asyncapi` prints it."""

from typing import Any

from controller.enclosure_settings import Enclosure
from controller.probe import SI_UNIT
from controller.routing import probe_topic
from controller.settings import Broker, Settings

NUMBER: dict[str, Any] = {"type": "number"}
TRUTH: dict[str, Any] = {"type": "boolean"}
COUNT: dict[str, Any] = {"type": "integer", "minimum": 0}


NAME: dict[str, Any] = {"type": "string", "pattern": "^[a-z0-9_-]{1,40}$"}
NAMES: dict[str, Any] = {"type": "array", "items": NAME, "maxItems": 16}


def _record(fields: dict[str, dict[str, Any]], optional: dict[str, dict[str, Any]] | None = None) -> dict[str, Any]:
    return {"type": "object", "properties": fields | (optional or {}), "required": list(fields)}


COMMAND = _record(
    {
        "on": {**TRUTH, "description": "K1 may be closed"},
        "armed": {**TRUTH, "description": "K2 may be closed"},
        "lease_s": {**NUMBER, "maximum": 15, "description": "seconds the contacts may stay closed without renewal"},
        "epoch": {**COUNT, "description": "rises with every controller start"},
        "seq": {**COUNT, "description": "rises with every command"},
        "issued": {"type": "string", "format": "date-time"},
        "by": {"type": "string", "description": "who commands; a second one is refused while a first one's lease runs"},
        "mac": {"type": "string", "description": "HMAC-SHA256 over the other fields as JSON, keys sorted, no spaces"},
    }
)
STATE = _record(
    {
        "on": {**TRUTH, "description": "both contacts are told closed, to heat"},
        "armed": {**TRUTH, "description": "K2 is told closed, to heat; not during the proof"},
        "epoch": COUNT,
        "seq": COUNT,
        "lease_left_s": NUMBER,
        "amps": {"type": ["number", "null"]},
        "drops": {**COUNT, "description": "leases that ended with the contact closed"},
        "uptime_s": NUMBER,
    },
    {
        "faults": {**NAMES, "description": "what the node has locked itself off for"},
        "notices": {**NAMES, "description": "what people should know and is no fault"},
        "refused": {
            "type": "object",
            "propertyNames": NAME,
            "additionalProperties": COUNT,
            "maxProperties": 16,
            "description": "how often it refused heat since it booted, by reason",
        },
        "limits": {"type": "string", "description": "digest of the limits its program holds"},
        "boots": {**COUNT, "description": "boots without ten minutes of steady running, this one included"},
        "proof": {"enum": ["", "running", "passed", "failed", "not-possible"], "description": "of K1 and K2"},
        "by": {"type": "string", "description": "whose command it obeyed last"},
    },
)


def document(settings: Settings) -> dict[str, Any]:
    """Return the AsyncAPI 3.0 document of this site, from the controller's side.

    Source: AsyncAPI specification 3.0.0; MQTT bindings 0.2.0.
    """
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    root = settings.broker.root
    listed = [each for enclosure in settings.enclosure for each in _channels(root, enclosure)]
    for key, action, channel, qos in listed + _presence(settings.broker):
        channels[key] = channel
        operations[key] = _operation(key, action, qos)
    operations["canary-heard"] = _operation("canary", "receive", 0)
    if settings.broker.read_username:
        for each in settings.enclosure:
            if each.heater.relay == "node":
                operations[f"{each.name}-command-heard"] = _operation(f"{each.name}-command", "receive", 1)
    version = "5" if settings.broker.protocol == "5" else "3.1.1"
    return {
        "asyncapi": "3.0.0",
        "info": {"title": f"Soilward at {settings.site.name}", "version": "1"},
        "servers": {
            "broker": {
                "host": f"{settings.broker.host}:{settings.broker.port}",
                "protocol": "secure-mqtt" if settings.broker.ca_file else "mqtt",
                "protocolVersion": version,
            }
        },
        "channels": channels,
        "operations": operations,
    }


def _operation(channel: str, action: str, qos: int) -> dict[str, Any]:
    retained = action == "send" and (channel in {"presence", "canary"} or channel.endswith("-status"))
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{channel}"},
        "bindings": {"mqtt": {"qos": qos, "retain": retained, "bindingVersion": "0.2.0"}},
    }


def _presence(broker: Broker) -> list[tuple[str, str, dict[str, Any], int]]:
    """Return what the controller says of itself, and the numbers by which it sees whether the broker delivers."""
    online = {"enum": ["online", "offline"], "description": "offline is the Will"}
    number = {"type": "string", "description": "a token and a number, from the controller to itself"}
    topic = f"{broker.root}/presence/{broker.client_id}"
    return [
        ("presence", "send", _channel(topic, "presence", online, "text/plain"), 1),
        ("canary", "send", _channel(f"{topic}/canary", "canary", number, "text/plain"), 1),
    ]


def _channels(root: str, enclosure: Enclosure) -> list[tuple[str, str, dict[str, Any], int]]:
    name = enclosure.name
    found = [
        (f"{name}-command", "send", _channel(f"{root}/{name}/heater/command", "command", COMMAND), 1),
        (f"{name}-state", "receive", _channel(f"{root}/{name}/heater/state", "state", STATE), 1),
        (f"{name}-status", "send", _channel(f"{root}/{name}/status", "status", {"type": "object"}), 0),
    ]
    for probe in enclosure.probe:
        unit = probe.unit or SI_UNIT[probe.quantity]
        words = f"{probe.quantity} in {unit}: a SenML pack (RFC 8428), a bare number, or JSON read by a pointer"
        topic = probe_topic(root, name, probe)
        found.append((f"{name}-{probe.name}", "receive", _channel(topic, "reading", {"description": words}), 1))
    return found


def _channel(address: str, message: str, payload: dict[str, Any], kind: str = "application/json") -> dict[str, Any]:
    return {"address": address, "messages": {message: {"contentType": kind, "payload": payload}}}
