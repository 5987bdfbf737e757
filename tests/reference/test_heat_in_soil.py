"""Heat conducted in soil: the plant's column and cable against closed forms in other soils and depths."""

import math

import numpy as np
import pytest
from scipy.special import erfc

from controller.expected import felt_part
from controller.plant.construction import STILL_SURFACE_W_M2K, TEXTURES, Construction, Texture
from controller.plant.heat_source import CABLE_CONTACT_M_K_W, CABLE_DIAMETER_M, BuriedCable, row_lag_s, spacing_m
from controller.plant.soil import SoilColumn

DAY_S = 86_400.0
SOILS = ["sand-moist", "clay-wet", "peat-moist"]
STEP_S = 20.0


def column(soil: str, start_c: float) -> SoilColumn:
    """Return a column of one soil at one temperature throughout."""
    texture = TEXTURES[soil]
    return SoilColumn(texture.conductivity_w_mk, texture.heat_capacity_j_m3k, surface_c=start_c, deep_c=start_c)


@pytest.mark.parametrize("soil", SOILS)
@pytest.mark.parametrize("depth_m", [0.05, 0.10, 0.20])
def test_a_daily_wave_fades_and_lags_with_depth(soil: str, depth_m: float) -> None:
    """Ten days of a 10 K wave at the surface: amplitude within 3 % of the surface's, lag within 3.5 % and 3 minutes.

    Wet peat is the hardest: its wave is a quarter as deep as sand's, and four of our layers span it.

    Source: Carslaw and Jaeger 1959, section 2.6 eq. 8: amplitude exp(-z/d), lag z/d, d = sqrt(2 kappa/omega).
    """
    texture, made, omega = TEXTURES[soil], column(soil, 15.0), 2.0 * math.pi / DAY_S
    made.factor(STEP_S, 1e7, 0.0)
    sine = cosine = 0.0
    steps = round(DAY_S / STEP_S)
    for i in range(1, 10 * steps + 1):
        made.eliminate(0.0, 0.0)
        made.substitute(15.0 + 10.0 * math.sin(omega * i * STEP_S))
        if i > 9 * steps:
            rise_k = made.at_c(depth_m) - 15.0
            sine += rise_k * math.sin(omega * i * STEP_S) * 2.0 / steps
            cosine += rise_k * math.cos(omega * i * STEP_S) * 2.0 / steps
    z = depth_m * math.sqrt(omega / (2.0 * texture.diffusivity_m2_s))
    lag_h = math.atan2(-cosine, sine) % (2.0 * math.pi) / (2.0 * math.pi) * 24.0
    assert math.hypot(sine, cosine) / 10.0 == pytest.approx(math.exp(-z), abs=0.03)
    assert lag_h == pytest.approx(z / (2.0 * math.pi) * 24.0, rel=0.035, abs=0.05)


@pytest.mark.parametrize("soil", SOILS)
@pytest.mark.parametrize(("depth_m", "hours"), [(0.05, 2.0), (0.10, 6.0), (0.20, 24.0)])
def test_a_step_at_the_surface_is_felt_below(soil: str, depth_m: float, hours: float) -> None:
    """A surface taken from 10 to 30 Cel: within 1 % of the step.

    Source: Carslaw and Jaeger 1959, section 2.5 eq. 1: erfc(z / 2 sqrt(kappa t)).
    """
    made, seconds = column(soil, 10.0), hours * 3600.0
    made.factor(STEP_S, 1e7, 0.0)
    for _ in range(round(seconds / STEP_S)):
        made.eliminate(0.0, 0.0)
        made.substitute(30.0)
    share = float(erfc(depth_m / (2.0 * math.sqrt(TEXTURES[soil].diffusivity_m2_s * seconds))))
    assert (made.at_c(depth_m) - 10.0) / 20.0 == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize("soil", SOILS)
@pytest.mark.parametrize(("depth_m", "hours"), [(0.0, 3.0), (0.05, 3.0), (0.10, 12.0)])
def test_a_steady_flux_at_the_surface_warms_below(soil: str, depth_m: float, hours: float) -> None:
    """100 W/m2 into the surface: within 3 % of the closed form and 0.05 K.

    Source: Carslaw and Jaeger 1959, section 2.9 eq. 7: 2 q sqrt(kappa t) / k ierfc(z / 2 sqrt(kappa t)).
    """
    texture, made, seconds = TEXTURES[soil], column(soil, 10.0), hours * 3600.0
    made.factor(STEP_S, 0.0, 0.0)
    for _ in range(round(seconds / STEP_S)):
        made.eliminate(100.0, 0.0)
        made.substitute(0.0)
    spread_m = 2.0 * math.sqrt(texture.diffusivity_m2_s * seconds)
    x = depth_m / spread_m
    ierfc = math.exp(-x * x) / math.sqrt(math.pi) - x * float(erfc(x))
    rise_k = 100.0 / texture.conductivity_w_mk * spread_m * ierfc
    assert made.at_c(depth_m) - 10.0 == pytest.approx(rise_k, rel=0.03, abs=0.05)


def row_field_k(x_m: np.ndarray, spacing: float, k_w_mk: float) -> np.ndarray:
    """Return [K per W/m] in the plane of 2001 lines of heat, `x_m` from the middle one; the constant is arbitrary."""
    lines = np.arange(-1000, 1001) * spacing
    return np.asarray(-np.log(np.abs(x_m[:, None] - lines)).sum(axis=1) / (2.0 * np.pi * k_w_mk))


@pytest.mark.parametrize("soil", SOILS)
@pytest.mark.parametrize("rated_w", [300.0, 450.0, 870.0])
def test_soil_at_a_cable_is_warmer_than_its_layer_as_images_of_a_line_say(soil: str, rated_w: float) -> None:
    """Steady power: sheath over layer by contact plus the field of 2001 lines, within 1 %.

    Source: Carslaw and Jaeger 1959, section 10.3 (line source) and 16.9 (images): -ln r / 2 pi k per line.
    """
    built = Construction(texture=TEXTURES[soil], rated_w=rated_w)
    spacing = spacing_m(built)
    across = (np.arange(4000) + 0.5) / 4000 * spacing
    at_line = row_field_k(np.array([CABLE_DIAMETER_M / 2.0]), spacing, built.texture.conductivity_w_mk)[0]
    over_k = built.cable_w_m * (at_line - row_field_k(across, spacing, built.texture.conductivity_w_mk).mean())
    cable = BuriedCable(built, 10.0)
    for _ in range(3000):
        given_w = cable.step(600.0, rated_w, 10.0)
    assert given_w == pytest.approx(rated_w, rel=1e-6)
    assert cable.near_c - 10.0 == pytest.approx(over_k, rel=0.01)
    assert cable.sheath_c - cable.near_c == pytest.approx(built.cable_w_m * CABLE_CONTACT_M_K_W, rel=1e-6)


def test_heat_spreads_between_the_rows_of_a_cable_as_the_slowest_wave_does() -> None:
    """The first sideways wave, cos(2 pi x / s), on a fine grid fades by e in the cable's lateral lag, within 1 %.

    Source: Carslaw and Jaeger 1959, section 3.3 (a wave of number b decays as exp(-kappa b^2 t)).
    """
    built = Construction()
    spacing, kappa, cells = spacing_m(built), built.texture.diffusivity_m2_s, 100
    cell_m = spacing / cells
    wave = np.cos(2.0 * np.pi * (np.arange(cells) + 0.5) / cells)
    first, step_s = wave.max(), 0.2 * cell_m**2 / kappa
    for _ in range(round(row_lag_s(built) / step_s)):
        wave += 0.2 * (np.roll(wave, 1) - 2.0 * wave + np.roll(wave, -1))
    assert wave.max() / first == pytest.approx(math.exp(-1.0), rel=0.01)


@pytest.mark.parametrize(("biot", "part"), [(0.1, 0.1036), (1.0, 0.5724)])
def test_a_surface_follows_the_air_as_a_half_space_does(biot: float, part: float) -> None:
    """At the surface, h sqrt(kappa t)/k of 0.1 and 1: 1 - exp(b2) erfc(b), as tabulated for erfc.

    Source: Carslaw & Jaeger 1959, section 2.7, equation 1, at x = 0; erfc from Abramowitz & Stegun, table 7.1.
    """
    soil = Texture(STILL_SURFACE_W_M2K * 0.1, STILL_SURFACE_W_M2K * 0.1 * 1e6)
    after_s = (biot * soil.conductivity_w_mk / STILL_SURFACE_W_M2K) ** 2 / soil.diffusivity_m2_s
    assert felt_part(soil, 0.0, after_s) == pytest.approx(part, abs=2e-4)


def test_deep_soil_feels_less_of_the_air_than_shallow_soil() -> None:
    """Less with depth, more with time, never all of it and never less than nothing, in every soil.

    Source: Carslaw & Jaeger 1959, section 2.7.
    """
    for soil in TEXTURES.values():
        parts = [felt_part(soil, depth_m, 10_500.0) for depth_m in (0.02, 0.1, 0.3, 1.0)]
        assert parts == sorted(parts, reverse=True)
        assert felt_part(soil, 0.1, 3600.0) <= parts[1] < 1.0
        assert min(parts) >= 0.0
