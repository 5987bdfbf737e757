"""The port that the pages listen on, and what is said while they cannot have it. Heat never waits for them."""

import errno
import os
import socket
from contextlib import suppress
from pathlib import Path

from controller.errors import SoilwardError
from controller.settings import Web

ALERT = "pages-away"
"""Name of the alert, and of the file in which the supervisor leaves its words for the controller."""


def listen(web: Web) -> socket.socket:
    """Return a socket that listens where the settings say.

    Raises
    ------
    SoilwardError
        If that cannot be; with who might have the port, and the remedy.
    """
    try:
        return socket.create_server((web.host, web.port), family=_family(web))
    except OSError as error:
        taken = error.errno == errno.EADDRINUSE
        who = "; perhaps another `soilward run` or `demo` has it, `ss -ltnp` shows who" if taken else ""
        raise SoilwardError(
            f"web.port: cannot listen on {web.host}:{web.port} ({os.strerror(error.errno or 0)}){who}; "
            "stop what holds it, or choose another port"
        ) from error


def _family(web: Web) -> socket.AddressFamily:
    return socket.AF_INET6 if ":" in web.host else socket.AF_INET


def why_not(web: Web) -> str:
    """Return why the pages could not listen now, or "" if they could."""
    try:
        listen(web).close()
    except SoilwardError as error:
        return str(error)
    return ""


def note(folder: Path, words: str) -> None:
    """Leave word for the controller that there are no pages, or "" that there are; heat goes on where that fails."""
    with suppress(OSError):
        if words:
            (folder / ALERT).write_text(words, encoding="utf-8")
        else:
            (folder / ALERT).unlink(missing_ok=True)


def noted(folder: Path) -> tuple[tuple[str, str], ...]:
    """Return what the supervisor left word of, as the tick's notes."""
    try:
        words = (folder / ALERT).read_text(encoding="utf-8")
    except (OSError, ValueError):
        return ()
    return ((ALERT, f"there are no pages: {words}"),)
