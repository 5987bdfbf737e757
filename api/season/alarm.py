"""At which air temperature a plant is in danger tonight: by its stage, its place, and how clear and calm the night is.

Notes
-----
No lethal temperature of green fig tissue was ever measured, so far as we know. Each figure says what it rests on; all
of them are defaults that settings may replace.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum

from controller.season_settings import Frost
from controller.units import percent


class Stage(Enum):
    """How far awake a plant is; the value is what a person reads.

    Elsewhere three words do: dormant, swelling, leafed. Here the last of swelling, buds opening, stands apart, since a
    green tip takes 1 K less frost than a closed bud.
    """

    DORMANT = "dormant"
    SWELLING = "buds swelling"
    OPENING = "buds opening"
    LEAFED = "in leaf"


class Place(Enum):
    """Where a plant stands; the value is what a person reads."""

    GROUND = "in the ground"
    CONTAINER = "in a container"
    COVER = "under cover"


class Basis(Enum):
    """What a figure rests on."""

    SOURCE = "published"
    COMMON_PRACTICE = "common practice"
    ASSUMPTION = "assumption"
    OWN = "your own"


@dataclass(frozen=True, slots=True)
class Alarm:
    """The temperature [Cel] of the air at the plant, 1.25 to 2 m up, at or below which to act, and what it rests on."""

    air_c: float
    basis: Basis
    words: str


_MATURE = "mature trees stand about -11 Cel (Texas A&M EHT-019, 2013); 1 K kept in hand"
_ROOTS = "roots in a pot are safe to about -4 Cel; 1 K kept in hand"
_SWELLING = "nothing measured on fig; between the dormant bud and the green tip"
_OPENING = "nothing measured on fig; the green tip is tenderer than the bud"
_LEAFED = "a ground frost with +2 Cel in the screen killed every leaf of two growers"
_COVERED = "leaves take harm at 0 Cel; under cover they radiate less, 1 K kept in hand"

ALARMS = {
    (Stage.DORMANT, Place.GROUND): Alarm(-10.0, Basis.SOURCE, _MATURE),
    (Stage.DORMANT, Place.CONTAINER): Alarm(-3.0, Basis.COMMON_PRACTICE, _ROOTS),
    (Stage.DORMANT, Place.COVER): Alarm(-10.0, Basis.SOURCE, _MATURE),
    (Stage.SWELLING, Place.GROUND): Alarm(-3.0, Basis.ASSUMPTION, _SWELLING),
    (Stage.SWELLING, Place.CONTAINER): Alarm(-3.0, Basis.ASSUMPTION, _SWELLING),
    (Stage.SWELLING, Place.COVER): Alarm(-3.0, Basis.ASSUMPTION, _SWELLING),
    (Stage.OPENING, Place.GROUND): Alarm(-2.0, Basis.ASSUMPTION, _OPENING),
    (Stage.OPENING, Place.CONTAINER): Alarm(-2.0, Basis.ASSUMPTION, _OPENING),
    (Stage.OPENING, Place.COVER): Alarm(-2.0, Basis.ASSUMPTION, _OPENING),
    (Stage.LEAFED, Place.GROUND): Alarm(2.0, Basis.COMMON_PRACTICE, _LEAFED),
    (Stage.LEAFED, Place.CONTAINER): Alarm(2.0, Basis.COMMON_PRACTICE, _LEAFED),
    (Stage.LEAFED, Place.COVER): Alarm(1.0, Basis.ASSUMPTION, _COVERED),
}
"""By stage and place; under cover the air meant is that under the cover."""

CLEAR_CALM_DRY = Alarm(
    4.0, Basis.COMMON_PRACTICE, "on clear, calm, dry nights leaves in the open are warned of at +4 Cel"
)

CONTAINER_SOIL_ALARM_C, CONTAINER_SOIL_CRITICAL_C = 0.0, -4.0
"""[Cel] soil in a container: act, and roots begin to die. Source: assumption; common practice (pots safe to -4 Cel)."""


def stage_of(bbch: int) -> Stage:
    """Return the stage of a BBCH code 0-99; from 97, leafless, it is dormant again.

    Source: Meier 2001, BBCH monograph, general scale: 01-06 buds swell, 07-09 they open, 10 and more leaves.
    """
    if bbch == 0 or bbch >= 97:
        return Stage.DORMANT
    if bbch < 7:
        return Stage.SWELLING
    return Stage.OPENING if bbch < 10 else Stage.LEAFED


@dataclass(frozen=True, slots=True)
class Alarms:
    """When to act at one site in one night.

    Parameters
    ----------
    own
        [Cel] in place of the defaults, by stage and place; None as place means leaves in a clear, calm and dry night.
    clear_calm_dry
        Whether the night is one: that raises the alarm for leaves in the open.
    """

    own: Mapping[tuple[Stage, Place | None], float] = field(default_factory=dict)
    clear_calm_dry: bool = False

    def of(self, stage: Stage, place: Place) -> Alarm:
        """Return when to act for a stage and a place."""
        radiates = self.clear_calm_dry and stage is Stage.LEAFED and place is not Place.COVER
        own_c = self.own.get((stage, None if radiates else place))
        if own_c is not None:
            return Alarm(own_c, Basis.OWN, "written in settings")
        return CLEAR_CALM_DRY if radiates else ALARMS[stage, place]


def own_alarms(asked: Frost) -> dict[tuple[Stage, Place | None], float]:
    """Return what settings say in place of the defaults."""
    named = {f"{stage.name}_{place.name}".lower(): (stage, place) for stage in Stage for place in Place}
    keys: dict[str, tuple[Stage, Place | None]] = {**named, "leafed_clear": (Stage.LEAFED, None)}
    return {keys[name]: value for name, value in asked if value is not None}


@dataclass(frozen=True, slots=True)
class Colder:
    """By how much exposed leaves are colder than the air [K], least and most, and why."""

    least_k: float
    most_k: float
    words: str


CALM_M_S = 2.0
"""[m/s] below it a night is calm. Source: Snyder and de Melo-Abreu 2005, FAO Series 10, vol. 1 (radiation frost)."""

CLEAR = 0.3
"""Share of the sky under cloud, below which a night is clear. Source: engineering judgement."""


def leaves_colder(wind_m_s: float | None = None, cloud: float | None = None) -> Colder:
    """Return how much colder than air exposed leaves become; what is not known counts as calm and clear.

    Parameters
    ----------
    wind_m_s, cloud
        [m/s]; 0-1 of the sky.

    Source: Leuning and Cremer 1988, Agricultural and Forest Meteorology 42:121-133 (1 to 3 K on clear nights).
    """
    if wind_m_s is not None and wind_m_s >= CALM_M_S:
        return Colder(0.0, 0.0, f"wind of {wind_m_s:g} m/s keeps leaves as warm as the air")
    if cloud is not None and cloud >= CLEAR:
        return Colder(0.0, 0.0, f"cloud over {percent(cloud)} of the sky keeps leaves nearly as warm as the air")
    known = wind_m_s is not None and cloud is not None
    return Colder(
        1.0, 3.0, "clear and calm" if known else "not known to be windy or cloudy, so taken as clear and calm"
    )
