"""The time span of a question: `start` and `end` as RFC 3339, by default the last 24 h."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, HTTPException, Query, Request

from api.state import state_of
from controller.clock import from_rfc3339

DAY_MS = 86_400_000
LONGEST_MS = 3660 * DAY_MS
"""[ms] Ten years; longer questions are typing errors."""
END_MS = 253_370_764_800_000
"""[ms UTC] The year 9999 begins: its last day has no midnight after it that a calendar could name."""


@dataclass(frozen=True, slots=True)
class Span:
    """From `start_ms` (included) to `end_ms` (not included) [ms UTC]; `until_now` if no end was asked for."""

    start_ms: int
    end_ms: int
    until_now: bool


_Time = Annotated[
    str | None, Query(max_length=40, description="RFC 3339 time with offset", examples=["2026-03-01T00:00:00Z"])
]


def span_asked(request: Request, start: _Time = None, end: _Time = None) -> Span:
    """Read `start` and `end`; a missing end is now, a missing start is 24 h before the end.

    Raises
    ------
    HTTPException
        422 if one is no time or far out, the end is not after the start, or the span is longer than ten years.
    """
    end_ms = state_of(request).clock.now().utc_ms if end is None else _read("end", end)
    start_ms = end_ms - DAY_MS if start is None else _read("start", start)
    if end_ms <= start_ms:
        raise HTTPException(422, "end must be after start")
    if end_ms - start_ms > LONGEST_MS:
        raise HTTPException(422, "start and end are more than ten years apart; ask for less")
    return Span(start_ms, end_ms, end is None)


def _read(name: str, text: str) -> int:
    # A plus sign that was not escaped in the address arrives as a space.
    try:
        at_ms = from_rfc3339(text.strip().replace(" ", "+") if "T" in text else text)
    except (ValueError, OverflowError) as error:
        raise HTTPException(422, f"{name}: {text!r} is no RFC 3339 time; write 2026-03-01T06:00:00Z") from error
    if not 0 <= at_ms <= END_MS:
        raise HTTPException(422, f"{name}: {text!r} is outside the years 1970 to 9998; correct it")
    return at_ms


SpanAsked = Annotated[Span, Depends(span_asked)]
