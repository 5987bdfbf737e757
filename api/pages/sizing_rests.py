"""What a sizing rests on, in the reader's words: every assumption once."""

from api.pages import words
from api.pages.words import Unit
from api.season.site_sizing import Sized
from controller.plant.from_settings import SOILS
from controller.units import FAHRENHEIT_PER_K


def assumptions(found: Sized, unit: Unit) -> list[str]:
    """Return everything that the figures rest on, each once."""
    built, asked = found.asked.bed.built, found.asked
    soil = built.texture
    deep = words.temperature_said(asked.bed.deep_c, unit)
    scale, sign = (FAHRENHEIT_PER_K, "°F") if unit is Unit.F else (1.0, "K")
    coldest = {
        "asked": "The coldest night is the one asked for.",
        "record": f"The coldest night is the lowest in that time of the year in the record of {found.weather.record}.",
        "assumption": "The coldest night is assumed: no record says one.",
    }[found.coldest_by]
    return [
        "The coldest night is clear and counts as if it lasted for days, without sun; nothing is kept back for heating "
        "cold soil up. Under this cover a clear sky counts like an outside "
        f"{found.heaters[found.asked.heater].demand.sky_k * scale:.1f} {sign} colder.",
        "Beside this project's detailed simulation of sun, sky and wet film, made once for two beds: a cable of the "
        "watts told let the soil sink by 0.7 K in a cold snap, an air heater under film by 2 K, so that one needs more "
        "than is told. A spring's heat came out a quarter high for a cable and a fifth low for an air heater under "
        "film, and twice too high in a glasshouse, for its sun.",
        f"Cover ({asked.cover}): {built.film_u_w_m2k:g} W/m²K at 4 m/s of wind, from extension handbooks. Air changes: "
        f"{built.air_changes_h:g} an hour. A film that flutters or gapes loses more.",
        f"Soil ({asked.soil}, counted as {SOILS[asked.soil].replace('-', ', ')}): conducts "
        f"{soil.conductivity_w_mk:g} W/mK (de Vries 1963). Dry soil conducts far less.",
        "From soil to still air 8 W/m²K (ISO 6946). The bed is the whole ground covered, its edges are not insulated, "
        f"and the ground far below stands at {deep}.",
        "A cable lies evenly under the whole bed; above or below the roots it has to be warmer than they are. "
        "A fifth of an air heater's heat reaches the soil as radiation.",
        coldest,
        "A day's heat is that of its mean, half way between lowest and highest; neither sun nor clear sky counts. "
        "A season counts if nine days in ten are on record; missing days count as the mean of the others.",
        "A second layer saves 35 % of what a single cover lets through (extension handbooks). A bed a third shorter "
        "saves since it is less bed.",
        "By geometry and materials, not by what this enclosure has taught: “tonight” goes by that.",
    ]
