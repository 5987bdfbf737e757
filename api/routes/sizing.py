"""Sizing and saving: what an enclosure loses, what holds its soil, and what a change would save."""

from collections.abc import Mapping
from dataclasses import asdict
from typing import Annotated, Any

from fastapi import Query, Request
from fastapi.responses import HTMLResponse

from api.auth import StateNow, Viewer
from api.examples import shows
from api.pages import words
from api.pages.render import page, unit_of
from api.pages.sizing import sizing_shown
from api.pages.sizing_form import form
from api.pages.sizing_rests import assumptions
from api.pages.words import Unit
from api.problem import Problem, Router, example
from api.season.examples import SIZING
from api.season.site_sizing import ByHeater, Sized, sized
from api.season.sizing import LEAST_CABLE_W_M2, MOST_CABLE_W_M2, SizingError
from api.season.sizing_asked import SizingAskedError, asked_of
from api.season.sizing_fields import FIELDS, Field
from api.state import State
from controller.enclosure_settings import Enclosure

router = Router()
Which = Annotated[str, Query(max_length=40, description="Whose settings fill in what is left open; else the first's.")]


def _described(field: Field) -> dict[str, Any]:
    schema: dict[str, Any] = {"type": "string" if field.choices or field.unit == "day" else "number"}
    if field.choices:
        schema["enum"] = list(field.choices)
    said = f"{field.label} [{field.unit}]" if field.unit else field.label
    return {"name": field.name, "in": "query", "required": False, "schema": schema, "description": said}


_UNIT = {"name": "unit", "in": "query", "required": False, "schema": {"type": "string", "enum": ["C", "F"]}}


@router.get(
    "/api/season/sizing",
    tags=["season"],
    openapi_extra={"parameters": [*map(_described, FIELDS), _UNIT]},
    responses={
        **shows(SIZING),
        **example(401, "sign in, or send a bearer token"),
        **example(422, "length: -3 m is outside 0.2 to 200 m; write metres, such as 0.15 for 15 cm"),
    },
)
def sizing(request: Request, state: StateNow, person: Viewer, enclosure: Which = "") -> dict[str, Any]:
    """Give heat loss, the heat that holds the soil by cable and through the air, circuits, seasons and changes.

    What the query leaves open is as in the enclosure's settings. `coldest` left open is the record's coldest night of
    that time of the year. `seasons` are the whole ones on record, or else the last begun with its days known.
    """
    try:
        return _answer(_sized(state, _enclosure(state, enclosure), request.query_params))
    except SizingAskedError as fault:
        raise Problem(422, str(fault), errors=fault.faults) from fault
    except SizingError as fault:
        raise Problem(422, str(fault), errors=[str(fault)]) from fault


@router.get("/sizing", include_in_schema=False)
def sizing_page(request: Request, state: StateNow, person: Viewer, enclosure: Which = "") -> HTMLResponse:
    """The page; what cannot be taken is said above the form, which keeps what was written."""
    known, unit, query = _enclosure(state, enclosure), unit_of(request), request.query_params
    found, faults = None, []
    try:
        found = _sized(state, known, query)
    except SizingAskedError as fault:
        faults = fault.faults
    except SizingError as fault:
        faults = [str(fault)]
    site = state.settings.site
    return page(
        request,
        "sizing.html",
        422 if faults else 200,
        enclosure=known.name,
        title=known.title or "",
        faults=[_as_read(each, unit) for each in faults],
        s=None if found is None else sizing_shown(found, known.limits.air_no_heat, site.currency, unit),
        rests=[] if found is None else assumptions(found, unit),
        form=form(known, site, query, unit, found),
    )


def _enclosure(state: State, name: str) -> Enclosure:
    return state.enclosure(name) if name else state.settings.enclosure[0]


def _sized(state: State, enclosure: Enclosure, query: Mapping[str, str]) -> Sized:
    return sized(state, asked_of(enclosure, state.settings.site, query))


def _as_read(fault: str, unit: Unit) -> str:
    """Return a fault as a sentence, a field's name without its underscore."""
    name, colon, rest = fault.partition(":")
    return words.sentence(f"{name.replace('_', ' ')}{colon}{rest}", unit)


def _answer(found: Sized) -> dict[str, Any]:
    return {
        "enclosure": found.asked.enclosure,
        "asked": _asked(found),
        "loss": {**_rounded(asdict(found.loss)), "whole_w_k": round(found.loss.whole_w_k, 2)},
        "heaters": {kind.value: _heater(found, each) for kind, each in found.heaters.items()},
        "air_over_cable": None if found.air_over_cable is None else round(found.air_over_cable, 2),
        "cable_range_w_m2": [LEAST_CABLE_W_M2, MOST_CABLE_W_M2],
        "circuits": [asdict(each) for each in found.circuits],
        "changes": [
            {"change": each.change.name, "note": each.change.note, **_rounded({"watts": each.watts, "kwh": each.kwh})}
            for each in found.changes
        ],
        "weather": {
            "record": found.weather.record,
            "why_none": found.weather.why_none,
            "seasons": [
                {"year": each.year, "days": each.days, "known": each.known, "coldest_c": each.coldest_c}
                for each in found.weather.seasons
            ],
        },
    }


def _asked(found: Sized) -> dict[str, Any]:
    asked, built = found.asked, found.asked.bed.built
    return {
        "shape": built.shape.value,
        "cover": asked.cover,
        "soil": asked.soil,
        "length_m": built.length_m,
        "width_m": built.width_m,
        "height_m": built.height_m,
        "air_changes_h": built.air_changes_h,
        "roots_m": asked.bed.roots_m,
        "cable_depth_m": built.cable_depth_m,
        "deep_c": asked.bed.deep_c,
        "set_point_c": asked.soil_c,
        "coldest_c": found.coldest_c,
        "coldest_by": found.coldest_by,
        "heater": asked.heater.value,
        "watts": asked.rated_w,
        "volts": asked.volts,
    }


def _heater(found: Sized, each: ByHeater) -> dict[str, Any]:
    asked = found.asked
    cost = None if each.mean_kwh is None else each.mean_kwh * asked.price_per_kwh
    plain = {
        "watts": each.held.watts,
        "w_m2": each.held.watts / asked.bed.built.floor_m2,
        "amperes": each.held.watts / asked.volts,
        "air_c": each.held.air_c,
        "at_hand_holds_to_c": each.demand.coldest_c(asked.soil_c, asked.rated_w),
        "kwh": each.mean_kwh,
        "cost": cost,
    }
    return {**_rounded(plain), "seasons": [{**asdict(one), "kwh": round(one.kwh, 1)} for one in each.used]}


def _rounded(figures: Mapping[str, float | None]) -> dict[str, float | None]:
    return {name: None if value is None else round(value, 2) for name, value in figures.items()}
