"""What a sizing rests on, in the reader's words: every assumption once."""

from api.pages import words
from api.pages.words import Unit
from api.season.site_sizing import Sized
from controller.plant.from_settings import SOILS


def assumptions(found: Sized, unit: Unit) -> list[str]:
    """Return everything that the figures rest on, each once."""
    built, asked = found.asked.bed.built, found.asked
    soil = built.texture
    deep = words.temperature_said(asked.bed.deep_c, unit)
    coldest = {
        "asked": "The coldest night is the one asked for.",
        "record": f"The coldest night is the lowest in that time of the year in the record of {found.weather.record}.",
        "assumption": "The coldest night is assumed: no record says one.",
    }[found.coldest_by]
    return [
        "The coldest night is clear and counts as if it lasted for days; nothing is kept back for heating cold soil. "
        "What the sky draws is counted: from the soil through the cover, and from the cover itself.",
        "Beside this project's detailed simulation: a heater of the watts told held the soil within 1 K through three "
        "days of cold snap, two thirds of them did not, and a spring's heat came out within 15 %, for a cable and an "
        "air heater, under film and glass.",
        f"Cover ({asked.cover}): {built.film_u_w_m2k:g} W/m²K at 4 m/s of wind, from extension handbooks. Air changes: "
        f"{built.air_changes_h:g} an hour. A film that flutters or gapes loses more.",
        f"Soil ({asked.soil}, counted as {SOILS[asked.soil].replace('-', ', ')}): conducts "
        f"{soil.conductivity_w_mk:g} W/mK (de Vries 1963). Dry soil conducts far less.",
        "Between soil and air radiation, and 5 W/m²K of moving air where the soil is the warmer, 1.5 where the air is "
        "(after ISO 6946): warm air heats soil badly. The bed is the whole ground covered, its edges not insulated, "
        f"and the ground far below stands at {deep}.",
        "A cable lies evenly under the whole bed; above or below the roots it has to be warmer than they are. "
        "A fifth of an air heater's heat reaches the soil as radiation.",
        coldest,
        "A season is lived through day by day. Sun and cloud are told from how far apart each day's lowest and highest "
        "lie (FAO-56, inland), at 2 m/s of wind; on a coast there is more sun than that. It begins with soil as cold "
        "as it is without heat.",
        "A season counts if nine days in ten are on record; missing days count as the mean of the others.",
        "A second layer saves 35 % of what a single cover lets through (extension handbooks). A bed a third shorter "
        "saves since it is less bed.",
        "By geometry and materials, not by what this enclosure has taught: “tonight” goes by that.",
    ]
