"""What every answer carries, and how large a question may be."""

import re

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.pages.again import LARGEST_FORM
from api.problem import problem, shown
from api.season.picture import LARGEST_BYTES

LARGEST_BODY = LARGEST_FORM
"""[bytes]"""
LARGEST_FILE = 1_048_576
"""[bytes] of a file of plants: ten years of a garden are some 200 kB."""
LARGER = (
    (re.compile(r"/plants/csv|/api/season/plants\.csv"), LARGEST_FILE),
    # A form has words beside its photograph.
    (re.compile(r"/plants/\d+/(notes|photographs)"), LARGEST_BYTES + LARGEST_BODY),
    (re.compile(r"/api/season/plants/\d+/notes/\d+/photographs"), LARGEST_BYTES),
)
"""Paths that take more than a form, and how much."""

POLICY = "; ".join(
    (
        "default-src 'self'",
        "img-src 'self' data:",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)
"""Content-Security-Policy: only our own files, nothing inline."""

# "same-origin", not "no-referrer": with the latter browsers send "Origin: null" with our own forms.
_ALWAYS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}


class Guarded:
    """ASGI middleware: adds the headers and refuses a body that is too large or of unsaid length."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _ALWAYS.items():
                    headers[name] = value
                if not scope["path"].startswith("/static"):
                    headers.setdefault("Cache-Control", "no-store")
            await send(message)

        headers = Headers(scope=scope)
        length = headers.get("content-length", "0")
        most = next((most for paths, most in LARGER if paths.fullmatch(scope["path"])), LARGEST_BODY)
        if "transfer-encoding" in headers and "content-length" not in headers:
            await problem(411, "say the length of the body in Content-Length")(scope, receive, send_with_headers)
        elif not length.isdecimal() or len(length) > 9 or int(length) > most:
            size = f"{most >> 20} MiB" if most >> 20 else f"{most >> 10} KiB"
            answer = shown(Request(scope), 413, f"the body is larger than {most} bytes; send at most {size}")
            await answer(scope, receive, send_with_headers)
        else:
            await self._app(scope, receive, send_with_headers)
