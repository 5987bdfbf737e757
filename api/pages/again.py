"""Forms that were refused: what is wrong in plain words, and what was written, to be put right and sent again."""

from collections.abc import AsyncIterator, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from fastapi import HTTPException, Request
from starlette.datastructures import FormData, UploadFile
from starlette.requests import ClientDisconnect

from api import auth

LABELS = {
    "set_point": "Soil at the roots",
    "lowest": "Lowest expected tonight",
    "why": "Why",
    "name": "Name",
    "cultivar": "Cultivar",
    "place": "Place",
    "planted": "Planted in (year)",
    "day": "Day",
    "share_pct": "Share of the shoots, %",
    "count": "Fruit",
    "grams": "Grams",
    "words": "In a few words",
}
"""What people type into, as the forms call it; whatever else a form holds was chosen, and goes along unseen."""

LARGEST_FORM, MOST_FIELDS = 65_536, 16
"""[bytes] of a form without a file, and how many fields one of several parts may have."""

KEPT = "kept-"
"""Before the name of each field that the sign-in page carries for a form whose sender had been signed out."""

_SAID = {
    "missing": "nothing is written; fill it in",
    "string_too_short": "write at least {min_length} letters",
    "string_too_long": "is too long; write at most {max_length} letters",
    "less_than_equal": "is too much; write at most {le:g}",
    "greater_than_equal": "is too little; write at least {ge:g}",
    "finite_number": "is no number; write one such as 18.5",
    "float_parsing": "is no number; write one such as 18.5",
    "int_parsing": "is no whole number; write digits only",
}


@dataclass(frozen=True, slots=True)
class Again:
    """A form as it was sent: what was typed (name, label, value), what goes along, whether a photograph was with it."""

    action: str
    typed: tuple[tuple[str, str, str], ...]
    carried: tuple[tuple[str, str], ...]
    photograph: bool


def plain(error: Mapping[str, Any]) -> str:
    """Say what pydantic found wrong with a field as people say it."""
    if error["type"] in ("said", "value_error"):
        return str(error["msg"]).removeprefix("Value error, ")
    field = str(error["loc"][-1]).removesuffix("_c") if error["loc"] else ""
    said = _SAID.get(error["type"], "").format(**error.get("ctx", {})) or str(error["msg"])
    return f"{LABELS.get(field, field.replace('_', ' '))}: {said}"


async def note(request: Request) -> AsyncIterator[None]:
    """Dependency: remember what a form holds; one with a file is read, and remembered, by whoever takes it."""
    kind = request.headers.get("content-type", "")
    if kind.startswith("application/x-www-form-urlencoded"):
        remember(request, (await request.form()).multi_items())
    elif kind.startswith("multipart/form-data") and is_small(request):
        fields = (await small_form(request)).multi_items()
        remember(request, fields, any(isinstance(each, UploadFile) and each.size for _, each in fields))
    try:
        yield
    finally:
        await request.close()


async def small_form(request: Request) -> FormData:
    """Return a form of one photograph at most; refused in words where it is none."""
    try:
        return await request.form(max_files=1, max_fields=MOST_FIELDS)
    except HTTPException as error:
        raise HTTPException(400, f"the form cannot be read: {error.detail}") from error
    except ClientDisconnect as error:
        raise HTTPException(400, "the form broke off; send it again") from error


def is_small(request: Request) -> bool:
    """Whether a form, being no larger than one without a file, may be read before anybody asks who sent it."""
    return int(request.headers.get("content-length", "0")) <= LARGEST_FORM


def remember(request: Request, fields: Iterable[tuple[str, object]], photograph: bool = False) -> None:
    """Keep a form's fields beside its request, for the page that may have to show them again."""
    written = {name: value for name, value in fields if isinstance(value, str)}
    request.state.written = Again(
        request.url.path,
        tuple((name, LABELS[name], value) for name, value in written.items() if name in LABELS),
        tuple((name, value) for name, value in written.items() if name not in LABELS),
        photograph,
    )


def again(request: Request) -> Again | None:
    """Return what was written, if anything was typed; never what a foreign page sent in its reader's name."""
    written: Again | None = getattr(request.state, "written", None)
    typed = written is not None and any(value.strip() for _, _, value in written.typed)
    return written if typed and auth.is_own(request) else None


def kept(request: Request) -> tuple[tuple[str, str], ...]:
    """Return the fields of a form that waits behind the sign-in page, as that page carries them."""
    written = again(request)
    if written is None:
        return ()
    fields = [*((name, value) for name, _, value in written.typed), *written.carried]
    photograph = ((f"{KEPT}/photograph", ""),) if written.photograph else ()
    return ((f"{KEPT}/", written.action), *photograph, *((f"{KEPT}{name}", value) for name, value in fields))


async def carried(request: Request) -> dict[str, str]:
    """Dependency: the fields of a waiting form that the sign-in page brought along, and nothing of its own."""
    fields = (await request.form()).multi_items()
    return {name: value for name, value in fields if name.startswith(KEPT) and isinstance(value, str)}


def waiting(brought: Mapping[str, str]) -> Again | None:
    """Return the form that waited behind the sign-in page, or None."""
    fields = {name.removeprefix(KEPT): value for name, value in brought.items()}
    action, photograph = fields.pop("/", ""), fields.pop("/photograph", None) is not None
    if not action:
        return None
    return Again(
        action,
        tuple((name, LABELS[name], value) for name, value in fields.items() if name in LABELS),
        tuple((name, value) for name, value in fields.items() if name not in LABELS),
        photograph,
    )
