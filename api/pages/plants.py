"""What the pages of plants show, in the grower's words."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import TypeAlias
from zoneinfo import ZoneInfo

from api.season.bbch import Scale, codes, stage_words
from api.season.hours import date_at
from api.season.photographs import Photograph
from api.season.picture import small_size
from api.season.plant_notes import Gone, Kind, Note
from api.season.plants import Kept, Plant
from api.season.site_plants import last

_QUICK = {
    Scale.FIG: (0, 1, 9, 11, 19, 51, 71, 81, 87, 93, 97),
    Scale.GENERAL: (0, 1, 9, 11, 19, 60, 65, 71, 81, 89, 93, 97),
}
"""Stages with a button of their own; the others are in a list."""

Pictures: TypeAlias = Mapping[int, tuple[Kept[Photograph], ...]]
"""Photographs by the note that they are on."""

CROPS = {"first": "first crop, on old wood", "main": "main crop, on new wood"}


@dataclass(frozen=True, slots=True)
class PlantRow:
    """One plant in the list."""

    number: int
    name: str
    cultivar: str
    stands: str
    stage: str
    since: str
    harvest: str


@dataclass(frozen=True, slots=True)
class PhotographShown:
    """One photograph: its number, its size when small, and what stands in for it where it is not seen."""

    number: int
    width_px: int
    height_px: int
    instead: str
    who: str


@dataclass(frozen=True, slots=True)
class NoteRow:
    """One note under its plant; `what` is the note itself, to fill in a correction."""

    number: int
    what: Note
    day: str
    exact: str
    said: str
    words: str
    who: str
    photographs: tuple[PhotographShown, ...]


@dataclass(frozen=True, slots=True)
class GoneRow:
    """One note that no longer stands: what it said, who ended it when, and the photographs still on it."""

    said: str
    ended: str
    photographs: tuple[PhotographShown, ...]


def plant_row(kept: Kept[Plant], seen: tuple[Kept[Note], ...], today: date) -> PlantRow:
    """Return a plant's row: where it stands, its stage and its last harvest."""
    what, stage, harvest = kept.what, last(seen, Kind.STAGE), last(seen, Kind.HARVEST)
    return PlantRow(
        kept.number,
        what.name,
        what.cultivar,
        stands(what),
        "no stage noted yet" if stage is None else note_words(stage.what, what.scale),
        "" if stage is None else day_said(stage.what.day, today),
        "" if harvest is None else f"{_amount(harvest.what)}, {day_said(harvest.what.day, today)}",
    )


def photographs_shown(
    plant: Plant, note: Note, pictures: Sequence[Kept[Photograph]], today: date
) -> tuple[PhotographShown, ...]:
    """Return a note's photographs, small."""
    instead = f"{plant.name}, {day_said(note.day, today)}: {note_words(note, plant.scale)}"
    if note.words and note.kind is not Kind.REMARK:
        instead += f", {note.words}"
    return tuple(
        PhotographShown(each.number, *small_size(each.what.width_px, each.what.height_px), instead, each.who)
        for each in pictures
    )


def note_rows(plant: Plant, seen: Sequence[Kept[Note]], pictures: Pictures, today: date) -> list[NoteRow]:
    """Return what was seen on a plant, newest first."""
    return [
        NoteRow(
            each.number,
            each.what,
            day_said(each.what.day, today),
            each.what.day,
            note_words(each.what, plant.scale),
            "" if each.what.kind is Kind.REMARK else each.what.words,
            each.who,
            photographs_shown(plant, each.what, pictures.get(each.number, ()), today),
        )
        for each in seen
    ]


def gone_rows(plant: Plant, gone: Sequence[Gone], pictures: Pictures, zone: ZoneInfo, today: date) -> list[GoneRow]:
    """Return what no longer stands, and who ended it when."""
    return [
        GoneRow(
            f"{note_words(each.note.what, plant.scale)}, {day_said(each.note.what.day, today)}, by {each.note.who}",
            f"{'corrected' if each.corrected else 'taken back'} by {each.who}, {_on(each.at_ms, zone, today)}",
            photographs_shown(plant, each.note.what, pictures.get(each.note.number, ()), today),
        )
        for each in gone
    ]


def entered(kept: Kept[Plant], zone: ZoneInfo, today: date) -> str:
    """Say who wrote a plant's details, and when."""
    return f"as {kept.who} wrote them, {_on(kept.at_ms, zone, today)}"


def _on(at_ms: int, zone: ZoneInfo, today: date) -> str:
    return day_said(date_at(at_ms, zone).isoformat(), today)


def stands(plant: Plant) -> str:
    """Say where a plant stands and how it is kept from frost."""
    rooted = "in the ground" if plant.stands == "ground" else "in a container"
    where = ", ".join(dict.fromkeys(each for each in (plant.enclosure, plant.place) if each))
    return ", ".join(each for each in (where, rooted, plant.protection.value) if each)


def note_words(note: Note, scale: Scale) -> str:
    """Say what a note says."""
    if note.kind is Kind.STAGE and note.code is not None:
        return stage_words(note.code, scale)
    if note.kind is Kind.DAMAGE:
        return f"{note.share_pct:g} % of the shoots damaged"
    if note.kind is Kind.REMARK:
        return note.words
    crop = CROPS[note.crop or "main"].partition(",")[0]
    if note.kind is Kind.NEVER:
        return f"{crop} never ripened, watched until this day"
    return f"{_amount(note)}, {crop}"


def choices(scale: Scale) -> tuple[list[tuple[int, str]], list[tuple[int, str]]]:
    """Return the stages with a button of their own, and the others: code and words."""
    known, quick = codes(scale), _QUICK[scale]
    return [(code, known[code]) for code in quick], [each for each in known.items() if each[0] not in quick]


def day_said(written: str, today: date) -> str:
    """Write a day: "today", "yesterday", "Tue 3 Mar", with its year if it is another."""
    day = date.fromisoformat(written)
    near = {0: "today", 1: "yesterday"}.get((today - day).days)
    if near:
        return near
    return f"{day:%a} {day.day} {day:%b}" + ("" if day.year == today.year else f" {day.year}")


def _amount(note: Note) -> str:
    counted = "" if note.count is None else f"{note.count} fruit"
    weighed = "" if note.grams is None else f"{note.grams:.10g} g"
    return ", ".join(each for each in (counted, weighed) if each)
