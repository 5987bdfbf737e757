"""Roles at the door: who is asking, may they, and does the request come from our own page."""

import hmac
import ipaddress
from collections.abc import Callable
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, HTTPException, Request, Response

from api import people
from api.people import Person, Refusal, Role
from api.state import Door, State, door_of, state_of
from controller.errors import SettingsError
from controller.settings import Served

COOKIE = "soilward-session"
LOCAL = Person("local", Role.OPERATE)
"""Whoever sits at this machine while nobody is set up."""

_CHANGES_NOTHING = frozenset({"GET", "HEAD", "OPTIONS"})


def is_loopback(host: str) -> bool:
    """Whether a host name or address can only be this machine."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return False


def refuse_unsafe_listen(settings: Served, people_count: int) -> None:
    """Refuse to listen beyond this machine while nobody is set up.

    Raises
    ------
    SettingsError
        Naming the key and the remedy.
    """
    if people_count == 0 and not is_loopback(settings.web.host):
        raise SettingsError(
            [
                f"web.host: {settings.web.host!r} can be reached from other machines and no person is set up; "
                'add one with `soilward person add NAME --role operate`, or set web.host = "127.0.0.1"'
            ]
        )


def log_in(request: Request, name: str, password: str) -> str:
    """Return a new session's token for the right password. Slow: call it from a thread.

    Raises
    ------
    HTTPException
        401 for a wrong name or password, 403 from a foreign page, 429 after too many tries.
    """
    door = door_of(request)
    _check_same_origin(request, door, "nobody", must_show=False)
    wait_s = door.tries.wait_s(name, _caller(request), door.clock.now().mono_s)
    if wait_s > 0:
        raise HTTPException(
            429, f"too many tries; wait {wait_s:.0f} s and try again", headers={"Retry-After": f"{wait_s:.0f}"}
        )
    person = people.check_password(door.season.look(people.password_hash, name), password)
    if person is None:
        raise _refused(request, door, 401, name, "name or password is wrong")
    return door.season.do(people.new_session, person.name, door.clock.now().utc_ms)


def log_out(request: Request) -> None:
    """End the session the request carries, if any."""
    token = _token(request)
    if token is not None:
        door_of(request).season.do(people.end_session, token)


def set_cookie(response: Response, settings: Served, token: str) -> None:
    """Give the browser its session; script cannot read it and other sites cannot send it."""
    response.set_cookie(
        COOKIE,
        token,
        max_age=people.SESSION_MS // 1000,
        httponly=True,
        samesite="strict",
        secure=settings.web.secure_cookie,
        path="/",
    )


def _bearer(request: Request) -> str | None:
    scheme, _, value = request.headers.get("authorization", "").partition(" ")
    return value.strip() if scheme.lower() == "bearer" and value.strip() else None


def _token(request: Request) -> str | None:
    return _bearer(request) or request.cookies.get(COOKIE)


def _host_of(netloc: str) -> str:
    try:
        return urlsplit(f"//{netloc}").hostname or ""
    except ValueError:
        return ""


def _caller(request: Request) -> str:
    """Return the address that a request comes from."""
    return request.client.host if request.client else ""


def _is_local(request: Request, door: Door) -> bool:
    """Whether nobody is set up and the caller sits at this machine.

    The Host header must name this machine too: a foreign page whose name was pointed at 127.0.0.1 carries its own.
    """
    return (
        is_loopback(door.settings.web.host)
        and is_loopback(_caller(request))
        and is_loopback(_host_of(request.headers.get("host", "")))
        and not door.season.look(people.list_people)
    )


def person_of(request: Request) -> Person | None:
    """Return who is asking, or None; checks neither role nor origin."""
    door = door_of(request)
    token = _token(request)
    if token is not None:
        known = door.season.look(people.who, token, door.clock.now().utc_ms)
        if known is not None:
            return known
    return LOCAL if _is_local(request, door) else None


def _refused(request: Request, door: Door, status: int, who: str, why: str) -> HTTPException:
    """Keep a refused change for the record (hazard A04) and return what to raise."""
    if request.method not in _CHANGES_NOTHING:
        door.season.do(people.note_refusal, Refusal(door.clock.now().utc_ms, who, request.url.path, why))
    headers = {"WWW-Authenticate": 'Bearer realm="soilward"'} if status == 401 else None
    return HTTPException(status, why, headers=headers)


def is_own(request: Request, *, must_show: bool = True) -> bool:
    """Whether a change comes from our own page. Every browser shows where it comes from; a program need not."""
    site, origin = request.headers.get("sec-fetch-site"), request.headers.get("origin")
    if site is not None:
        return site == "same-origin"
    if origin is not None:
        return origin.partition("://")[2] == request.headers.get("host", "")
    return not must_show


def _check_same_origin(request: Request, door: Door, who: str, *, must_show: bool) -> None:
    if not is_own(request, must_show=must_show):
        raise _refused(request, door, 403, who, "a change must come from Soilward's own page, or carry a bearer token")


def _at_least(role: Role) -> Callable[[Request], Person]:
    def admitted(request: Request) -> Person:
        door = door_of(request)
        person = person_of(request)
        if person is None:
            raise _refused(request, door, 401, "nobody", "sign in, or send a bearer token")
        if role is Role.OPERATE and person.role is not Role.OPERATE:
            raise _refused(
                request, door, 403, person.name, f"{person.name!r} has the role view; changing needs the role operate"
            )
        if request.method not in _CHANGES_NOTHING and _bearer(request) is None:
            _check_same_origin(request, door, person.name, must_show=person is not LOCAL)
        return person

    return admitted


def keyholder(request: Request) -> None:
    """Dependency: the command on this machine, which can read the key in the store folder; 401 otherwise."""
    door = door_of(request)
    if not hmac.compare_digest((_bearer(request) or "").encode(), door.key.encode()):
        raise _refused(request, door, 401, "nobody", "send the key in the store folder as a bearer token")


viewer = _at_least(Role.VIEW)
"""Dependency: somebody who may look; 401 otherwise."""

operator = _at_least(Role.OPERATE)
"""Dependency: somebody who may change; 401 or 403 otherwise, kept for the record."""

Viewer = Annotated[Person, Depends(viewer)]
Operator = Annotated[Person, Depends(operator)]
StateNow = Annotated[State, Depends(state_of)]
DoorNow = Annotated[Door, Depends(door_of)]
