"""The weather to come, fed in by any script, and given back."""

from typing import Any

from fastapi import HTTPException, Request

from api.auth import Operator, StateNow, Viewer
from api.examples import shows
from api.problem import Router, example
from api.season.examples import FORECAST
from api.season.fed_nights import take_forecast
from api.season.forecast import ForecastError, forecast_of
from api.season.sky import sky_from
from controller.clock import rfc3339
from controller.store import forecast

router = Router(prefix="/api/season/forecast", tags=["season"])
_SIGN_IN = example(401, "sign in, or send a bearer token")
_PACK = [
    {"bn": "forecast/", "bt": 1772388000, "n": "outside", "u": "Cel", "v": -2.5},
    {"n": "light", "u": "W/m2", "v": 0},
    {"n": "wind", "u": "m/s", "v": 0.8},
    {"n": "cloud", "u": "%", "v": 10},
    {"n": "outside", "u": "Cel", "t": 3600, "v": -3.1},
]
_BODY = {"requestBody": {"required": True, "content": {"application/senml+json": {"example": _PACK}}}}


@router.put(
    "",
    openapi_extra=_BODY,
    responses={
        **shows(FORECAST),
        **_SIGN_IN,
        **example(403, "'neighbour' has the role view; changing needs the role operate"),
        **example(422, "record 'forecast/outside': its time is not ahead; give each hour's own, up to 16 days on"),
    },
)
async def put_forecast(request: Request, state: StateNow, person: Operator) -> dict[str, Any]:
    """Take a SenML pack with future times as the forecast, in place of the one before; plans follow it from then on.

    Wind and cloud tell how cold leaves become in the night; nothing else goes by them.
    """
    now_ms = state.clock.now().utc_ms
    try:
        told = forecast_of(await request.body(), now_ms)
    except ForecastError as error:
        raise HTTPException(422, str(error)) from error
    take_forecast(state, told, now_ms, person.name)
    return _now(state)


@router.get("", responses={**shows(FORECAST), **_SIGN_IN})
def forecast_now(state: StateNow, person: Viewer) -> dict[str, Any]:
    """Give what is left of the forecast, and when and by whom it was fed in."""
    return _now(state)


def _now(state: StateNow) -> dict[str, Any]:
    now_ms = state.clock.now().utc_ms
    with state.reading("season.db") as connection:
        expected = forecast.expected_from(connection, now_ms)
        given = forecast.given(connection)
        sky = {each.at_ms: each for each in sky_from(connection, now_ms)}
    return {
        "given": None if given is None else rfc3339(given[0]),
        "by": None if given is None else given[1],
        "hours": [
            {
                "at": rfc3339(each.at_ms),
                "outside_c": each.outside_c,
                "light_w_m2": each.light_w_m2,
                "wind_m_s": sky[each.at_ms].wind_m_s if each.at_ms in sky else None,
                "cloud": sky[each.at_ms].cloud if each.at_ms in sky else None,
            }
            for each in expected
        ],
    }
