"""Sizing: heat that holds soil, where the cable lies, circuits, seasons, and what may be asked."""

import math
from collections.abc import Iterator
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from api.season.daily import Daily, Day, daily_of
from api.season.sizing import Bed, SizingError, changes, circuits, demand_of
from api.season.sizing_asked import Asked, SizingAskedError, asked_of, filled_in
from api.season.sizing_season import Season, counted, seasons, steady_season, used
from controller.enclosure_settings import Enclosure, ProbeSettings
from controller.plant.construction import TEXTURES, Construction, HeaterKind, Shape
from controller.plant.enclosure_plant import EnclosurePlant
from controller.plant.weather import SpringWeather
from tests.api_site import settings_of

CABLE, AIR = HeaterKind.SOIL_CABLE, HeaterKind.AIR_HEATER
BUILT = Construction(cable_depth_m=0.1)
BED_AT_ROOTS = Bed(BUILT, roots_m=0.1)
SETTINGS = settings_of()
LARCH, SITE = SETTINGS.enclosure[0], SETTINGS.site


@pytest.mark.parametrize("heater", HeaterKind)
def test_what_is_given_leaves_by_cover_sky_and_ground(heater: HeaterKind) -> None:
    """At rest heat in is heat out, store by store, and the roots stand at the soil asked for."""
    demand = demand_of(Bed(BUILT, roots_m=0.1), heater)
    held = demand.held(16.0, -6.0)
    inputs = np.array([-6.0, 0.0, 9.0, 0.0, 90.0, held.watts])
    rest = demand.rest @ inputs
    assert demand.balance.roots @ rest == pytest.approx(16.0)
    assert rest[0] == pytest.approx(held.air_c)
    assert demand.balance.flows @ rest == pytest.approx(demand.balance.brings @ inputs)
    assert demand.balance.brings[:, 5].sum() == pytest.approx(1.0)


def test_steps_come_to_rest_where_rest_is() -> None:
    """A year of one day, in steps of three hours: the temperatures of the balance at rest."""
    demand = demand_of(BED_AT_ROOTS, CABLE)
    keeps, brings = demand.balance.stepped(10_800.0)
    inputs, now = np.array([-6.0, 0.0, 9.0, 0.0, 90.0, 400.0]), np.zeros(len(keeps))
    for _ in range(365 * 8):
        now = keeps @ now + brings @ inputs
    assert now == pytest.approx(demand.rest @ inputs, abs=1e-6)


def test_a_cable_away_from_the_roots_takes_more() -> None:
    """Deeper it warms the ground, shallower the air, before it warms the roots."""
    watts = {cm: demand_of(Bed(replace(BUILT, cable_depth_m=cm / 100), 0.1), CABLE).watts(16.0, -6.0) for cm in (10, 3)}
    deep_w = demand_of(Bed(replace(BUILT, cable_depth_m=0.3), 0.1), CABLE).watts(16.0, -6.0)
    assert watts[10] < watts[3]
    assert 1.1 * watts[10] < deep_w < 2.0 * watts[10]


@pytest.mark.parametrize("depth_m", [0.1 - 1e-9, 0.1, 0.1 + 1e-9])
def test_depth_makes_no_jump_at_the_roots(depth_m: float) -> None:
    """Just above, at and just below the roots a cable takes the same."""
    bed = replace(BED_AT_ROOTS, built=replace(BUILT, cable_depth_m=depth_m))
    assert demand_of(bed, CABLE).watts(16.0, -6.0) == pytest.approx(demand_of(BED_AT_ROOTS, CABLE).watts(16.0, -6.0))


def test_warm_weather_takes_no_heat_and_gives_none_back() -> None:
    """Warmer than the soil and over warm ground: 0 W, not less."""
    assert demand_of(replace(BED_AT_ROOTS, deep_c=20.0), CABLE).watts(16.0, 40.0) == 0.0


def test_a_clear_sky_costs_more_under_film_that_lets_it_through() -> None:
    """It draws 90 W/m2 from soil in the open: under a film that passes 0.6 of it the heat rises by nearly so much."""
    watts = []
    for sky_w_m2 in (0.0, 90.0):
        demand = demand_of(Bed(replace(BUILT, longwave_transmission=0.6), 0.1), AIR)
        roots = demand.balance.roots @ demand.rest
        watts.append((16.0 - roots[:5] @ np.array([-6.0, 0.0, 9.0, 0.0, sky_w_m2])) / roots[5])
    assert watts[1] == pytest.approx(demand.watts(16.0, -6.0))
    assert watts[1] - watts[0] > 0.6 * 90.0 * 5.4


def test_the_coldest_night_a_heater_holds_takes_just_that_heater() -> None:
    """There and back: the outside told for 450 W needs 450 W."""
    demand = demand_of(BED_AT_ROOTS, CABLE)
    coldest_c = demand.coldest_c(16.0, 450.0)
    assert coldest_c is not None
    assert demand.held(16.0, coldest_c).watts == pytest.approx(450.0)


@pytest.mark.parametrize(("more_w", "known"), [(-0.1, False), (0.1, True)])
def test_too_small_a_heater_holds_on_no_clear_night(more_w: float, known: bool) -> None:
    """Less than the ground and the sky alone take: no night is told, rather than one warmer than the soil."""
    demand = demand_of(BED_AT_ROOTS, CABLE)
    alone_w = demand.watts(16.0, 16.0)
    assert (demand.coldest_c(16.0, alone_w + more_w) is not None) is known


@pytest.mark.parametrize("outside_c", [16.0, 30.0])
def test_a_night_no_colder_than_the_soil_is_refused(outside_c: float) -> None:
    """There is nothing to hold: it says which night, which soil and what to do."""
    with pytest.raises(SizingError, match=f"coldest: {outside_c:g} Cel outside is not below .* 16 Cel; give a colder"):
        demand_of(BED_AT_ROOTS, CABLE).held(16.0, outside_c)
    demand_of(BED_AT_ROOTS, CABLE).held(16.0, 15.99)


@pytest.mark.parametrize(("volts", "sizes"), [(12, [15, 20, 30]), (149.9, [15, 20, 30]), (150, [10, 13, 16, 20, 32])])
def test_breakers_come_in_the_sizes_of_the_voltage(volts: float, sizes: list[int]) -> None:
    """Below 150 V those of 120 V circuits."""
    assert [each.breaker_a for each in circuits(volts)] == sizes


@pytest.mark.parametrize(("film_u", "layered"), [(4.99, False), (5.0, True)])
def test_only_a_single_cover_takes_a_second_layer(film_u: float, layered: bool) -> None:
    """A double one has it already; the layer saves 35 % of the cover's loss and nothing of the air exchange's."""
    made = {each.name: each.bed.built for each in changes(Bed(replace(BUILT, film_u_w_m2k=film_u), 0.1), CABLE)}
    assert ("a second layer" in made) is layered
    if layered:
        assert made["a second layer"].film_u_w_m2k == pytest.approx(0.65 * film_u)
        assert made["a second layer"].longwave_transmission == pytest.approx(BUILT.longwave_transmission**2)
        assert made["a second layer"].air_changes_h == BUILT.air_changes_h


@pytest.mark.parametrize(
    ("depth_m", "heater", "moves"),
    [
        (0.079, CABLE, {"cable deeper"}),
        (0.081, CABLE, {"cable shallower", "cable deeper"}),
        (0.949, CABLE, {"cable shallower", "cable deeper"}),
        (0.951, CABLE, {"cable shallower"}),
        (0.1, AIR, set()),
    ],
)
def test_a_cable_is_moved_only_where_it_may_lie(depth_m: float, heater: HeaterKind, moves: set[str]) -> None:
    """3 cm to 1 m; an air heater has none to move."""
    found = changes(Bed(replace(BUILT, cable_depth_m=depth_m), 0.1), heater)
    assert {each.name for each in found if each.name.startswith("cable")} == moves


@pytest.mark.parametrize("heater", HeaterKind)
def test_less_tunnel_takes_less_heat(heater: HeaterKind) -> None:
    """Second layer, lower and shorter: each below as it is."""
    now = demand_of(BED_AT_ROOTS, heater).watts(16.0, -6.0)
    made = {
        each.name: demand_of(each.bed, heater).watts(16.0, -6.0)
        for each in changes(BED_AT_ROOTS, heater)
        if not each.name.startswith("cable")
    }
    assert list(made) == ["a second layer", "a third lower", "a third shorter"]
    assert all(0.5 * now < watts < now for watts in made.values())


FILM = {"film_u_w_m2k": 6.2, "light_transmission": 0.85, "longwave_transmission": 0.6}
GLASS = {"film_u_w_m2k": 6.0, "light_transmission": 0.85, "longwave_transmission": 0.01}
TUNNEL = Construction(length_m=6.0, width_m=0.9, height_m=0.8, cable_depth_m=0.14, cable_w_m=20.0, **FILM)  # type: ignore[arg-type]
HOUSE = Construction(length_m=2.4, width_m=1.8, height_m=2.1, shape=Shape.GLASSHOUSE, cable_depth_m=0.14, **GLASS)  # type: ignore[arg-type]
START = date(2026, 2, 15)
START_MS = 1_771_113_600_000
BEDS = [(TUNNEL, CABLE, 16.0), (TUNNEL, AIR, 14.0), (HOUSE, AIR, 13.0), (HOUSE, CABLE, 15.0)]


def lived(plant: EnclosurePlant, soil_c: float, days: int) -> Iterator[int]:
    """Yield each minute of a simulated bed that a thermostat at the roots holds, or lets be at -99 Cel."""
    on = False
    for minute in range(days * 1440):
        on = plant.soil_c(0.1) < soil_c if minute % 5 == 0 else on
        plant.advance(60.0, on)
        yield minute


@pytest.mark.parametrize(("built", "heater", "soil_c"), BEDS)
def test_the_watts_told_hold_a_simulated_bed_through_a_cold_snap(
    built: Construction, heater: HeaterKind, soil_c: float
) -> None:
    """Three clear days, to -8 Cel: within 0.5 K with a cable, 0.8 K through the air; two thirds of them do not."""
    weather = SpringWeather(1, 46.2, 8.4, START_MS, season_day=45.0, cold_snap=(5.0, 8.0, 7.0), sunny_days=(5, 6, 7))
    coldest_c = min(weather.at(START_MS + hour * 3_600_000).outside_c for hour in range(72, 216))
    watts = demand_of(Bed(built, 0.1, 9.5), heater).held(soil_c, coldest_c).watts
    short_k = []
    for share in (1.0, 0.66):
        made = replace(built, heater=heater, rated_w=share * watts)
        plant = EnclosurePlant(made, weather, {}, START_MS, soil_c=soil_c)
        short_k.append(max(soil_c - plant.soil_c(0.1) for minute in lived(plant, soil_c, 9) if minute > 3 * 1440))
    assert coldest_c == pytest.approx(-7.9, abs=0.1)
    assert short_k[0] < (0.5 if heater is CABLE else 0.8)
    assert short_k[1] > 1.4


@pytest.mark.parametrize(("built", "heater", "soil_c"), BEDS)
def test_a_season_comes_out_within_15_percent_of_a_simulated_one(
    built: Construction, heater: HeaterKind, soil_c: float
) -> None:
    """Six weeks of spring, from each day's lowest and highest alone: sun, cloud, sky and store of the soil count."""
    before, days = 20, 42
    weather = SpringWeather(2, 46.2, 0.0, START_MS - before * 86_400_000, season_day=46.0 - before)
    hours = [
        [weather.at(START_MS + at * 3_600_000).outside_c for at in range(24 * d, 24 * d + 24)] for d in range(days)
    ]
    season = Season(START, tuple(map(min, hours)), tuple(map(max, hours)))
    demand = demand_of(Bed(built, 0.1, 9.5), heater)
    made = replace(built, heater=heater, rated_w=demand.watts(soil_c, season.coldest_c))
    plant = EnclosurePlant(made, weather, {}, START_MS - before * 86_400_000)
    for soil, length in ((-99.0, before), (soil_c, days)):
        for _ in lived(plant, soil, length):
            pass
    (told,) = used(demand, soil_c, [season], 900.0, 46.2)
    assert told.kwh == pytest.approx(plant.energy_j / 3.6e6, rel=0.15)


def record(first: date, lowest_c: list[float | None], apart_k: float = 4.0) -> Daily:
    """Return days in a row; None is a day without temperatures."""
    return daily_of(
        "here",
        [
            Day(first + timedelta(days=at), each, None if each is None else each + apart_k)
            for at, each in enumerate(lowest_c)
        ],
    )


def test_a_season_is_its_days() -> None:
    """Each one's lowest and highest; the coldest is the lowest of those days alone."""
    (found,) = seasons(record(date(2025, 2, 27), [-9.0, 0.0, 2.0, 4.0, -9.0]), (2, 28), (3, 2))
    assert found == Season(date(2025, 2, 28), (0.0, 2.0, 4.0), (4.0, 6.0, 8.0))
    assert (found.year, found.days, found.known, found.coldest_c) == (2025, 3, 3, 0.0)


def test_a_leap_year_has_its_day() -> None:
    """From 29 February: 28 February in other years."""
    two = daily_of("here", [Day(on, 1.0, 3.0) for on in (date(2023, 2, 28), date(2024, 2, 29), date(2024, 2, 28))])
    assert [(each.year, each.days, each.known) for each in seasons(two, (2, 29), (3, 1))] == [
        (2023, 2, 1),
        (2024, 2, 1),
    ]


def test_a_season_over_new_year_belongs_to_the_year_it_begins_in() -> None:
    """From December to January, also where the record begins in its middle."""
    found = seasons(record(date(2025, 1, 1), [1.0] * 366), (12, 31), (1, 2))
    assert [(each.year, each.days, each.known) for each in found] == [(2024, 3, 2), (2025, 3, 2)]


def kwh(season: Season, rated_w: float = 1e6) -> float:
    """Return what a season takes of the cable in a bed at 46 N."""
    return used(demand_of(BED_AT_ROOTS, CABLE), 16.0, [season], rated_w, 46.0)[0].kwh


@pytest.mark.parametrize(("missing", "whole"), [(1, True), (2, False)])
def test_nine_days_in_ten_make_a_season(missing: int, whole: bool) -> None:
    """Those missing then count as the mean of the others; with fewer on record only those on record are told."""
    (found,) = seasons(record(date(2025, 3, 1), [0.0] * (10 - missing) + [None] * missing), (3, 1), (3, 10))
    full = kwh(Season(date(2025, 3, 1), (0.0,) * 10, (4.0,) * 10))
    assert found.whole is whole
    assert kwh(found) == pytest.approx(full if whole else full * 0.8, rel=0.05)


def test_whole_seasons_count_and_else_the_last_begun() -> None:
    """A broken one among whole ones is left out; where none is whole the last is told."""
    gap = (math.nan,) * 8
    whole, broken, last = (
        Season(date(year, 3, 1), (1.0, *more), (5.0, *more)) for year, more in ((2023, ()), (2024, gap), (2025, gap))
    )
    assert counted([whole, broken]) == (whole,)
    assert counted([broken, last]) == (last,)
    assert counted([]) == ()


def alike(lowest_c: float, highest_c: float, days: int = 60) -> Season:
    """Return a season of days that are all alike."""
    return Season(date(2025, 3, 1), (lowest_c,) * days, (highest_c,) * days)


@pytest.mark.parametrize(("clear", "less"), [(0.0, 0.75), (0.75, 0.97)])
def test_days_that_swing_have_sun_and_take_less(clear: float, less: float) -> None:
    """12 K apart is a bright day, 2 K a dull one of the same mean; under thin film the sky takes most of it back."""
    demand = demand_of(Bed(replace(BUILT, longwave_transmission=clear), 0.1), CABLE)
    bright, dull = (each.kwh for each in used(demand, 16.0, [alike(-1.0, 11.0), alike(4.0, 6.0)], 1e6, 46.0))
    assert bright < less * dull


def test_seasons_side_by_side_are_each_as_alone() -> None:
    """Of other lengths and weather, under one heater: what a neighbour was like changes nothing."""
    mild, cold = alike(2.0, 12.0, 59), alike(-6.0, 2.0, 60)
    both = used(demand_of(BED_AT_ROOTS, CABLE), 16.0, [mild, cold], 1e6, 46.0)
    assert both[1].kwh == pytest.approx(kwh(cold))
    assert both[0].kwh == pytest.approx(kwh(mild), rel=0.02)


@pytest.mark.parametrize(("share", "short"), [(0.8, True), (1.5, False)])
def test_days_that_ask_for_more_than_the_heater_has_are_short(share: float, short: bool) -> None:
    """Counted from the second week on: soil is being warmed in the first."""
    season = alike(-6.0, 2.0, 30)
    mean_w = kwh(season) / 30 / 0.024
    (told,) = used(demand_of(BED_AT_ROOTS, CABLE), 16.0, [season], share * mean_w, 46.0)
    assert told.short_days == (23 if short else 0)


@pytest.mark.parametrize(
    ("first", "last", "days"), [((2, 15), (5, 15), 90), ((12, 31), (1, 1), 2), ((3, 1), (3, 1), 1)]
)
def test_a_mean_makes_a_season_of_days_alike(first: tuple[int, int], last: tuple[int, int], days: int) -> None:
    """First and last day both count, over New Year too."""
    assert steady_season(5.0, first, last) == Season(date(2025, *first), (0.0,) * days, (10.0,) * days)


def asked(**query: str) -> Asked:
    """Return what a query asks of larch."""
    return asked_of(LARCH, SITE, query)


def test_what_is_left_open_is_as_in_settings() -> None:
    """Shape, heater, depths and price of larch; its probe lies at 10 cm, its cable at 15."""
    found = asked()
    assert (found.bed.roots_m, found.bed.built.cable_depth_m, found.rated_w, found.volts) == (0.1, 0.15, 450.0, 230.0)
    assert (found.heater, found.price_per_kwh, found.cover, found.soil) == (CABLE, 0.3, "film", "loam")
    assert found.coldest_c is None
    assert (found.first, found.last) == ((2, 15), (5, 15))


def test_what_is_written_counts() -> None:
    """Every field, a comma for a point included."""
    found = asked(
        shape="glasshouse", cover="glass", length="3,5", width="2", height="2.2", air_changes="0", soil="sand",
        roots="0.08", cable_depth="0.2", deep="11", set_point="18.5", coldest="-12", first="11-01", last="3-31",
        mean="4", heater="air-heater", watts="2000", volts="120", price="0",
    )  # fmt: skip
    built = found.bed.built
    assert (built.shape, built.length_m, built.width_m, built.height_m) == ("glasshouse", 3.5, 2.0, 2.2)
    assert (built.film_u_w_m2k, built.air_changes_h, built.texture) == (6.0, 0.0, TEXTURES["sand-moist"])
    assert (found.bed.roots_m, built.cable_depth_m, found.bed.deep_c) == (0.08, 0.2, 11.0)
    assert (found.soil_c, found.coldest_c, found.mean_c) == (18.5, -12.0, 4.0)
    assert (found.first, found.last, found.heater) == ((11, 1), (3, 31), AIR)
    assert (found.rated_w, found.volts, found.price_per_kwh) == (2000.0, 120.0, 0.0)


@pytest.mark.parametrize(
    ("name", "written", "said"),
    [
        ("length", "-3", "length: -3 m is outside 0.2 to 200 m; write metres"),
        ("length", "200.1", "length: 200.1 m is outside 0.2 to 200 m; write metres"),
        ("cable_depth", "1.01", "cable_depth: 1.01 m is outside 0.03 to 1 m; write metres, such as 0.15 for 15 cm"),
        ("cable_depth", "0.029", "cable_depth: 0.029 m is outside 0.03 to 1 m"),
        ("cover", "tarp", "cover: 'tarp' is not known; choose thin film, film, double film, glass, twin-wall, opaque"),
        ("width", "wide", "width: 'wide' is no number; write one from 0.2 to 50 m"),
        ("width", "nan", "width: 'nan' is no number"),
        ("watts", "inf", "watts: 'inf' is no number"),
        ("price", "-1", "price: -1 is outside 0 to 100; write a number between them"),
        ("set_point", "65", "set_point: 65 Cel is outside -5 to 32 Cel; write its unit if it is another, such as 65 F"),
        ("set_point", "warm", "set_point: 'warm' is no number"),
        ("first", "02-30", "first: '02-30' is no day of the year; write month and day, such as 02-15"),
        ("last", "2026-05-15", "last: '2026-05-15' is no day of the year"),
        ("unit", "K", "unit: 'K' is not known; write C or F"),
        ("lenght", "3", "'lenght' is no field of a sizing; known: shape, cover, length"),
    ],
)  # fmt: skip
def test_what_cannot_be_taken_is_named_with_its_bound_and_remedy(name: str, written: str, said: str) -> None:
    """One fault, one message, and nothing else is blamed."""
    with pytest.raises(SizingAskedError) as caught:
        asked(**{name: written})
    (fault,) = caught.value.faults
    assert fault.startswith(said)


@pytest.mark.parametrize(
    ("name", "written"), [("length", "0.2"), ("length", "200"), ("cable_depth", "0.03"), ("cable_depth", "1")]
)
def test_the_bounds_themselves_are_allowed(name: str, written: str) -> None:
    """Just at."""
    asked(**{name: written})


def test_every_fault_is_told_at_once() -> None:
    """Not only the first."""
    with pytest.raises(SizingAskedError) as caught:
        asked(length="-3", cover="tarp", first="x")
    assert len(caught.value.faults) == 3
    assert "; ".join(caught.value.faults) == str(caught.value)


def test_temperatures_are_read_in_the_unit_of_the_query_or_their_own() -> None:
    """65 F either way; -4 F below."""
    assert asked(set_point="65 F").soil_c == pytest.approx(18.333, abs=1e-3)
    assert asked(set_point="65", unit="F").soil_c == pytest.approx(18.333, abs=1e-3)
    assert asked(set_point="18 C", coldest="-4", unit="F").soil_c == 18.0
    assert asked(coldest="-4", unit="F").coldest_c == pytest.approx(-20.0)
    assert asked(unit="F").soil_c == asked().soil_c
    with pytest.raises(SizingAskedError, match=r"set_point: 95 °F is outside 23 to 89\.6 °F"):
        asked(set_point="95", unit="F")


def test_in_the_south_spring_is_in_august() -> None:
    """Below the equator; at it, as in the north."""
    south = SITE.model_copy(update={"latitude": -0.1})
    assert asked_of(LARCH, south, {}).first == (8, 15)
    assert asked_of(LARCH, SITE.model_copy(update={"latitude": 0.0}), {}).first == (2, 15)


def enclosure_with(soil_m: float | None, schedule: list[dict[str, object]]) -> Enclosure:
    """Return larch with its soil probe elsewhere and another schedule."""
    probe = ProbeSettings.model_validate({"name": "soil", "quantity": "soil", "depth_m": soil_m})
    plain = LARCH.model_dump(by_alias=True, mode="json") | {"probe": [probe.model_dump()], "schedule": schedule}
    return Enclosure.model_validate(plain, strict=False)


@pytest.mark.parametrize(("soil_m", "roots_m"), [(None, 0.1), (0.0, 0.04), (0.3, 0.3), (3.0, 0.6)])
def test_settings_always_make_a_sizing(soil_m: float | None, roots_m: float) -> None:
    """A probe at the surface or far down: the nearest depth that the model takes."""
    found = asked_of(enclosure_with(soil_m, []), SITE, {})
    assert found.bed.roots_m == roots_m
    assert found.soil_c == 15.0


def test_the_warmest_set_point_of_the_schedule_is_asked() -> None:
    """ "off" asks for nothing."""
    schedule: list[dict[str, object]] = [
        {"from": "02-15", "set_point": 12.0},
        {"from": "03-15", "set_point": 18.0},
        {"from": "05-15", "set_point": "off"},
    ]
    assert asked_of(enclosure_with(0.1, schedule), SITE, {}).soil_c == 18.0
    assert filled_in(enclosure_with(0.1, schedule), SITE, "F")["set_point"] == "64.4"


def test_no_construction_within_the_bounds_breaks_the_demand() -> None:
    """Corners of size, soil and depth: finite heat, and more of it the colder it is."""
    for soil in ("sand", "peat"):
        for size in ("0.2", "15"):
            for cable, roots in (("0.03", "0.6"), ("1", "0.04")):
                found = asked(length=size, width=size, height=size, soil=soil, cable_depth=cable, roots=roots)
                for heater in HeaterKind:
                    demand = demand_of(found.bed, heater)
                    mild, cold = demand.watts(16.0, 0.0), demand.watts(16.0, -20.0)
                    assert 0.0 < mild < cold < math.inf
