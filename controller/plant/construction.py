"""What an enclosure is made of, and the heat losses that follow from it."""

import math
from dataclasses import dataclass, field
from enum import StrEnum

AIR_J_M3K = 1.2 * 1005.0
"""[J/m3K] heat held by air: density 1.2 kg/m3 times 1005 J/kgK at room conditions."""
REFERENCE_WIND_M_S = 4.0
"""[m/s] wind at which a film U value and an air change rate are quoted (ISO 6946:2017, table 7)."""
STILL_SURFACE_W_M2K = 8.0
"""[W/m2K] from soil to still air, radiation included. Source: ISO 6946:2017, table 7 (between up and down), rounded."""
SECOND_LAYER_SAVES = 0.35
"""Part of the loss through a single cover that a second layer saves. Source: extension handbooks, about 35 %."""
SINGLE_W_M2K = 5.0
"""[W/m2K] A cover that lets more through is a single one; double ones are 3.4-4.0. Source: extension handbooks."""
USUAL_DEPTH_M = 0.1
"""[m] depth of a soil probe whose settings give none."""
EAVES_SHARE = 0.7
"""Eaves over ridge height of a glasshouse (engineering judgement)."""


@dataclass(frozen=True, slots=True)
class Texture:
    """Thermal properties of one soil: conductivity [W/mK] and volumetric heat capacity [J/m3K]."""

    conductivity_w_mk: float
    heat_capacity_j_m3k: float

    @property
    def diffusivity_m2_s(self) -> float:
        """[m2/s] conductivity over heat capacity."""
        return self.conductivity_w_mk / self.heat_capacity_j_m3k


TEXTURES: dict[str, Texture] = {
    "sand-dry": Texture(0.24, 1.28e6),
    "sand-moist": Texture(2.1, 2.12e6),
    "sand-wet": Texture(2.5, 2.96e6),
    "clay-dry": Texture(0.15, 1.43e6),
    "clay-moist": Texture(0.9, 2.27e6),
    "clay-wet": Texture(1.4, 3.10e6),
    "peat-dry": Texture(0.04, 0.25e6),
    "peat-moist": Texture(0.27, 2.13e6),
    "peat-wet": Texture(0.50, 4.01e6),
}
"""Soils by texture and water. Source: de Vries 1963 (moist = volume fraction 0.2, wet = 0.4; peat 0.45 and 0.9)."""


class Shape(StrEnum):
    """Outline of an enclosure: half an ellipse, a ridge roof on walls, or a plain box."""

    TUNNEL = "tunnel"
    GLASSHOUSE = "glasshouse"
    STORE = "store"


class HeaterKind(StrEnum):
    """How heat gets in."""

    SOIL_CABLE = "soil-cable"
    AIR_HEATER = "air-heater"


@dataclass(frozen=True, slots=True)
class Construction:
    """Geometry, materials and heater of one enclosure.

    Parameters
    ----------
    length_m, width_m, height_m
        [m] outside size; height at the ridge.
    shape
        Outline of the cover.
    film_u_w_m2k
        [W/m2K] air to air through the cover at 4 m/s of wind: 5.7-6.8 single, 3.4-4.0 double.
    air_changes_h
        [1/h] at 4 m/s of wind.
    light_transmission, longwave_transmission
        0-1 through the cover; dry polyethylene passes 0.7-0.8 of long wave, glass none.
    texture
        The soil.
    heater, rated_w, radiant_fraction
        Kind, [W] electrical power, and the part an air heater radiates to the soil.
    cable_depth_m, cable_w_m
        [m] depth and [W/m] power per metre of a soil cable.
    edge_path_m
        [m] length of soil that separates the bed's edge from untouched ground; longer is better insulated.
    cover_j_m2k, contents_j_m2k
        [J/m2K] heat held by the cover per cover area, and by plants, pots and frame per floor area.
    soil_light, contents_light, wet_fraction
        0-1 of the light let in that soil and contents absorb, and the part of it that evaporates water which then
        condenses on the cover.
    vent_opens_c
        [Cel] air at which a self-acting vent starts to open, or None if there is none.
    floor_m2, section_m2, cover_m2, volume_m3
        [m2] ground covered, of one end, and of film or glass, ends included; [m3] of air.
    sky_view
        0-1 part of the cover's view that is sky: exact for a convex cover on flat ground.

    Raises
    ------
    ValueError
        If a size or property is not positive, a fraction is outside 0-1, or the U value is beyond its surface films.
    """

    length_m: float = 6.0
    width_m: float = 0.9
    height_m: float = 0.45
    shape: Shape = Shape.TUNNEL
    film_u_w_m2k: float = 6.8
    air_changes_h: float = 1.0
    light_transmission: float = 0.85
    longwave_transmission: float = 0.7
    texture: Texture = TEXTURES["clay-wet"]
    heater: HeaterKind = HeaterKind.SOIL_CABLE
    rated_w: float = 450.0
    radiant_fraction: float = 0.2
    cable_depth_m: float = 0.12
    cable_w_m: float = 15.0
    edge_path_m: float = 0.4
    cover_j_m2k: float = 500.0
    contents_j_m2k: float = 15_000.0
    soil_light: float = 0.5
    contents_light: float = 0.3
    wet_fraction: float = 0.3
    vent_opens_c: float | None = 25.0
    floor_m2: float = field(init=False)
    section_m2: float = field(init=False)
    cover_m2: float = field(init=False)
    volume_m3: float = field(init=False)
    sky_view: float = field(init=False)

    def __post_init__(self) -> None:
        for name in _POSITIVE:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} is {value}; it must be finite and above 0")
        for name in _FRACTIONS:
            if not 0.0 <= getattr(self, name) <= 1.0:
                raise ValueError(f"{name} is {getattr(self, name)}; it must lie within 0-1")
        if self.soil_light + self.contents_light > 1.0:
            raise ValueError("soil_light and contents_light together exceed 1")
        if not self.film_u_w_m2k < 12.0:
            raise ValueError(f"film_u_w_m2k is {self.film_u_w_m2k}; no cover loses 12 W/m2K or more")
        if not 0.0 <= self.air_changes_h < 1000.0:
            raise ValueError(f"air_changes_h is {self.air_changes_h}; it must be at least 0")
        if not 0.03 <= self.cable_depth_m <= 1.0:
            raise ValueError(f"cable_depth_m is {self.cable_depth_m}; it must lie within 0.03-1 m")
        self._measure()

    def _measure(self) -> None:
        """Work out once what a simulation asks every minute."""
        sizes = {"floor_m2": self.length_m * self.width_m, "section_m2": self._section_m2()}
        sizes["cover_m2"] = self._arc_m() * self.length_m + 2.0 * sizes["section_m2"]
        sizes["volume_m3"] = sizes["section_m2"] * self.length_m
        sizes["sky_view"] = (1.0 + sizes["floor_m2"] / sizes["cover_m2"]) / 2.0
        for name, size in sizes.items():
            object.__setattr__(self, name, size)

    def _section_m2(self) -> float:
        if self.shape == Shape.TUNNEL:
            return math.pi / 4.0 * self.width_m * self.height_m
        eaves_m = self.height_m * (EAVES_SHARE if self.shape == Shape.GLASSHOUSE else 1.0)
        return self.width_m * (eaves_m + self.height_m) / 2.0

    def _arc_m(self) -> float:
        """[m] of cover across. Half an ellipse: Ramanujan 1914, second approximation."""
        if self.shape == Shape.TUNNEL:
            a, b = self.width_m / 2.0, self.height_m
            h = ((a - b) / (a + b)) ** 2
            return math.pi / 2.0 * (a + b) * (1.0 + 3.0 * h / (10.0 + math.sqrt(4.0 - 3.0 * h)))
        eaves_m = self.height_m * (EAVES_SHARE if self.shape == Shape.GLASSHOUSE else 1.0)
        return 2.0 * (eaves_m + math.hypot(self.width_m / 2.0, self.height_m - eaves_m))

    @property
    def ua_w_k(self) -> float:
        """[W/K] loss through the cover per kelvin."""
        return self.film_u_w_m2k * self.cover_m2

    @property
    def first_minute_rise_k(self) -> float:
        """[K] that the heater alone lifts the air within a minute, losses to cover and soil counted.

        Source: one well-stirred node, P/L (1 - exp(-L t/C)): common practice for lumped heat.
        """
        loss_w_k = self.ua_w_k + STILL_SURFACE_W_M2K * self.floor_m2
        return self.rated_w / loss_w_k * (1.0 - math.exp(-60.0 * loss_w_k / (AIR_J_M3K * self.volume_m3)))

    @property
    def edge_w_m3k(self) -> float:
        """[W/m3K] sideways loss per volume of bed: conductivity over path, times edge area over volume."""
        perimeter_m = 2.0 * (self.length_m + self.width_m)
        return self.texture.conductivity_w_mk / self.edge_path_m * perimeter_m / self.floor_m2


_POSITIVE = (
    "length_m",
    "width_m",
    "height_m",
    "film_u_w_m2k",
    "rated_w",
    "cable_w_m",
    "edge_path_m",
    "cover_j_m2k",
    "contents_j_m2k",
)
_FRACTIONS = (
    "light_transmission",
    "longwave_transmission",
    "radiant_fraction",
    "soil_light",
    "contents_light",
    "wet_fraction",
)


def cover_loss_w(film_u_w_m2k: float, cover_m2: float, difference_k: float) -> float:
    """Return [W] through a cover. Source: Q = U A dT (ANSI/ASAE EP406.4)."""
    return film_u_w_m2k * cover_m2 * difference_k


def infiltration_w(air_changes_h: float, volume_m3: float, difference_k: float) -> float:
    """Return sensible [W] carried out by air exchange; vapour is left out. Source: ANSI/ASAE EP406.4."""
    return AIR_J_M3K / 3600.0 * air_changes_h * volume_m3 * difference_k
