"""What a request body may say of a plant, and of what was seen on it: strict, closed, finite."""

from typing import Annotated, Literal

from pydantic import Field

from api.schemas import Body
from api.season.bbch import Scale
from api.season.plant_notes import Kind, Note
from api.season.plants import Plant, Protection

Day = Annotated[str, Field(max_length=10, description="the day it was seen, like 2026-08-19")]
Words = Annotated[str, Field(max_length=300, description="anything worth saying")]
Replaces = Annotated[int | None, Field(ge=1, le=2**53, description="the number of the note this one corrects")]
Crop = Annotated[Literal["first", "main"], Field(description="first: on last year's wood; main: on this year's shoots")]


class PlantBody(Body):
    """A plant as it is now."""

    name: str = Field(min_length=1, max_length=40, description="what people call it; no two have the same")
    cultivar: str = Field(min_length=1, max_length=60)
    place: str = Field(default="", max_length=60, description="where it stands, in your own words")
    enclosure: str | None = Field(default=None, max_length=40, description="as settings name it; null outside all")
    protection: Annotated[Protection, Field(strict=False)]
    stands: Literal["ground", "container"]
    planted: int | None = Field(default=None, description="the year; null if nobody knows")
    scale: Annotated[Scale, Field(strict=False, description="whose stages it is watched by")] = Scale.FIG
    active: bool = Field(default=True, description="whether it is still watched")

    def plant(self) -> Plant:
        """Return it as it is kept."""
        said = dict(self)
        return Plant(**{**said, **{each: said[each].strip() for each in ("name", "cultivar", "place")}})


class _NoteBody(Body):
    """What every note says."""

    kind: str
    day: Day
    words: Words = ""
    replaces: Replaces = None

    def note(self) -> Note:
        """Return it as it is kept."""
        said = {name: value for name, value in dict(self).items() if name != "replaces"}
        return Note(**{**said, "kind": Kind(self.kind), "words": self.words.strip()})


class StageBody(_NoteBody):
    """A growth stage seen."""

    kind: Literal["stage"]
    code: int = Field(ge=0, le=99, description="two digits of the plant's scale")


class DamageBody(_NoteBody):
    """Shoots found damaged by cold."""

    kind: Literal["damage"]
    share_pct: float = Field(ge=0, le=100, description="[%] of the shoots")


class HarvestBody(_NoteBody):
    """Ripe fruit taken: counted, weighed, or both."""

    kind: Literal["harvest"]
    count: int | None = Field(default=None, ge=0, le=100_000)
    grams: float | None = Field(default=None, ge=0, le=1_000_000, description="[g]")
    crop: Crop


class NeverBody(_NoteBody):
    """A crop that had not ripened by the last day anybody looked."""

    kind: Literal["never"]
    day: Annotated[str, Field(max_length=10, description="the last day anybody looked, like 2026-10-28")]
    crop: Crop


class RemarkBody(_NoteBody):
    """Anything else worth keeping."""

    kind: Literal["remark"]
    words: Annotated[str, Field(min_length=1, max_length=300, description="what was seen or done")]


NoteBody = Annotated[StageBody | DamageBody | HarvestBody | NeverBody | RemarkBody, Field(discriminator="kind")]
"""What was seen, told apart by `kind`."""
