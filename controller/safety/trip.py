"""Trips: what latches heat off, and when a person may reset it."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum

from controller.safety import limits


class TripKind(StrEnum):
    """Why heat was latched off."""

    SOIL_OVER = "soil-over"
    AIR_FIRE = "air-fire"
    AIR_RISE = "air-rise"
    SURFACE_OVER = "heater-surface-over"
    INVERTED = "heat-above-set-point"
    INTERNAL = "internal-fault"
    LATCHES_LOST = "latches-lost"
    STOPPED = "stopped-by-person"
    AIR_PROBES_DIFFER = "air-probes-differ"
    NO_RESPONSE = "no-heating-response"
    EXPOSED = "heater-exposed"
    UNASKED = "heat-not-asked-for"
    NODE_CLOCK = "node-clock"
    NODE_FAULT = "node-fault"


@dataclass(frozen=True, slots=True)
class Trip:
    """A latched refusal of heat; it keeps its first reason.

    Parameters
    ----------
    probe
        The probe, or the node's fault, that showed it, or "".
    value, limit
        In the probe's unit, or None where the trip is not about a number.
    at_ms
        [ms] UTC.
    """

    kind: TripKind
    probe: str
    value: float | None
    limit: float | None
    at_ms: int
    detail: str

    @property
    def name(self) -> str:
        """Its handle for a reset: kind and probe."""
        return f"{self.kind}:{self.probe}" if self.probe else str(self.kind)


@dataclass(frozen=True, slots=True)
class Heat:
    """One temperature probe as the trips see it.

    Parameters
    ----------
    over_count
        Samples over its limit within an hour of one another, this one included; 0 if this one is not over.
    rise_count
        Samples over the limit of rise, in a row.
    rise_k_per_min
        [K/min] over at least a minute, air only.
    """

    probe: str
    quantity: str
    value: float
    limit: float
    over_count: int
    rise_k_per_min: float | None
    rise_count: int


_KINDS = {"soil": TripKind.SOIL_OVER, "heater-surface": TripKind.SURFACE_OVER, "air": TripKind.AIR_FIRE}


def new_trips(heats: Iterable[Heat], fire_not_sun: bool, at_ms: int) -> list[Trip]:
    """Return the trips these samples call for.

    Parameters
    ----------
    fire_not_sun
        The heater was on in the last 10 min, or the sun is down: hot air then is no sunny afternoon.
    """
    trips = []
    for heat in heats:
        # One sample may be a spike; a rise that the next one shows too is none (hazard P22).
        risen = heat.rise_count >= 2
        if heat.quantity == "air" and risen:
            trips.append(_rise_trip(heat, at_ms))
        if heat.over_count < 2:
            continue
        if heat.quantity == "air" and not (fire_not_sun or risen):
            continue
        trips.append(_over_trip(heat, at_ms))
    return trips


def _rise_trip(heat: Heat, at_ms: int) -> Trip:
    rise = heat.rise_k_per_min
    detail = f"air at '{heat.probe}' rose {rise:.1f} K a minute; limit {limits.AIR_RISE_K_PER_MIN} K a minute"
    return Trip(TripKind.AIR_RISE, heat.probe, rise, limits.AIR_RISE_K_PER_MIN, at_ms, detail)


def _over_trip(heat: Heat, at_ms: int) -> Trip:
    detail = f"{heat.quantity} probe '{heat.probe}' reached {heat.value:.1f} Cel; limit {heat.limit:.1f} Cel"
    return Trip(_KINDS[heat.quantity], heat.probe, heat.value, heat.limit, at_ms, detail)


def latch(trips: tuple[Trip, ...], new: Iterable[Trip]) -> tuple[tuple[Trip, ...], tuple[Trip, ...]]:
    """Return all trips, and those that are really new; a trip already latched keeps its first reason."""
    known = {trip.name for trip in trips}
    added = []
    for trip in new:
        if trip.name not in known:
            known.add(trip.name)
            added.append(trip)
    return trips + tuple(added), tuple(added)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Why a reset is refused; `status` is the HTTP status the API answers with."""

    status: int
    detail: str


def reset_refusal(
    trips: Sequence[Trip], name: str, cause_gone: bool, earlier_resets_ms: Sequence[int], now_ms: int
) -> Refusal | None:
    """Return why this reset is refused, or None if it may be done.

    Parameters
    ----------
    earlier_resets_ms
        [ms] UTC of earlier resets of the same trip.
    """
    if all(trip.name != name for trip in trips):
        known = ", ".join(repr(trip.name) for trip in trips) or "none"
        return Refusal(404, f"no trip '{name}' is latched; latched now: {known}")
    if not cause_gone:
        return Refusal(409, f"the cause of trip '{name}' is still there, or nothing has been heard since; look first")
    lately = [ms for ms in earlier_resets_ms if 0 <= now_ms - ms < limits.RESET_SPAN_S * 1000]
    if len(lately) >= limits.RESETS_OF_ONE_TRIP:
        return Refusal(
            429, f"trip '{name}' was reset {len(lately)} times in 24 h; it stays latched until a day has passed"
        )
    return None
