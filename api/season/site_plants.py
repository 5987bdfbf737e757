"""Plants of this site: what may be kept here today, kept; and what is known of them, given."""

from collections.abc import Sequence
from datetime import date
from typing import Any

from api.people import Person
from api.season.bbch import Scale, frost_stage, stage_words
from api.season.hours import date_at
from api.season.photographs import Photograph, photographs
from api.season.plant_fields import check_note, check_plant, check_scale
from api.season.plant_notes import Gone, Kind, Note, gone, notes, put_note, put_once, withdraw
from api.season.plants import Kept, Plant, PlantError, plant, plants, put_plant
from api.season.plants_csv import Taken, Within, take_csv, to_csv
from api.state import State
from controller.clock import rfc3339


def today(state: State) -> date:
    """Return the day it is at the site."""
    return date_at(state.clock.now().utc_ms, state.settings.site.zone)


def within(state: State) -> Within:
    """Return what plants and notes are checked against now."""
    return Within(tuple(each.name for each in state.settings.enclosure), today(state))


def keep_plant(state: State, person: Person, new: Plant, number: int | None = None) -> int:
    """Check a plant and keep it: a new one, or what is true now of the one of this number; return its number.

    Raises
    ------
    PlantError
        Naming what cannot be kept.
    """
    was_in = None if number is None else known(state, number).what.enclosure
    check_plant(new, within(state).enclosures, today(state).year, was_in)
    if number is not None:
        check_scale(new, [each.what for each in seen_on(state, number)])
    return state.season.do(put_plant, new, person.name, state.clock.now().utc_ms, number)


def check_seen(state: State, number: int, new: Note) -> None:
    """Refuse what cannot have been seen on a plant.

    Raises
    ------
    PlantError
        Naming what cannot be kept, or if the plant is not known.
    """
    check_note(new, known(state, number).what.scale, today(state))


def keep_note(
    state: State, person: Person, number: int, new: Note, replaces: int | None = None, *, tapped: bool = False
) -> int:
    """Check what was seen on a plant and keep it, once if a button was `tapped` twice; return the note's number.

    Raises
    ------
    PlantError
        Naming what cannot be kept.
    """
    check_seen(state, number, new)
    put = put_once if tapped else put_note
    return state.season.do(put, number, new, person.name, state.clock.now().utc_ms, replaces=replaces)


def take_back(state: State, person: Person, number: int, note: int) -> None:
    """Withdraw a note.

    Raises
    ------
    PlantError
        If it does not stand.
    """
    known(state, number)
    state.season.do(withdraw, number, note, person.name, state.clock.now().utc_ms)


def take_file(state: State, person: Person, content: bytes) -> Taken:
    """Keep what a CSV file says, all of it or nothing.

    Raises
    ------
    PlantError
        Naming line and column, or the byte that is no UTF-8.
    """
    try:
        text = content.decode()
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        raise PlantError(f"line {line}: byte {error.start} is no UTF-8; save the file as UTF-8") from error
    return state.season.do(take_csv, text, within(state), person.name, state.clock.now().utc_ms)


def file_of(state: State) -> str:
    """Return everything that stands, as CSV."""
    with state.reading("season.db") as connection:
        return to_csv(connection)


def known(state: State, number: int) -> Kept[Plant]:
    """Return one plant.

    Raises
    ------
    PlantError
        If there is none of that number.
    """
    with state.reading("season.db") as connection:
        return plant(connection, number)


def all_known(state: State) -> tuple[tuple[Kept[Plant], tuple[Kept[Note], ...]], ...]:
    """Return every plant with its notes, newest first."""
    with state.reading("season.db") as connection:
        seen = notes(connection)
        return tuple((each, seen.get(each.number, ())) for each in plants(connection))


def seen_on(state: State, number: int) -> tuple[Kept[Note], ...]:
    """Return one plant's notes, newest first."""
    with state.reading("season.db") as connection:
        return notes(connection, number).get(number, ())


def all_photographs(state: State) -> dict[int, tuple[Kept[Photograph], ...]]:
    """Return the photographs that are there by the note that they are on now."""
    with state.reading("season.db") as connection:
        return photographs(connection)


def gone_from(state: State, number: int) -> tuple[Gone, ...]:
    """Return one plant's notes that were corrected or taken back, newest first."""
    with state.reading("season.db") as connection:
        return gone(connection, number)


def last(seen: tuple[Kept[Note], ...], kind: Kind) -> Kept[Note] | None:
    """Return the newest note of a kind."""
    return next((each for each in seen if each.what.kind is kind), None)


def plant_said(kept: Kept[Plant], seen: tuple[Kept[Note], ...]) -> dict[str, Any]:
    """Return a plant as the API gives it, with its stage and last harvest."""
    what, stage, harvest = kept.what, last(seen, Kind.STAGE), last(seen, Kind.HARVEST)
    said = {name: getattr(what, name) for name in Plant.__dataclass_fields__}
    return {
        "number": kept.number,
        **said,
        "stage": None if stage is None else note_said(stage, what.scale),
        "last_harvest": None if harvest is None else note_said(harvest, what.scale),
        "by": kept.who,
        "entered": rfc3339(kept.at_ms),
    }


def note_said(kept: Kept[Note], scale: Scale, seen: Sequence[Kept[Photograph]] = ()) -> dict[str, Any]:
    """Return a note as the API gives it; a stage in words, and how tender it is, and the photographs on it."""
    said = {name: getattr(kept.what, name) for name in Note.__dataclass_fields__}
    code = kept.what.code
    more = {} if code is None else {"stage": stage_words(code, scale), "frost_stage": frost_stage(code).value}
    held = {name: value for name, value in said.items() if value is not None}
    pictures = {"photographs": [_photograph_said(each) for each in seen]} if seen else {}
    return {"number": kept.number, **held, **more, "by": kept.who, "entered": rfc3339(kept.at_ms), **pictures}


def _photograph_said(kept: Kept[Photograph]) -> dict[str, Any]:
    size = {"width_px": kept.what.width_px, "height_px": kept.what.height_px}
    return {"number": kept.number, **size, "by": kept.who, "entered": rfc3339(kept.at_ms)}
