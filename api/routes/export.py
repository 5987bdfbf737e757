"""The record as a file: streamed a page at a time, no faster than it is read."""

from collections.abc import Iterator
from typing import Annotated, Any

from fastapi import HTTPException, Query
from fastapi.responses import StreamingResponse
from starlette.types import Receive, Scope, Send

from api.auth import StateNow, Viewer
from api.problem import Router, example
from api.span import SpanAsked
from controller.clock import rfc3339
from controller.exporting.forms import MEDIA_TYPES, ExportError, Form, export
from controller.exporting.lacking import kept_from_ms
from controller.exporting.rows import Wanted, What

router = Router(prefix="/api/export", tags=["export"])

_CSV = (
    "enclosure,probe,quantity,unit,taken,arrived,value,grade\r\n"
    "larch,soil-10,soil,Cel,2026-03-01T04:12:00.000Z,2026-03-01T04:12:00.310Z,18.06,good\r\n"
)
_SENML = [{"bn": "larch/soil-10", "bu": "Cel", "t": 1772338320.0, "v": 18.06}]
KEPT_FROM = "Soilward-Kept-From"
_ANSWERS: dict[int | str, dict[str, Any]] = {
    200: {
        "description": "The record, streamed",
        "headers": {
            KEPT_FROM: {
                "description": "From when on readings are kept, where some of the span have been taken away "
                "(`store.raw_days`); of those there are minutes and hours alone, which no export has.",
                "schema": {"type": "string", "format": "date-time"},
            }
        },
        "content": {
            "text/csv": {"example": _CSV},
            "application/senml+json": {"example": _SENML},
            MEDIA_TYPES[Form.PARQUET]: {"example": "(binary)"},
        },
    },
    **example(401, "sign in, or send a bearer token"),
    **example(404, "enclosure 'oak' is not in settings; known: larch, elder, southwall"),
    **example(422, "what = 'journal': SenML holds readings only; ask for csv or parquet"),
    **example(503, "the record cannot be read now; has the controller run here yet?"),
}


class Poured(StreamingResponse):
    """A stream that closes the file behind it however it ends, also when the caller goes away."""

    def __init__(self, pieces: Iterator[bytes], media_type: str, name: str, from_ms: int | None = None) -> None:
        super().__init__(pieces, media_type=media_type)
        self.headers["Content-Disposition"] = f'attachment; filename="{name}"'
        if from_ms is not None:
            self.headers[KEPT_FROM] = rfc3339(from_ms)
        self._pieces = pieces

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send it all, or as much as is wanted."""
        try:
            await super().__call__(scope, receive, send)
        finally:
            self._pieces.close()  # type: ignore[attr-defined]


@router.get("", response_class=StreamingResponse, responses=_ANSWERS)
def exported(
    span: SpanAsked,
    state: StateNow,
    person: Viewer,
    form: Annotated[
        Form, Query(alias="format", description="csv (RFC 4180), senml (RFC 8428, from July 1978 on) or parquet")
    ] = Form.CSV,
    what: Annotated[What, Query(description="Which record")] = What.READINGS,
    enclosure: Annotated[str | None, Query(max_length=32, description="Only this enclosure's")] = None,
) -> StreamingResponse:
    """Give the record of the span as one file, in the order of its keys; the last 24 h if none is named."""
    if enclosure is not None:
        state.enclosure(enclosure)
    wanted = Wanted(what, span.start_ms, span.end_ms, enclosure)
    from_ms = kept_from_ms(state.folder, wanted)
    try:
        pieces = export(state.folder, wanted, form)
    except ExportError as error:
        raise HTTPException(422, str(error)) from error
    return Poured(pieces, MEDIA_TYPES[form], f"soilward-{what.value}.{form.value}", from_ms)
