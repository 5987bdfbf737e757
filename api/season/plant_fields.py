"""Plants and notes as people write them, in a form or a file: read, and checked against what can be."""

import re
from collections.abc import Collection, Iterable, Mapping
from datetime import date
from enum import StrEnum
from typing import TypeVar

from api.season.bbch import Scale, StageError, codes, stage_words
from api.season.plant_notes import Kind, Note
from api.season.plants import Plant, PlantError, Protection

E = TypeVar("E", bound=StrEnum)

EARLIEST = date(1950, 1, 1)
"""No garden record older than this is expected; an earlier day is a slip of the pen."""

_THOUSANDS = re.compile(r"\d{1,3},\d{3}")

LONGEST = {"name": 40, "cultivar": 60, "place": 60, "words": 300}
"""Characters."""


class FieldError(PlantError):
    """A field that cannot be taken: which, what it says, and the bound with the remedy."""

    def __init__(self, column: str, value: object, bound: str) -> None:
        super().__init__(f"{column}: {str(value)[:40]!r} {bound}")
        self.column = column


def plant_of(fields: Mapping[str, str]) -> Plant:
    """Read a plant from its fields; one that is left out is empty.

    Raises
    ------
    FieldError
        For the first that cannot be read.
    """
    return Plant(
        fields.get("name", "").strip(),
        fields.get("cultivar", "").strip(),
        fields.get("place", "").strip(),
        fields.get("enclosure", "").strip() or None,
        _one_of(Protection, "protection", fields),
        fields.get("stands", "").strip(),
        _whole("planted", fields),
        _one_of(Scale, "scale", fields),
        _is_yes("active", fields),
    )


def note_of(fields: Mapping[str, str]) -> Note:
    """Read a note from its fields; one that is left out is empty.

    Raises
    ------
    FieldError
        For the first that cannot be read.
    """
    return Note(
        _one_of(Kind, "kind", fields),
        fields.get("day", "").strip(),
        _whole("code", fields),
        _number("share_pct", fields),
        _whole("count", fields),
        _number("grams", fields),
        fields.get("crop", "").strip() or None,
        fields.get("words", "").strip(),
    )


def check_plant(plant: Plant, enclosures: Collection[str], this_year: int, was_in: str | None = None) -> None:
    """Refuse a plant that cannot be; the enclosure that it `was_in` may be gone from settings since.

    Raises
    ------
    FieldError
        Naming the first field that is wrong.
    """
    for column in ("name", "cultivar"):
        if not getattr(plant, column):
            raise FieldError(column, "", "is empty; write 1 character or more")
    for column in ("name", "cultivar", "place"):
        _check_text(column, getattr(plant, column))
    if plant.enclosure not in (None, was_in, *enclosures):
        known = ", ".join(enclosures)
        raise FieldError("enclosure", plant.enclosure, f"is not in settings; write one of {known}, or leave it empty")
    if plant.stands not in ("ground", "container"):
        raise FieldError("stands", plant.stands, "is neither ground nor container; write one of them")
    if plant.planted is not None and not 1800 <= plant.planted <= this_year:
        raise FieldError("planted", plant.planted, f"is outside 1800 to {this_year}; write the year, or leave it empty")


def check_scale(plant: Plant, seen: Iterable[Note]) -> None:
    """Refuse a scale that has no word for a stage already noted: what was seen must stay readable.

    Raises
    ------
    FieldError
        Naming the stage and its day.
    """
    for note in seen:
        if note.code is not None and note.code not in codes(plant.scale):
            bound = f"has no stage {note.code:02} of {note.day}; withdraw that note first"
            raise FieldError("scale", plant.scale.value, bound)


def check_note(note: Note, scale: Scale, today: date) -> None:
    """Refuse a note that cannot be, on a plant of this scale.

    Raises
    ------
    FieldError
        Naming the first field that is wrong.
    """
    _check_day(note.day, today)
    _check_text("words", note.words)
    wanted = _WANTED[note.kind]
    for column in _ALL:
        if getattr(note, column) is not None and column not in wanted:
            raise FieldError(column, getattr(note, column), f"says nothing of a {note.kind.value} note; leave it empty")
    if note.kind is Kind.HARVEST and note.count is None and note.grams is None:
        raise FieldError("count", "", "is empty and so is grams; write one of them")
    if note.kind is Kind.REMARK and not note.words:
        raise FieldError("words", "", "is empty; write what was seen or done")
    if note.kind is Kind.STAGE:
        _check_code(note.code, scale)
    if note.kind is Kind.DAMAGE:
        _check_range("share_pct", note.share_pct, 100)
    if note.kind in (Kind.HARVEST, Kind.NEVER) and note.crop not in ("first", "main"):
        raise FieldError("crop", note.crop or "", "is neither first (on old wood) nor main (on new); write one of them")
    for column, most in (("count", 100_000), ("grams", 1_000_000)):
        if getattr(note, column) is not None:
            _check_range(column, getattr(note, column), most)


_ALL = ("code", "share_pct", "count", "grams", "crop")
_WANTED = {
    Kind.STAGE: ("code",),
    Kind.DAMAGE: ("share_pct",),
    Kind.HARVEST: ("count", "grams", "crop"),
    Kind.NEVER: ("crop",),
    Kind.REMARK: (),
}


def _check_day(written: str, today: date) -> None:
    try:
        day = date.fromisoformat(written)
    except ValueError as error:
        raise FieldError("day", written, "is no day; write it like 2026-08-19") from error
    if day.isoformat() != written:
        raise FieldError("day", written, "is no day in the long form; write it like 2026-08-19")
    if not EARLIEST <= day <= today:
        raise FieldError("day", written, f"is outside {EARLIEST} to {today} (today); write the day it was seen")


def _check_text(column: str, written: str) -> None:
    most = LONGEST[column]
    if len(written) > most:
        raise FieldError(column, written, f"has {len(written)} characters; write at most {most}")
    if not written.isprintable():
        raise FieldError(column, written, "holds a line break or another sign that does not print; leave it out")


def _check_code(code: int | None, scale: Scale) -> None:
    if code is None:
        raise FieldError("code", "", "is empty; write the stage's two digits")
    try:
        stage_words(code, scale)
    except StageError as error:
        raise FieldError("code", f"{code:02}", str(error).partition(": ")[2]) from error


def _check_range(column: str, value: float | None, most: int) -> None:
    if value is None or not 0 <= value <= most:
        shown = "" if value is None else f"{value:.10g}"
        raise FieldError(column, shown, f"is outside 0 to {most}; write a number between them")


def _one_of(kinds: type[E], column: str, fields: Mapping[str, str]) -> E:
    written = fields.get(column, "").strip()
    try:
        return kinds(written)
    except ValueError as error:
        raise FieldError(column, written, f"is none of {', '.join(kinds)}; write one of them") from error


def _whole(column: str, fields: Mapping[str, str]) -> int | None:
    written = fields.get(column, "").strip()
    if not written:
        return None
    if not (written.isascii() and written.isdecimal() and len(written) <= 6):
        raise FieldError(column, written, "is no whole number from 0 to 999999; write digits only, or leave it empty")
    return int(written)


def _number(column: str, fields: Mapping[str, str]) -> float | None:
    written = fields.get(column, "").strip()
    if _THOUSANDS.fullmatch(written):
        raise FieldError(column, written, "is thousands to some and a fraction to others; write it without the comma")
    written = written.replace(",", ".")
    if not written:
        return None
    if not written.isascii() or not written.replace(".", "", 1).isdecimal():
        raise FieldError(column, written, "is no number of 0 or more; write digits and a point, or leave it empty")
    return float(written)


def _is_yes(column: str, fields: Mapping[str, str]) -> bool:
    written = fields.get(column, "").strip()
    if written not in ("yes", "no", ""):
        raise FieldError(column, written, "is neither yes nor no; write one of them")
    return written != "no"
