"""The plant's physics against published figures and closed forms; limits and figures are restated, never imported."""

import calendar
import math
from itertools import pairwise

import pytest

from controller.plant.construction import AIR_J_M3K, Construction, Shape, cover_loss_w, infiltration_w
from controller.plant.sky import clear_sky_emissivity, dew_point_c, saturation_pa, sky_c, swinbank_k
from controller.plant.soil import SoilColumn
from controller.plant.sun import clear_sky_ghi_w_m2, solar_position_at

DAY_S, YEAR_S = 86_400.0, 365.25 * 86_400.0
KAPPA_M2_S = 0.5e-6
TUNNEL = Construction(length_m=6.0, width_m=0.9, height_m=0.45, film_u_w_m2k=6.8)


def damping_depth_m(kappa_m2_s: float, period_s: float) -> float:
    """Return d = sqrt(2 kappa / omega)."""
    return math.sqrt(kappa_m2_s * period_s / math.pi)


def wave_c(depth_m: float, at_s: float, mean_c: float = 15.0, swing_k: float = 10.0) -> float:
    """Return the daily wave in a half-space."""
    z = depth_m / damping_depth_m(KAPPA_M2_S, DAY_S)
    return mean_c + swing_k * math.exp(-z) * math.sin(2.0 * math.pi * at_s / DAY_S - z)


def step_c(depth_m: float, at_s: float) -> float:
    """Return a half-space at 10 Cel whose surface went to 30 Cel at time 0."""
    return 10.0 + 20.0 * math.erfc(depth_m / (2.0 * math.sqrt(KAPPA_M2_S * at_s)))


def flux_rise_k(depth_m: float, at_s: float, flux_w_m2: float = 100.0, k_w_mk: float = 1.0) -> float:
    """Return the rise of a half-space under a constant flux."""
    spread = math.sqrt(KAPPA_M2_S * at_s)
    x = depth_m / (2.0 * spread)
    return flux_w_m2 / k_w_mk * (2.0 * spread / math.sqrt(math.pi) * math.exp(-x * x) - depth_m * math.erfc(x))


def column(start_c: float) -> SoilColumn:
    """Return a column of k = 1 W/mK and kappa = 0.5e-6 m2/s at one temperature throughout."""
    return SoilColumn(1.0, 2.0e6, surface_c=start_c, deep_c=start_c)


def run(soil: SoilColumn, seconds: float, flux_w_m2: float, air_c: float) -> None:
    """Advance a factored column in 10 s steps."""
    for _ in range(round(seconds / 10.0)):
        soil.eliminate(flux_w_m2, 0.0)
        soil.substitute(air_c)


def test_a_single_film_of_twenty_square_metres_loses_2040_watts() -> None:
    """Q = U A dT: 6.8 W/m2K, 20 m2, 15 K.

    Source: ANSI/ASAE EP406.4 (form); arithmetic.
    """
    assert cover_loss_w(6.8, 20.0, 15.0) == pytest.approx(2040.0, rel=1e-3)


def test_one_air_change_of_twelve_cubic_metres_loses_sixty_watts() -> None:
    """Sensible infiltration is 0.335 N V dT.

    Source: ANSI/ASAE EP406.4 (form, from memory); arithmetic.
    """
    assert infiltration_w(1.0, 12.0, 15.0) == pytest.approx(60.3, rel=0.01)


def test_imperial_u_values_convert_by_5_678() -> None:
    """1.2 Btu/h ft2 F is 6.814 W/m2K, which is what a single glazing loses.

    Source: extension.org, glazing table (1.0-1.2 Btu/h ft2 F); conversion by definition of the Btu, foot, and degree F.
    """
    watts = 1055.05585262 / 3600.0 / 0.3048**2 * 1.8
    assert 1.2 * watts == pytest.approx(6.814, rel=1e-3)
    assert pytest.approx(1.2 * watts, rel=0.01) == TUNNEL.film_u_w_m2k


@pytest.mark.parametrize(("air_c", "sky_k"), [(20.0, 277.06), (10.0, 263.00), (0.0, 249.20), (-5.0, 242.39)])
def test_the_clear_sky_of_swinbank(air_c: float, sky_k: float) -> None:
    """T = 0.0552 Ta^1.5.

    Source: Swinbank 1963, Q. J. R. Met. Soc. 89.
    """
    assert swinbank_k(air_c) == pytest.approx(sky_k, abs=0.02)


@pytest.mark.parametrize(
    ("air_c", "dew_c", "emissivity", "celsius"),
    [(20.0, 10.0, 0.7743, 1.84), (10.0, 5.0, 0.7408, -10.46), (0.0, -5.0, 0.6848, -24.67)],
)
def test_the_clear_sky_of_berdahl_and_martin(air_c: float, dew_c: float, emissivity: float, celsius: float) -> None:
    """Emissivity from the dew point, and the sky temperature that goes with it.

    Source: Berdahl and Martin 1984, Solar Energy 32.
    """
    assert clear_sky_emissivity(dew_c) == pytest.approx(emissivity, abs=1e-3)
    assert sky_c(air_c, dew_c) == pytest.approx(celsius, abs=0.02)


def test_cloud_brings_the_sky_to_air_temperature_and_never_past_it() -> None:
    """The sky warms with every tenth of cloud and stays under the air.

    Source: Unsworth and Monteith 1975, Q. J. R. Met. Soc. 101 (e = (1 - 0.84 c) e0 + 0.84 c).
    """
    skies = [sky_c(5.0, 0.0, tenth / 10.0) for tenth in range(11)]
    assert all(a < b < 5.0 for a, b in pairwise(skies))


def test_vapour_pressure_and_dew_point() -> None:
    """p_ws(25 Cel) = 3169.7 Pa within 0.35 %; 25 Cel at 60 % has its dew point at 16.70 Cel.

    Source: ASHRAE Fundamentals 2017 as in psychrolib's tests (MIT).
    """
    assert saturation_pa(25.0) == pytest.approx(3169.7, rel=0.0035)
    assert dew_point_c(25.0, 60.0) == pytest.approx(16.70, abs=0.05)


@pytest.mark.parametrize(("kappa", "day_m", "year_m"), [(0.5e-6, 0.1173, 2.241)])
def test_damping_depths(kappa: float, day_m: float, year_m: float) -> None:
    """d = sqrt(2 kappa / omega) for a day and a year.

    Source: Campbell and Norman 1998, eq. 2.5.
    """
    assert damping_depth_m(kappa, DAY_S) == pytest.approx(day_m, rel=1e-3)
    assert damping_depth_m(kappa, YEAR_S) == pytest.approx(year_m, rel=1e-3)


def test_the_closed_daily_wave() -> None:
    """At 6 h the wave at 10 cm stands at 17.804 Cel, and at 20 cm it runs 6.515 h late.

    Source: Carslaw and Jaeger 1959, section 2.6.
    """
    assert wave_c(0.10, 6 * 3600.0) == pytest.approx(17.804, abs=0.005)
    lag_h = 0.20 / damping_depth_m(KAPPA_M2_S, DAY_S) * 24.0 / (2.0 * math.pi)
    assert lag_h == pytest.approx(6.515, rel=1e-3)


def test_the_column_carries_a_daily_wave_as_the_closed_form_does() -> None:
    """Driven by a sine at its surface for six days, every depth follows the closed form within 0.15 K.

    Source: Carslaw and Jaeger 1959, section 2.6.
    """
    soil = column(15.0)
    soil.factor(60.0, 1e7, 0.0)
    worst_k = 0.0
    for minute in range(1, 6 * 1440 + 1):
        soil.eliminate(0.0, 0.0)
        soil.substitute(wave_c(0.0, minute * 60.0))
        if minute > 5 * 1440 and minute % 30 == 0:
            errors = [abs(soil.at_c(z) - wave_c(z, minute * 60.0)) for z in (0.05, 0.1, 0.2, 0.3)]
            worst_k = max(worst_k, *errors)
    assert worst_k < 0.15


def test_the_closed_step_response_and_its_scaling() -> None:
    """5 cm after 1 h is 18.093 Cel; depth squared over time is all that matters.

    Source: Carslaw and Jaeger 1959, section 2.4 eq. 10.
    """
    assert step_c(0.05, 3600.0) == pytest.approx(18.093, abs=0.005)
    assert step_c(0.10, 6 * 3600.0) == pytest.approx(19.925, abs=0.001)
    assert step_c(0.10, 6 * 3600.0) == pytest.approx(step_c(0.20, 24 * 3600.0), rel=1e-6)


@pytest.mark.parametrize(
    ("depth_m", "hours", "celsius"), [(0.05, 1, 18.093), (0.10, 1, 11.912), (0.10, 6, 19.925), (0.20, 24, 19.925)]
)
def test_the_column_answers_a_step_as_the_closed_form_does(depth_m: float, hours: float, celsius: float) -> None:
    """A surface taken from 10 to 30 Cel is felt below within 0.1 K of the closed form.

    Source: Carslaw and Jaeger 1959, section 2.4 eq. 10.
    """
    soil = column(10.0)
    soil.factor(10.0, 1e7, 0.0)
    run(soil, hours * 3600.0, 0.0, 30.0)
    assert soil.at_c(depth_m) == pytest.approx(celsius, abs=0.1)


@pytest.mark.parametrize(
    ("depth_m", "hours", "rise_k"), [(0.0, 1, 4.787), (0.0, 6, 11.726), (0.05, 1, 1.360), (0.10, 6, 4.341)]
)
def test_the_column_answers_a_flux_as_the_closed_form_does(depth_m: float, hours: float, rise_k: float) -> None:
    """100 W/m2 at the surface: closed form within 0.1 %, column within 2 %.

    Source: Carslaw and Jaeger 1959, section 2.9 eq. 7.
    """
    assert flux_rise_k(depth_m, hours * 3600.0) == pytest.approx(rise_k, rel=1e-3)
    soil = column(10.0)
    soil.factor(10.0, 0.0, 0.0)
    run(soil, hours * 3600.0, 100.0, 0.0)
    assert soil.at_c(depth_m) - 10.0 == pytest.approx(rise_k, rel=0.02)


def test_the_depth_that_answers_in_2500_seconds() -> None:
    """z^2 / 2 kappa at 5 cm is 2500 s.

    Source: Carslaw and Jaeger 1959, section 2.9 (time scale); arithmetic.
    """
    seconds = 0.05**2 / (2.0 * KAPPA_M2_S)
    assert seconds == pytest.approx(2500.0, rel=1e-12)


def test_a_small_tunnel_warms_fast() -> None:
    """Half a cylinder of 0.45 m radius, 6 m long: 1.91 m3, 9.12 m2, 62 W/K; 1000 W gives 26.07 K/min adiabatic.

    Source: arithmetic from geometry and air at 1.2 kg/m3, 1005 J/kgK.
    """
    assert pytest.approx(1.909, rel=1e-3) == TUNNEL.volume_m3
    assert pytest.approx(9.118, rel=1e-3) == TUNNEL.cover_m2
    assert pytest.approx(62.0, rel=1e-3) == TUNNEL.ua_w_k
    assert 1000.0 / (AIR_J_M3K * TUNNEL.volume_m3) * 60.0 == pytest.approx(26.07, rel=5e-3)


@pytest.mark.parametrize(("seconds", "rise_k"), [(15.0, 5.36), (60.0, 12.92)])
def test_a_small_tunnel_overshoots_by_its_lease(seconds: float, rise_k: float) -> None:
    """The bare air's rise under 1000 W after a short and a long lease.

    Source: first-order step response; arithmetic from the tunnel's geometry.
    """
    tau_s = AIR_J_M3K * TUNNEL.volume_m3 / TUNNEL.ua_w_k
    assert 1000.0 / TUNNEL.ua_w_k * (1.0 - math.exp(-seconds / tau_s)) == pytest.approx(rise_k, rel=0.01)


def test_a_box_and_a_ridge_roof_have_the_areas_of_a_drawing() -> None:
    """4 x 3 x 2 m: a box has 40 m2 of walls and roof; eaves at 1.4 m give a 5.1 m2 gable and 34.9 m2 in all.

    Source: arithmetic.
    """
    box = Construction(length_m=4.0, width_m=3.0, height_m=2.0, shape=Shape.STORE)
    house = Construction(length_m=4.0, width_m=3.0, height_m=2.0, shape=Shape.GLASSHOUSE)
    assert (box.cover_m2, box.volume_m3) == pytest.approx((40.0, 24.0))
    assert house.section_m2 == pytest.approx(5.1)
    assert house.cover_m2 == pytest.approx(2 * 5.1 + 4.0 * 2 * (1.4 + math.hypot(1.5, 0.6)))


def test_the_sun_stands_where_the_published_algorithm_puts_it() -> None:
    """2003-10-17 12:30:30 UTC-7 at 39.742476 N 105.1786 W: zenith 50.11162, azimuth 194.34024 deg, within 0.3.

    Source: Reda and Andreas 2004, NREL/TP-560-34302, table A5.1.
    """
    utc_ms = calendar.timegm((2003, 10, 17, 19, 30, 30)) * 1000
    zenith, azimuth = solar_position_at(utc_ms, 39.742476, -105.1786)
    assert zenith == pytest.approx(50.11162, abs=0.3)
    assert azimuth == pytest.approx(194.34024, abs=0.3)


@pytest.mark.parametrize(
    ("elevation", "ghi"),
    [(5, 48.630), (10, 135.742), (30, 487.894), (50, 778.767), (90, 1035.092), (0, 0.0), (-5, 0.0)],
)
def test_the_clear_sky_sun_of_haurwitz(elevation: float, ghi: float) -> None:
    """1098 cos z exp(-0.059 / cos z), and nothing below the horizon.

    Source: Haurwitz 1945, J. Met. 2; values as in pvlib's tests (BSD-3-Clause).
    """
    assert clear_sky_ghi_w_m2(90.0 - elevation) == pytest.approx(ghi, abs=1e-3)
