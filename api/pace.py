"""How fast one caller may ask, so that a flood is answered cheaply and the rest still get through (hazard A07)."""

import ipaddress
import math

from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from api.problem import SOCKET, TITLES, is_page, problem
from controller.clock import Clock

RATE_PER_S = 50.0
"""[1/s] Calls one address may make for ever; an open page makes less than one. Source: engineering judgement."""

BURST = 200.0
"""Calls one address may make at once: several pages with all that belongs to them. Source: engineering judgement."""

PAGE_COSTS = 5.0
"""Calls that one page counts for: drawing it takes some 20 ms, a call 2 ms. Source: measured."""

WHOLE_WALK_COSTS = 100.0
"""Calls that a walk of the whole journal counts for, since it reads every entry. Source: engineering judgement."""

EXPORT_COSTS = 20.0
"""Calls that an export counts for: it may read the whole record. Source: engineering judgement."""

PHOTOGRAPH_COSTS = 20.0
"""Calls that sending a photograph counts for: drawing one of 12 megapixels anew takes 0.4 s. Source: measured."""

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">
<title>{title}</title><link rel="stylesheet" href="/static/soilward.css"></head>
<body><main><article class="one narrow"><h1>{title}</h1><p class="say">{text}</p></article></main></body></html>
"""
"""Written out: drawn as other pages are, a refusal would cost what it is to save."""

MOST_CALLERS = 4096
"""Addresses remembered; the one that was quiet longest is forgotten first."""


class Pace:
    """One allowance per caller, refilled at a steady rate."""

    def __init__(self) -> None:
        self._left: dict[str, tuple[float, float]] = {}

    def wait_s(self, caller: str, now_s: float, cost: float = 1.0) -> float:
        """Count one call of this cost and return 0, or, if it is one too many, return how long to wait [s]."""
        left, at_s = self._left.pop(caller, (BURST, now_s))
        left = min(BURST, left + (now_s - at_s) * RATE_PER_S)
        allowed = left >= cost
        self._left[caller] = (left - cost if allowed else left, now_s)
        if len(self._left) > MOST_CALLERS:
            del self._left[next(iter(self._left))]
        return 0.0 if allowed else (cost - left) / RATE_PER_S


def caller_of(scope: Scope) -> str:
    """Return whose allowance a request uses: the address, or for IPv6 its network of 64 bits, which is one site's."""
    host = str((scope.get("client") or ("",))[0])
    try:
        address = ipaddress.ip_address(host)
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is None and not address.is_loopback:
        return str(ipaddress.IPv6Network((address, 64), strict=False))
    return str(getattr(address, "ipv4_mapped", None) or address)


def cost_of(scope: Scope) -> float:
    """Return how many calls a request counts for."""
    path: str = scope["path"]
    if b"full=" in scope["query_string"]:
        return WHOLE_WALK_COSTS
    if path.startswith("/api/export"):
        return EXPORT_COSTS
    if path.endswith("/photographs"):
        return PHOTOGRAPH_COSTS
    return 1.0 if path.startswith(("/api/", "/static/", "/health")) else PAGE_COSTS


class Paced:
    """ASGI middleware: refuses what comes too fast, before anything is read or looked up."""

    def __init__(self, app: ASGIApp, clock: Clock) -> None:
        self._app = app
        self._clock = clock
        self._pace = Pace()

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass one request on, or answer 429."""
        if scope["type"] == "http":
            # A stop has an allowance of its own: whoever floods by mistake can still take the heat away.
            lane = " stop" if scope["path"].endswith("/stop") else ""
            wait_s = self._pace.wait_s(caller_of(scope) + lane, self._clock.now().mono_s, cost_of(scope))
            if wait_s > 0:
                await _too_fast(Request(scope), wait_s)(scope, receive, send)
                return
        await self._app(scope, receive, send)


def _too_fast(request: Request, wait_s: float) -> Response:
    pages, whole_s = RATE_PER_S / PAGE_COSTS, math.ceil(wait_s)
    said = f"too many calls from one address: {RATE_PER_S:.0f} a second, or {pages:.0f} pages, are let through"
    headers = {"Retry-After": str(whole_s)}
    if not is_page(request):
        return problem(429, said, headers)
    lost = "" if request.method in ("GET", "HEAD") else " Nothing was asked or kept."
    text = f"{said.capitalize()}. Wait {whole_s} s and load this page again.{lost} {SOCKET}."
    return HTMLResponse(_PAGE.format(title=TITLES[429], text=text), 429, headers)
