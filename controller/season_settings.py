"""`[season]` of `soilward.toml`: how a season is counted, and what frost the plants bear."""

from typing import Annotated, Literal

from pydantic import Field

from controller.setting_kinds import FilePath, Part, Temperature

FrostLimit = Annotated[Temperature, Field(ge=-40, le=10)]


class Frost(Part):
    """Air at the plant at or below which to act, in place of the defaults: by stage and place, and for leaves in the
    open in a clear, calm and dry night.
    """

    dormant_ground: FrostLimit | None = None
    dormant_container: FrostLimit | None = None
    dormant_cover: FrostLimit | None = None
    swelling_ground: FrostLimit | None = None
    swelling_container: FrostLimit | None = None
    swelling_cover: FrostLimit | None = None
    opening_ground: FrostLimit | None = None
    opening_container: FrostLimit | None = None
    opening_cover: FrostLimit | None = None
    leafed_ground: FrostLimit | None = None
    leafed_container: FrostLimit | None = None
    leafed_cover: FrostLimit | None = None
    leafed_clear: FrostLimit | None = None


class Season(Part):
    """How the season is counted, and where a weather station's daily record of many years is."""

    station_file: FilePath | None = None
    chill: Literal["chilling-hours", "chilling-hours-with-frost", "utah", "positive-utah", "chill-portions"] = (
        "chill-portions"
    )
    warmth: Literal[
        "mean",
        "cut",
        "sine",
        "double-sine",
        "triangle",
        "double-triangle",
        "hours",
        "degree-hours",
        "linear-degree-hours",
        "linear-degree-hours-none-above",
    ] = "hours"
    base: Temperature | None = Field(default=None, ge=-10, le=30)
    upper: Temperature | None = Field(default=None, ge=0, le=60)
    frost: Frost = Frost()
