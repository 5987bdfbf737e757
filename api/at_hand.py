"""The command and the running program: whoever can read the key in the store folder may say who the people are."""

import json
import os
import secrets
import urllib.error
import urllib.request
from pathlib import Path
from typing import Any
from urllib.parse import quote

from api.people import PeopleError
from controller.errors import SoilwardError
from controller.settings import Served

KEY_FILE, KEY_BYTES = "api.key", 32
PATIENCE_S = 10.0
_EVERYWHERE = {"0.0.0.0": "127.0.0.1", "::": "::1", "": "127.0.0.1"}


class NotRunningError(SoilwardError):
    """No program of ours answers."""


def new_key(folder: Path) -> str:
    """Write a new key that only the owner of the folder can read (mode 0600), and return it.

    Where the disk takes none the last one stands: without it there would be no page to say that the disk is full.
    """
    key = secrets.token_urlsafe(KEY_BYTES)
    try:
        _write(folder, key)
    except OSError:
        last = (folder / KEY_FILE).read_text(encoding="ascii")
        # One that a power cut has left empty would let anybody in.
        if len(last) != len(key):
            raise
        return last
    return key


def _write(folder: Path, key: str) -> None:
    fresh = folder / f"{KEY_FILE}.new"
    fresh.unlink(missing_ok=True)
    with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w", encoding="ascii") as file:
        file.write(key)
    os.replace(fresh, folder / KEY_FILE)


def address_of(settings: Served) -> str:
    """Return where the program listens, as a URL that works on this machine."""
    host = _EVERYWHERE.get(settings.web.host, settings.web.host)
    return f"http://{f'[{host}]' if ':' in host else host}:{settings.web.port}"


def add_person(settings: Served, name: str, role: str, password: str) -> None:
    """Have somebody added.

    Raises
    ------
    PeopleError
        If the running program refuses.
    NotRunningError
        If none answers.
    """
    _ask(settings, "POST", "", {"name": name, "role": role, "password": password})


def remove_person(settings: Served, name: str) -> None:
    """Have somebody removed; raises as `add_person`."""
    _ask(settings, "DELETE", f"/{quote(name, safe='')}")


def new_token(settings: Served, name: str) -> str:
    """Have a bearer token made; raises as `add_person`."""
    return str(_ask(settings, "POST", f"/{quote(name, safe='')}/token", {})["token"])


def file_request(settings: Served, name: str, body: dict[str, Any]) -> int:
    """Have a request filed as somebody who may change things; raises as `add_person`."""
    return int(_ask(settings, "POST", f"/{quote(name, safe='')}/requests", body)["request"])


def _ask(settings: Served, method: str, path: str, body: dict[str, Any] | None = None) -> dict[str, Any]:
    try:
        key = (settings.store.folder / KEY_FILE).read_text(encoding="ascii")
        request = urllib.request.Request(
            f"{address_of(settings)}/api/people{path}",
            None if body is None else json.dumps(body).encode(),
            {"Authorization": f"Bearer {key}", "Content-Type": "application/json"},
            method=method,
        )
        # No proxy, whatever the environment says: the key and the password stay on this machine.
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(request, timeout=PATIENCE_S) as answer:
            said = answer.read()
    except urllib.error.HTTPError as error:
        with error:
            raise PeopleError(str(json.load(error).get("detail", error))) from error
    except (OSError, ValueError) as error:
        raise NotRunningError(f"{address_of(settings)} does not answer: {error}") from error
    return json.loads(said) if said else {}
