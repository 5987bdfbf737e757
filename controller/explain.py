"""Why heat is on or off, in plain sentences: verdict, reason, what happens next, what to do."""

import re
from collections.abc import Mapping
from typing import Any

from controller.clock import from_rfc3339
from controller.status import Words
from controller.units import c_to_fahrenheit, percent

TO_DO = {
    "soil-over": "Go and look: is a probe on the cable, is the soil dry? Then reset here with a reason.",
    "air-fire": "Go and look: is anything burning? Call for help first. Then reset here with a reason.",
    "air-rise": "Go and look: is anything burning? Call for help first. Then reset here with a reason.",
    "heater-surface-over": "Go and look: is the intake covered, is film on the heater? Then reset here with a reason.",
    "heat-above-set-point": "Switch the heater off at its socket and look at the journal. Then reset with a reason.",
    "internal-fault": "Look at the journal for what failed. Then reset here with a reason.",
    "latches-lost": "Look at the heater and the disk. Then reset here with a reason.",
    "stopped-by-person": "Ask who stopped it and why. Then reset here with a reason.",
    "air-probes-differ": "Go and look: one of the two air probes is wrong. Then reset here with a reason.",
    "no-heating-response": "Go and look: is the probe in the soil, does the heater warm? Then reset with a reason.",
    "heater-exposed": "Go and look: is the cable covered with soil all along? Then reset here with a reason.",
    "heat-not-asked-for": "Pull the heater's plug, then look: the relay may be welded. Then reset with a reason.",
    "node-clock": "Replace the relay node. Then reset here with a reason.",
    "node-fault": "Pull the heater's plug, then look at relay and heater. Then reset here with a reason.",
}
_CELSIUS = re.compile(r"(-?\d+(?:\.\d+)?) Cel\b")
_UNIT = re.compile(r"(?<=\d) Cel\b")


def in_fahrenheit(text: str) -> str:
    """Rewrite every "n Cel" in a sentence in degrees Fahrenheit."""
    return _CELSIUS.sub(lambda found: f"{c_to_fahrenheit(float(found[1])):.1f} °F", text)


def in_celsius(text: str) -> str:
    """Rewrite every "n Cel" in a sentence as people write it."""
    return _UNIT.sub(" °C", text) if "Cel" in text else text


def explain(status: Mapping[str, Any], fahrenheit: bool) -> Words:
    """Say what a status (as JSON gives it) means, in the reader's unit."""
    plain = _plain(status)
    written = in_fahrenheit if fahrenheit else in_celsius
    return Words(written(plain.verdict), written(plain.because), written(plain.next), written(plain.do))


def _plain(status: Mapping[str, Any]) -> Words:
    if status["trips"]:
        return _locked_off(status)
    lost = [each for each in status["permissives"] if not each["holds"]]
    if not status["armed"]:
        return Words("Not armed: no heat.", _soil(status), "", "Arm it when someone has looked at the heater.")
    if lost:
        first = lost[0]
        returns = first["returns"]
        verdict = f"Off: {first['detail']}."
        return Words(verdict, _soil(status), f"Heat returns by itself {returns}." if returns else "", _urgent(first))
    return _in_service(status)


def _locked_off(status: Mapping[str, Any]) -> Words:
    # What still is so comes first, for that is what somebody must see to.
    trip = min(status["trips"], key=lambda each: each["cause_gone"])
    verdict = f"Heat is locked off: {trip['detail']}."
    after = "The cause is gone; it waits for a person." if trip["cause_gone"] else "The cause is still there."
    more = len(status["trips"]) - 1
    also = f" {more} more trip{'s' if more > 1 else ''} latched." if more else ""
    return Words(verdict, f"{after}{also} {_soil(status)}".strip(), "", TO_DO.get(trip["kind"], ""))


def _urgent(permissive: Mapping[str, Any]) -> str:
    """What a person should do about a lost permissive, if anything."""
    if permissive["name"] == "nothing over its limit" and permissive["detail"].startswith("air"):
        return "Sun or fire: go and look."
    if permissive["name"] == "air below its no-heat limit":
        return "Open the vents."
    return ""


def _soil(status: Mapping[str, Any]) -> str:
    soil, asked = status["soil_c"], status["set_point"]["asked_c"]
    if soil is None:
        return "No soil probe can be believed now."
    return f"Soil {soil:.1f} Cel" + (f", asked {asked:.1f} Cel." if asked is not None else ", nothing asked.")


def _open_for_s(status: Mapping[str, Any]) -> float:
    since = status["heat"]["contact_since"]
    return 0.0 if since is None else (status["at_ms"] - from_rfc3339(since)) / 1000


def _in_service(status: Mapping[str, Any]) -> Words:
    soil, asked, heat = status["soil_c"], status["set_point"]["asked_c"], status["heat"]
    working, why = status["set_point"]["working_c"], f"{_soil(status)} {_share(heat)}".strip()
    if heat["ordered"] and heat["contact"] is False and _open_for_s(status) > 30:
        return Words("Heat is ordered, but the node keeps its contact open.", _soil(status), "", "Look at the node.")
    if asked is None:
        return Words("Resting: the schedule asks for no heat.", _soil(status), "", "")
    if soil is None:
        return Words("Waiting for the soil probe.", "", "", "")
    below = asked - soil
    if heat["duty"] >= 0.99 and below > 2.0:
        return Words(
            "Cold: the heater cannot keep up.", f"{_soil(status)} Full heat already.", "", "Cover it if you can."
        )
    if below > 1.0:
        ramp = working is not None and asked - working > 0.2
        how = "rising as fast as the ramp allows" if ramp else "being warmed"
        return Words(f"Cool, {how}.", why, "", "")
    if any(each["urgent"] for each in status.get("alerts", ())):
        return Words("Warm, but go and look.", why, "", "")
    if below < -1.0:
        # A pause between two closings is no end of it; and what a plain relay does, nothing may tell.
        heated = heat["contact"] or heat["duty"] > 0.0
        return Words("Warmer than asked, and heated." if heated else "Warm without heat.", why, "", "")
    return Words("Warm and safe.", why, "", "")


def _share(heat: Mapping[str, Any]) -> str:
    """Say how much of the last hour heat was on; nothing where nothing tells, as of a plain relay without a probe."""
    on_s = heat["on_last_hour_s"]
    return "" if heat["contact"] is None and on_s == 0 else f"Heat {percent(on_s / 3600.0)} of the last hour."
