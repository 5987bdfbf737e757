"""Copies of slotted dataclasses, field by field: one at every tick, and one at every reading."""

from collections.abc import Callable
from dataclasses import fields
from typing import Any, TypeVar

Some = TypeVar("Some")


def copier(kind: type[Some]) -> Callable[[Some], Some]:
    """Return a function that copies an instance of a slotted dataclass; what its fields hold is shared.

    Notes
    -----
    Its text is made from the fields, as the standard library makes `__init__`: it takes half the time of a call of
    `kind`, a third of `copy.copy`'s, and no field can be forgotten.
    """
    lines = [f"    made.{each.name} = given.{each.name}" for each in fields(kind)]  # type: ignore[arg-type]
    text = "\n".join(["def copy(given):", "    made = new(kind)", *lines, "    return made"])
    made: dict[str, Any] = {"new": object.__new__, "kind": kind}
    exec(text, made)
    copy: Callable[[Some], Some] = made["copy"]
    return copy
