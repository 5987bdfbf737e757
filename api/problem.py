"""Errors as RFC 9457 problem details; never with internals."""

import logging
import sqlite3
from collections.abc import Callable, Iterable, Mapping
from contextlib import AbstractAsyncContextManager
from functools import partial
from typing import Any, cast
from urllib.parse import quote

from fastapi import APIRouter, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, RedirectResponse, Response

from controller.errors import StoreError
from controller.store.damage import DamagedError, is_damage

MEDIA_TYPE = "application/problem+json"
LONGEST_PATH = 2000
"""[characters] of a page to go on to after signing in."""
_LOG = logging.getLogger("soilward.api")

SOCKET = "To end heat now, switch the heater off at its socket"
FULL = f"the disk is full, so nothing was asked or kept; make room on it. {SOCKET}"
TITLES = {
    400: "Not understood",
    401: "Not signed in",
    403: "Not allowed",
    404: "Not found",
    405: "Wrong method",
    409: "Not now",
    411: "Length needed",
    412: "Changed meanwhile",
    413: "Too large",
    422: "Not acceptable",
    429: "Too often",
    500: "Broken",
    503: "Not available",
    507: "No room",
}


_IN_WORDS = {
    "Not Found": "there is no such page; go back, or begin at the front",
    "Method Not Allowed": "there is nothing to be seen here, only a form's way; go back to the page it is on",
}
"""What the web framework says by itself, as people say it."""


class Problem(HTTPException):
    """An error whose document has further members (RFC 9457, section 3.2)."""

    def __init__(self, status: int, detail: str, **members: Any) -> None:
        super().__init__(status, detail)
        self.members = members


def problem(status: int, detail: str, headers: Mapping[str, str] | None = None, **members: Any) -> JSONResponse:
    """Return a problem document: type, title, status, detail and further members (RFC 9457, section 3)."""
    body = {"type": "about:blank", "title": TITLES.get(status, "Error"), "status": status, "detail": detail, **members}
    return JSONResponse(body, status, headers=dict(headers or {}), media_type=MEDIA_TYPE)


def application(
    title: str,
    about: str,
    lifespan: Callable[[FastAPI], AbstractAsyncContextManager[None]],
    routers: Iterable[APIRouter],
) -> FastAPI:
    """Return an application every one of whose errors has this one shape, and is described so."""
    app = FastAPI(
        title=title,
        version="1.0",
        description=about,
        lifespan=lifespan,
        docs_url=None,
        redoc_url=None,
    )
    for router in routers:
        # Included, each route would be made anew, with all that it reads, while the first reader waits.
        app.router.routes.extend(router.routes)
    app.add_exception_handler(HTTPException, _on_http)
    app.add_exception_handler(RequestValidationError, _on_validation)
    app.add_exception_handler(StoreError, _on_store)
    app.add_exception_handler(sqlite3.DatabaseError, _on_store)
    app.add_exception_handler(Exception, _on_anything)
    return app


def example(status: int, detail: str) -> dict[int | str, dict[str, Any]]:
    """Return an OpenAPI response entry that shows this problem."""
    body = {"type": "about:blank", "title": TITLES[status], "status": status, "detail": detail}
    return {status: {"description": TITLES[status], "content": {MEDIA_TYPE: {"example": body}}}}


ANY_OTHER: dict[int | str, dict[str, Any]] = {
    "default": {
        "description": "Any other error, in the same form",
        "content": {
            MEDIA_TYPE: {
                "schema": {
                    "type": "object",
                    "required": ["type", "title", "status", "detail"],
                    "properties": {
                        "type": {"type": "string"},
                        "title": {"type": "string"},
                        "status": {"type": "integer"},
                        "detail": {"type": "string"},
                    },
                }
            }
        },
    }
}
"""An OpenAPI response entry for what any call may answer: too often, a body that nobody can read, out of room."""

Router = partial(APIRouter, responses=ANY_OTHER)
"""Makes a router for `application`, which takes its routes as they are."""


def is_page(request: Request) -> bool:
    """Whether a browser asks for a page."""
    wants_html = "text/html" in request.headers.get("accept", "")
    return wants_html and not request.url.path.startswith("/api")


def shown(
    request: Request, status: int, detail: str, headers: Mapping[str, str] | None = None, **more: Any
) -> Response:
    """Return the problem as a page where a browser asked for one, else as a document."""
    if not is_page(request):
        return problem(status, detail, headers, **more)
    from api.pages import words  # pages know problems; the other way round only here
    from api.pages.render import page, unit_of

    why = words.sentence(detail, unit_of(request))
    answer = page(request, "fault.html", status, what=TITLES.get(status, "Error"), why=why)
    answer.headers.update(dict(headers or {}))
    return answer


def _asked_for(request: Request) -> str:
    """Return the page that somebody wanted, to go on to once they have signed in; a very long question is left out."""
    whole = f"{request.url.path}?{request.url.query}" if request.url.query else request.url.path
    return whole if len(whole) <= LONGEST_PATH else request.url.path


def _waiting(request: Request) -> Response:
    """Return the page to sign in on where whoever sent a form had been signed out; what they wrote waits in it."""
    from api.pages.again import kept
    from api.pages.render import own_path, page

    came_from = request.headers.get("referer", "").partition("://")[2].partition("/")[2].partition("?")[0]
    fields = kept(request)
    rest = (
        "Sign in; what you wrote is kept" if fields else f"Nothing was asked or kept: sign in and ask again. {SOCKET}"
    )
    fault = f"You were signed out meanwhile. {rest}."
    return page(request, "sign-in.html", 401, then=own_path(f"/{came_from}"), kept=fields, name="", fault=fault)


async def _on_http(request: Request, error: Exception) -> Response:
    error = cast(HTTPException, error)
    if error.status_code == 401 and request.method == "GET" and is_page(request):
        return RedirectResponse(f"/sign-in?next={quote(_asked_for(request))}", 303)
    if error.status_code == 401 and is_page(request):
        return _waiting(request)
    members = error.members if isinstance(error, Problem) else {}
    said = _IN_WORDS.get(error.detail, error.detail) if is_page(request) else error.detail
    return shown(request, error.status_code, said, error.headers, **members)


async def _on_validation(request: Request, error: Exception) -> Response:
    """Say where and what; the refused value itself is not echoed, it may be NaN, huge or secret."""
    found = cast(RequestValidationError, error).errors()
    faults = [
        {"where": ".".join(str(part) for part in each["loc"] if part != "body"), "what": str(each["msg"])}
        for each in found
    ]
    detail = "; ".join(
        f["what"] if each["type"] == "said" else f"{f['where']}: {f['what']}".removeprefix(": ")
        for f, each in zip(faults, found, strict=True)
    )
    if is_page(request):
        from api.pages.again import plain

        detail = "; ".join(plain(each) for each in found)
    return shown(request, 422, detail, errors=faults)


async def _on_store(request: Request, error: Exception) -> Response:
    if (
        not is_damage(error)
        and isinstance(error, sqlite3.DatabaseError)
        and not isinstance(error, sqlite3.OperationalError)
    ):
        return await _on_anything(request, error)
    _LOG.warning("store not available: %s", error)
    if getattr(error, "sqlite_errorname", "") == "SQLITE_FULL":
        return shown(request, 507, FULL)
    asks = request.method not in ("GET", "HEAD")
    said = "the record cannot be read now; has the controller run here yet?"
    if isinstance(error, DamagedError):
        said = f"{error}."
    elif asks and isinstance(error, sqlite3.Error):
        said = f"the disk takes nothing now ({error}); look at it."
    return shown(request, 503, f"{said} Nothing was asked or kept. {SOCKET}" if asks else said.removesuffix("."))


async def _on_anything(request: Request, error: Exception) -> Response:
    _LOG.error("unexpected on %s %s", request.method, request.url.path, exc_info=error)
    return shown(request, 500, "something in Soilward is broken; its log says what. The heat is not decided here.")
