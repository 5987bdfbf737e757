"""Can the heater carry the coming night, how cold a night could it carry, and what would more cover change? Pure."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from controller.control.foresight import TAKEN_AFTER_S
from controller.control.stepping import Array, through
from controller.planning.foresee import Facts, Ready
from controller.planning.horizon import STEP_S, look_ahead
from controller.planning.last_nights import LastNights, balance_c, last_nights
from controller.planning.linear import Linear, Model, linear
from controller.plant.construction import (
    SECOND_LAYER_SAVES,
    SINGLE_W_M2K,
    STILL_SURFACE_W_M2K,
    Construction,
    infiltration_w,
)
from controller.plant.sun import is_dark

HELD_K = 0.5
"""[K] Soil no further below its set point at the night's end counts as held. Source: engineering judgement."""
REACH_K = 60.0
"""[K] how far the expected night is moved up and down to find the coldest that can be held."""
RADIATED_W_M2K = 4.6
"""[W/m2K] of what soil gives off to the air above it, as radiation. Source: ISO 6946:2017 C.2, 0.9 x 5.1 at 10 Cel."""
DAY_STEPS = round(86_400.0 / STEP_S)


@dataclass(frozen=True, slots=True)
class Night:
    """What the coming night is expected to be with one kind of cover.

    Parameters
    ----------
    soil_c, air_c
        [Cel] the coldest half hour of the dark.
    energy_kwh
        [kWh] heat of the coming 24 h.
    short_k
        [K] that the soil ends the night below its set point; 0 where it is held or nothing is asked.
    holds_to_c
        [Cel] the coldest outside minimum at which full heat from now on still holds the set point; None where nothing
        is asked, the heater is off, or no night of the kind can be held.
    """

    soil_c: float
    air_c: float
    energy_kwh: float
    short_k: float
    holds_to_c: float | None


@dataclass(frozen=True, slots=True)
class Carry:
    """The coming night: from `starts_ms` to `ends_ms` [ms UTC] it is dark.

    Parameters
    ----------
    asked_c
        [Cel] set point at its end, or None.
    outside_c
        [Cel] the coldest expected outside.
    nights
        By cover: "as it is", "second layer" (single covers only), "row cover".
    """

    starts_ms: int
    ends_ms: int
    asked_c: float | None
    outside_c: float
    nights: Mapping[str, Night]


def carry(facts: Facts, built: Construction, ready: Ready) -> Carry | None:
    """Return what the coming night asks of the heater, or None where the sun does not set within a day.

    Notes
    -----
    By the model that the plan follows: layers where light is measured. What more cover changes is geometry's ratio,
    laid on what was learnt. Sky and wind are as they were in the last nights, not as a forecast may have them. A row
    cover counts as the thinnest do: 1 K for thin ones to 5 K for thick ones (Snyder and de Melo-Abreu 2005, FAO Series
    10, chapter 6); on clear, cold nights some were colder under them than beside (Oregon State University, trials of
    1983 to 1988).
    """
    dark = _dark(facts, ready.log.ends_ms)
    if not dark.any():
        return None
    first, last = _coming_night(dark)
    at_ms = [ready.log.ends_ms + round(1000 * STEP_S * (step + 1)) for step in range(len(ready.weather.outside_c))]
    told = np.array([np.nan if (asked := facts.asked_c(ms)) is None else asked for ms in at_ms])
    lately = last_nights(ready.by, built, facts.depth_m, ready.log, facts.place)
    coming = _Coming(ready, told, slice(first, last + 1), facts)
    covers = _covers(ready.by, built)
    nights = {name: _night(coming, each, _under(lately, each, ready.by)) for name, each in covers.items()}
    return Carry(
        at_ms[first] - round(1000 * STEP_S),
        at_ms[last],
        None if np.isnan(told[last]) else float(told[last]),
        float(ready.weather.outside_c[first : last + 1].min()),
        nights,
    )


def _dark(facts: Facts, ends_ms: int) -> Array:
    middles_ms = [ends_ms + round(1000 * STEP_S * (step + 0.5)) for step in range(DAY_STEPS + DAY_STEPS // 4)]
    return np.array([is_dark(ms // 60_000, facts.place.latitude, facts.place.longitude) for ms in middles_ms])


def _coming_night(dark: Array) -> tuple[int, int]:
    """Return first and last dark step of the night that goes on or comes next."""
    first = int(np.argmax(dark))
    light_again = np.flatnonzero(~dark.astype(bool)[first:])
    last = first + int(light_again[0]) - 1 if light_again.size else len(dark) - 1
    return first, last


def _covers(model: Model, built: Construction) -> dict[str, Model]:
    covers: dict[str, Model] = {"as it is": model}
    through_w_k = built.ua_w_k
    if built.film_u_w_m2k >= SINGLE_W_M2K:
        whole_w_k = through_w_k + infiltration_w(built.air_changes_h, built.volume_m3, 1.0)
        left = 1.0 - SECOND_LAYER_SAVES * through_w_k / whole_w_k
        covers["second layer"] = replace(model, loss_w_k=model.loss_w_k * left)
    # Thin spunbond passes long wave: only moving air is kept off, which has two films to cross instead of one.
    left = (STILL_SURFACE_W_M2K + RADIATED_W_M2K) / 2.0 / STILL_SURFACE_W_M2K
    covers["row cover"] = replace(model, exchange_w_k=model.exchange_w_k * left)
    return covers


@dataclass(frozen=True, slots=True)
class _Coming:
    """Weather and where everything stands, set points [Cel] and which steps are the night's."""

    ready: Ready
    asked_c: Array
    night: slice
    facts: Facts


def _under(lately: LastNights, cover: Model, model: Model) -> LastNights:
    """Return the same lesson under another cover: air that loses less is warmed more."""
    lost_w_k, loses_w_k = (each.loss_w_k + each.exchange_w_k for each in (model, cover))
    return replace(lately, heat_k=lately.heat_k * lost_w_k / loses_w_k)


def _night(coming: _Coming, model: Model, lately: LastNights) -> Night:
    weather, state, night = coming.ready.weather, coming.ready.state, coming.night
    by = linear(model, STEP_S, coming.facts.floor_m2)
    found = look_ahead(by, state, weather.outside_c, weather.light_w_m2, coming.asked_c, coming.facts.most)
    inputs = np.column_stack([weather.outside_c, weather.light_w_m2, found.duty])
    states = through(by.step, state, inputs)[night.start + 1 : night.stop + 1]
    air = _half_hours_c(coming, model, lately, inputs)
    soil = states @ by.seen + lately.soil_k * np.arange(1, len(states) + 1) / len(states)
    asked = coming.asked_c[night.stop - 1]
    kwh = float(found.duty[:DAY_STEPS].sum()) * STEP_S * model.heater_w / 3.6e6
    short = 0.0 if np.isnan(asked) else max(float(asked - soil[-1]), 0.0)
    needs_c = float(asked) - HELD_K - lately.soil_k
    holds_to = None if np.isnan(asked) else _holds_to_c(coming, by, inputs[: night.stop], needs_c)
    return Night(float(soil.min()), float(air.min()), kwh, short, holds_to)


def _half_hours_c(coming: _Coming, model: Model, lately: LastNights, inputs: Array) -> Array:
    """Return the air [Cel] of every half hour within the night, by the record's rows: heat that begins takes its time.

    The loop takes a plan a little after its start, and until then goes on as it was.
    """
    log, night = coming.ready.log, coming.night
    rows, late = max(round(STEP_S / log.step_s), 1), TAKEN_AFTER_S / log.step_s
    finer = np.repeat(inputs, rows, axis=0)
    finer[:, 2] += late * (np.append(log.duty[-1], finer[:-1, 2]) - finer[:, 2])
    states = through(linear(model, STEP_S / rows, coming.facts.floor_m2).step, coming.ready.state, finer)
    air = balance_c(model, states, finer) + lately.heat_k * finer[:, 2] + lately.air_k
    means = np.convolve(air, np.full(rows, 1.0 / rows), mode="valid")
    return np.asarray(means[night.start * rows : (night.stop - 1) * rows + 1])


def _holds_to_c(coming: _Coming, by: Linear, inputs: Array, needs_c: float) -> float | None:
    """Move the whole night until full heat just ends it warm enough; the model is linear, so one step does it."""
    state, night, full = coming.ready.state, coming.night, inputs.copy()
    full[:, 2] = coming.facts.most
    colder = full.copy()
    colder[:, 0] -= 1.0
    end_c = by.through(state, full)[-1]
    per_k = end_c - by.through(state, colder)[-1]
    room_k = float((end_c - needs_c) / per_k)
    expected_c = float(inputs[night, 0].min())
    return expected_c - min(room_k, REACH_K) if room_k > -REACH_K else None
