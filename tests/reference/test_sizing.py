"""Heat loss, circuits and a tunnel's geometry against published figures; limits and figures are restated."""

from dataclasses import replace
from math import pi

import pytest

from api.season.sizing import Bed, Change, changes, circuits, loss_of
from api.season.sizing import demand_of as demand
from controller.plant.construction import AIR_J_M3K, Construction, HeaterKind

TUNNEL = Construction(length_m=6.0, width_m=0.9, height_m=0.45, film_u_w_m2k=6.8, air_changes_h=1.0)
"""Half a circle of radius 0.45 m."""


def with_cover_m2(cover_m2: float, film_u_w_m2k: float) -> Construction:
    """Return a tunnel whose cover, ends included, has just this area: found by its length."""
    arc_m, ends_m2 = pi * 0.45, pi * 0.45**2
    return replace(TUNNEL, length_m=(cover_m2 - ends_m2) / arc_m, film_u_w_m2k=film_u_w_m2k)


@pytest.mark.parametrize(("film_u_w_m2k", "watts"), [(6.8, 2040.0), (4.0, 1200.0)])
def test_twenty_square_metres_of_cover_at_fifteen_kelvin(film_u_w_m2k: float, watts: float) -> None:
    """A single film at the top of its range loses 2040 W, a double one 1200 W.

    Source: Q = U A dT (ANSI/ASAE EP406.4); U of extension.org's glazing table (1.2 and 0.7 Btu/h ft2 F).
    """
    loss = loss_of(with_cover_m2(20.0, film_u_w_m2k))
    assert loss.cover_m2 == pytest.approx(20.0, rel=1e-4)
    assert loss.cover_w_k * 15.0 == pytest.approx(watts, rel=1e-3)


def test_one_air_change_an_hour_of_twelve_cubic_metres_at_fifteen_kelvin() -> None:
    """0.335 N V dT is 60.3 W.

    Source: ANSI/ASAE EP406.4 (form, from memory); arithmetic.
    """
    loss = loss_of(replace(TUNNEL, length_m=12.0 / (pi / 2.0 * 0.45**2)))
    assert loss.volume_m3 == pytest.approx(12.0)
    assert loss.exchange_w_k * 15.0 == pytest.approx(60.3, rel=0.01)


def test_half_a_circle_of_45_cm_over_six_metres() -> None:
    """9.12 m2 of film with its ends, 1.91 m3 of air, 62 W/K through the cover, and 37 s for its air to follow.

    Source: geometry of a half cylinder (pi r l + pi r2; pi r2 l / 2); C/UA of one well-stirred volume.
    """
    loss = loss_of(TUNNEL)
    assert loss.cover_m2 == pytest.approx(9.12, abs=0.005)
    assert loss.volume_m3 == pytest.approx(1.91, abs=0.005)
    assert loss.cover_w_k == pytest.approx(62.0, abs=0.05)
    assert AIR_J_M3K * loss.volume_m3 / loss.cover_w_k == pytest.approx(37.0, abs=0.5)


@pytest.mark.parametrize(("breaker_a", "continuous_a", "carries_w"), [(15, 12, 1440), (20, 16, 1920)])
def test_a_load_of_hours_takes_four_fifths_of_a_breaker(breaker_a: int, continuous_a: int, carries_w: int) -> None:
    """15 A carry 12 A and 20 A carry 16 A for three hours and more; 1440 and 1920 W at 120 V.

    Source: NEC 210.19(A), 210.20(A): overcurrent device of 125 % of the continuous load.
    """
    (found,) = (each for each in circuits(120.0) if each.breaker_a == breaker_a)
    assert found.continuous_a == pytest.approx(continuous_a)
    assert found.carries_w == pytest.approx(carries_w)


def test_a_second_layer_saves_a_third_of_a_single_film() -> None:
    """35 % of U A: from 6.8 to 4.4 W/m2K; handbooks' own double covers are 3.4-4.0.

    Source: extension handbooks (double saves about 35 %); Rasheed et al. (34 %), as quoted.
    """
    layered: Change = next(each for each in changes(Bed(TUNNEL, 0.1), HeaterKind.SOIL_CABLE) if "layer" in each.name)
    assert loss_of(layered.bed.built).cover_w_k / loss_of(TUNNEL).cover_w_k == pytest.approx(0.65)


@pytest.mark.parametrize("outside_c", [-20.0, -10.0, 0.0, 10.0])
def test_a_clear_sky_draws_ninety_watts_a_square_metre(outside_c: float) -> None:
    """0.95 sigma (Ta^4 - Ts^4), Ts = 0.0552 Ta^1.5, within 3 % of the one figure used; film passes seven tenths.

    Source: Swinbank 1963, Q. J. R. Met. Soc. 89; Stefan-Boltzmann law; dry polyethylene 0.7 (from memory).
    """
    air_k = outside_c + 273.15
    open_w_m2 = 0.95 * 5.670e-8 * (air_k**4 - (0.0552 * air_k**1.5) ** 4)
    assert pytest.approx(open_w_m2, rel=0.03) == 90.0
    told = demand(Bed(replace(TUNNEL, longwave_transmission=0.7), 0.1), HeaterKind.SOIL_CABLE)
    assert -told.balance.brings[1, 4] * 90.0 / 5.4 == pytest.approx(0.7 * open_w_m2, rel=0.03)


def test_a_cable_of_the_nursery_table_lifts_a_bed_by_eleven_to_thirteen_kelvin() -> None:
    """78-111 W/m2 in an unheated 7 Cel house lift the soil by 11-13 K; ours tells what holds that, within a third.

    The house is large, so its air stands at 7 Cel whatever the bed gives; the ground below is as cold as the house.

    Source: a nursery's cable table (50 W on 0.45 m2 to 300 W on 3.85 m2), as quoted; a third is our judgement.
    """
    house = replace(TUNNEL, length_m=1.0, width_m=1.0, height_m=10.0, film_u_w_m2k=11.9, cable_depth_m=0.05)
    told = demand(Bed(replace(house, edge_path_m=1e6), roots_m=0.05, deep_c=7.0), HeaterKind.SOIL_CABLE)
    w_m2 = told.watts(7.0 + 12.0, 7.0)
    assert 78.0 / 1.34 < w_m2 < 111.0 * 1.34
