"""Every hard limit, for programs and for people."""

from dataclasses import dataclass

from fastapi import Request
from fastapi.responses import HTMLResponse

from api.auth import StateNow, Viewer
from api.examples import LIMIT, shows
from api.pages import limits, site_lines
from api.pages.render import page, unit_of
from api.problem import Router, example
from controller.clock import rfc3339
from controller.limit_table import hard_limits, shows_acting, tighter

router = Router()


@dataclass(frozen=True, slots=True)
class LimitAnswer:
    """One hard limit as programs read it; `tightened` gives by enclosure the tighter value in force."""

    name: str
    figures: tuple[float, ...]
    unit: str
    meaning: str
    source: str
    tightened: dict[str, float]
    acting_is_recorded: bool
    acted: str | None


@router.get(
    "/api/limits", tags=["limits"], responses={**shows([LIMIT]), **example(401, "sign in, or send a bearer token")}
)
def limits_now(state: StateNow, person: Viewer) -> list[LimitAnswer]:
    """Give every hard limit: figures and unit, meaning, source, what is in force, when it last acted.

    `acted` is null where it has not, or where `acting_is_recorded` is false.
    """
    acted, answers = limits.acted(state), limits.answers(state)
    return [
        LimitAnswer(
            each.name,
            each.figures,
            each.unit,
            each.meaning,
            each.source,
            tighter(state.settings, each.name, answers),
            shows_acting(each.name),
            rfc3339(acted[each.name]) if each.name in acted else None,
        )
        for each in hard_limits()
    ]


@router.get("/limits", include_in_schema=False)
def limits_page(request: Request, state: StateNow, person: Viewer) -> HTMLResponse:
    """The page."""
    unit = unit_of(request)
    return page(
        request,
        "limits.html",
        here="limits",
        line=site_lines.outside_line(state, unit),
        groups=limits.shown(state, unit),
        scale=limits.scale(state, unit),
    )
