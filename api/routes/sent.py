"""A form with a photograph: read only once its sender may change things, and in memory alone.

Notes
-----
Left to itself a form is read before anybody asks who sent it, and a file of more than 1 MiB goes to the disk first,
which may be full and on a small machine wears out.
"""

from collections.abc import AsyncIterator
from dataclasses import dataclass
from typing import Annotated, TypeVar

from fastapi import Depends, HTTPException, Request
from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ValidationError
from starlette.datastructures import FormData, UploadFile
from starlette.formparsers import MultiPartException, MultiPartParser
from starlette.requests import ClientDisconnect

from api.auth import Operator
from api.pages import again
from api.pages.again import MOST_FIELDS
from api.season.picture import LARGEST_BYTES

M = TypeVar("M", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class Form:
    """What was sent: fields by name, and the photograph's bytes, empty without one."""

    fields: dict[str, str]
    photograph: bytes

    def read(self, model: type[M]) -> M:
        """Return the fields as a model; refused as those of any form."""
        try:
            return model.model_validate(self.fields)
        except ValidationError as error:
            raise RequestValidationError(error.errors()) from error


async def sent(request: Request, person: Operator) -> AsyncIterator[Form]:
    """Dependency: the form, of somebody who may change things."""
    try:
        data = await _parsed(request)
    except MultiPartException as error:
        raise HTTPException(400, f"the form cannot be read: {error.message}") from error
    except ClientDisconnect as error:
        raise HTTPException(400, "the form broke off; send it again") from error
    try:
        fields = {name: value for name, value in data.multi_items() if isinstance(value, str)}
        file = data.get("photograph")
        form = Form(fields, await file.read() if isinstance(file, UploadFile) else b"")
        again.remember(request, fields.items(), bool(form.photograph))
        yield form
    finally:
        await data.close()


async def _parsed(request: Request) -> FormData:
    if again.is_small(request) or not request.headers.get("content-type", "").startswith("multipart/form-data"):
        return await again.small_form(request)
    parser = MultiPartParser(request.headers, request.stream(), max_files=1, max_fields=MOST_FIELDS)
    parser.spool_max_size = LARGEST_BYTES + 1
    return await parser.parse()


Sent = Annotated[Form, Depends(sent)]
