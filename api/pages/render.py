"""Rendering: the one set of templates, and what every page carries."""

import sqlite3
from pathlib import Path
from typing import Any

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined

from api import auth
from api.pages import words
from api.pages.again import again
from api.pages.words import Unit
from api.people import Person, Role
from api.state import state_of
from controller.errors import StoreError

UNIT_COOKIE = "soilward-unit"


def _unbroken(value: object) -> object:
    """Keep a number and its unit on one line; what is markup already stays as it is."""
    return words.unbroken(value) if type(value) is str else value


_TEMPLATES = Environment(
    loader=FileSystemLoader(Path(__file__).parent / "templates"),
    autoescape=True,
    finalize=_unbroken,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)

_TEMPLATES.filters["capital"] = words.capital


def unit_of(request: Request) -> Unit:
    """Return the unit this reader chose; Cel at first."""
    return Unit.F if request.cookies.get(UNIT_COOKIE) == "F" else Unit.C


def own_path(path: str) -> str:
    """Return a path of our own to go to; anything that could lead elsewhere becomes the site page."""
    safe = path.startswith("/") and not path.startswith("//") and "\\" not in path
    return path if safe and path.isascii() and path.isprintable() else "/"


def _reader(request: Request) -> Person | None:
    """Return who is reading, or None; where the people's file cannot be read, the page that says so must still open."""
    try:
        return auth.person_of(request)
    except (StoreError, sqlite3.Error):
        return None


def page(request: Request, template: str, status: int = 200, **shown: Any) -> HTMLResponse:
    """Render a template with what every page carries: site, enclosures, unit, who is reading, and where they are."""
    state = state_of(request)
    person = _reader(request)
    path = request.url.path + (f"?{request.url.query}" if request.url.query else "")
    always: dict[str, Any] = {
        "site": state.settings.site.name,
        "enclosures": state.settings.enclosure if person else (),
        "unit": unit_of(request),
        "person": person.name if person else "",
        "may_change": person is not None and person.role is Role.OPERATE,
        "path": path if request.method == "GET" else "/",
        "here": "",
        "line": "",
        "again": again(request),
    }
    return HTMLResponse(_TEMPLATES.get_template(template).render({**always, **shown}), status)
