"""From a form to a filed request: the page that follows shows the answer, or says in words what is wrong."""

import re
from collections.abc import Callable

from fastapi import Request
from fastapi.responses import RedirectResponse, Response
from pydantic import ValidationError
from pydantic_core import ErrorDetails
from starlette.exceptions import HTTPException

from api.pages import words
from api.pages.again import plain
from api.pages.render import page, unit_of
from api.pages.words import Unit
from api.state import state_of


def filed(request: Request, enclosure: str, ask: Callable[[], int]) -> Response:
    """Ask, and go to the page that shows the answer; what is refused at once is said in words."""
    state_of(request).enclosure(enclosure)
    try:
        number = ask()
    except HTTPException as error:
        return _refused(request, enclosure, error.status_code, str(error.detail))
    except ValidationError as error:
        return _refused(request, enclosure, 422, "; ".join(_fault(each) for each in error.errors()))
    except ValueError as error:
        return _refused(request, enclosure, 422, str(error))
    return RedirectResponse(f"/enclosures/{enclosure}?asked={number}", 303)


def _fault(error: ErrorDetails) -> str:
    return "say why, in at least three letters" if error["type"] == "string_too_short" else plain(error)


def _refused(request: Request, enclosure: str, status: int, why: str) -> Response:
    state, unit = state_of(request), unit_of(request)
    dated = words.dated(why, state.clock.now().utc_ms, state.settings.site.zone)
    said = words.sentence(_for_readers(dated, unit), unit)
    return page(request, "refused.html", status, name=enclosure, why=said, stale=status == 412)


def _for_readers(fault: str, unit: Unit) -> str:
    """Give the bound its unit, and the hint at Fahrenheit a form that helps on a page."""
    bound = re.sub(r"(limit(?: of '[^']*',)?|allowed) (-?[0-9.]+[0-9])(?! Cel)", r"\1 \2 Cel", fault)
    if unit is Unit.F:
        return bound.partition("; did you mean")[0]
    return re.sub(r"; did you mean (\S+) F\? send (\S+)$", r". If you mean \1 °F, write \2", bound)
