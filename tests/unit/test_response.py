"""What is expected of a heater, and how its heat is looked for; scenarios are among the hazard rows."""

import math
from dataclasses import replace
from typing import Any

import pytest

from controller.expected import expected_of, warmed_k
from controller.plant.construction import TEXTURES, Construction, HeaterKind
from controller.response import averaged, heating, note_short, observe, unasked
from controller.safety.trip import TripKind
from controller.state import Response

CABLE = Construction(rated_w=600.0, cable_depth_m=0.14, height_m=0.8)
AIR = Construction(heater=HeaterKind.AIR_HEATER, rated_w=1500.0)
EXPECTED = expected_of(CABLE, [0.10])
DARK = Response(soil_c=10.0, air_c=3.0, outside_c=2.0, dark_s=0.0)


def test_a_plane_of_heat_warms_as_the_series_says() -> None:
    """At the plane itself F0 sqrt(t / (pi k C)), half the flux to either side doubled back; nothing far away."""
    soil, flux = CABLE.texture, 600.0 / CABLE.floor_m2
    at_plane = flux * math.sqrt(3600.0 / (math.pi * soil.conductivity_w_mk * soil.heat_capacity_j_m3k))
    assert warmed_k(CABLE, 0.0, 3600.0) == pytest.approx(at_plane)
    assert warmed_k(CABLE, 1.0, 3600.0) < 1e-9
    assert warmed_k(CABLE, 0.04, 3600.0) < warmed_k(CABLE, 0.04, 10_800.0)


@pytest.mark.parametrize(
    ("rated_w", "depths_m", "window_s"),
    [(600.0, [0.1], 10_500.0), (250.0, [0.1], 21_000.0), (190.0, [0.1], 42_000.0), (30.0, [0.1], math.inf)],
)
def test_a_weak_cable_is_judged_later_or_never(rated_w: float, depths_m: list[float], window_s: float) -> None:
    """P14: only where its heat alone would show."""
    assert expected_of(replace(CABLE, rated_w=rated_w), depths_m).window_s == window_s


@pytest.mark.parametrize(("rated_w", "window_s"), [(1500.0, 10_500.0), (100.0, math.inf)])
def test_a_weak_air_heater_is_never_judged(rated_w: float, window_s: float) -> None:
    """A clear sky hides it."""
    assert expected_of(replace(AIR, rated_w=rated_w), [0.1]).window_s == window_s


@pytest.mark.parametrize("texture", TEXTURES)
@pytest.mark.parametrize("built", [CABLE, AIR])
@pytest.mark.parametrize("depths_m", [[], [0.02], [0.14], [0.1, 0.25], [1.0]])
def test_what_is_expected_is_within_its_bounds(texture: str, built: Construction, depths_m: list[float]) -> None:
    """For any soil and any depth: positive, and the waits as short and long as they may be."""
    expected = expected_of(replace(built, texture=TEXTURES[texture]), depths_m)
    assert 0.0 < expected.outside_part < 1.0
    assert min(expected.excess_k, expected.bare_k) > 0.0
    assert expected.bare_rise_k >= 0.0
    assert 3300.0 <= expected.bare_s <= 10_500.0
    assert expected.window_s >= 10_500.0
    assert expected.spread_s >= 1800.0
    assert 7200.0 <= expected.wave_s <= 28_800.0


def test_an_average_starts_at_the_first_value_and_ends_with_the_last() -> None:
    """Ten minutes long; no value, no average."""
    assert averaged(None, 5.0, 10.0) == 5.0
    assert averaged(5.0, None, 10.0) is None
    assert averaged(5.0, 11.0, 60.0) == pytest.approx(5.6)
    assert averaged(5.0, 11.0, 4000.0) == 11.0


def test_dusk_is_remembered_until_the_sun_is_back() -> None:
    """The first dark tick counts."""
    memory = Response()
    for at_s, dark, since in ((0.0, False, None), (10.0, True, 10.0), (20.0, True, 10.0), (30.0, False, None)):
        observe(memory, 10.0, 5.0, 0.0, dark, 10.0, at_s)
        assert memory.dark_s == since


@pytest.mark.parametrize(("duty", "below_k", "counts"), [(0.99, 2.01, True), (0.98, 9.0, False), (1.0, 2.0, False)])
def test_full_heat_that_is_too_little(duty: float, below_k: float, counts: bool) -> None:
    """H07: at both bounds; the first moment is kept."""
    memory = Response()
    for at_s in (5.0, 9.0):
        note_short(memory, duty, below_k, at_s)
        assert memory.short_s == (5.0 if counts else None)
    note_short(memory, 0.0, 0.0, 9.0)
    assert memory.short_s is None


def hard(memory: Response, seconds: int, duty: float = 1.0, expected=EXPECTED):  # type: ignore[no-untyped-def]
    """Heat on, every 10 s; returns the memory and the trips."""
    found = []
    for at_s in range(10_000, 10_000 + seconds + 1, 10):
        found += heating(expected, memory, duty, 10.0, float(at_s), 5)
    return memory, found


@pytest.mark.parametrize(
    ("soil_c", "air_c", "latches"),
    [(6.9, 3.0, True), (7.1, 3.0, False), (3.0, 3.0, True), (2.0, 3.0, True), (3.0, None, False)],
)
def test_soil_hardly_above_its_air_after_three_hours_of_heat(soil_c: float, air_c: float | None, latches: bool) -> None:
    """P14: 4 K are the most that must show; nothing is judged without an air probe."""
    _, trips = hard(replace(DARK, soil_c=soil_c, air_c=air_c), 10_500)
    assert [each.kind for each in trips] == [TripKind.NO_RESPONSE] * latches


@pytest.mark.parametrize(("seconds", "latches"), [(10_490, False), (10_500, True)])
def test_it_is_judged_at_the_end_of_its_time(seconds: int, latches: bool) -> None:
    """P14: 175 min, not before."""
    assert bool(hard(replace(DARK, soil_c=3.0), seconds)[1]) is latches


@pytest.mark.parametrize(
    ("change", "latches"),
    [({"dark_s": None}, False), ({"dark_s": 10_011.0}, False), ({"dark_s": 9_999.0}, True)],
)
def test_by_day_and_just_after_nothing_is_judged(change: dict[str, Any], latches: bool) -> None:
    """The whole span lies in the dark: a day's warmth that leaves the soil hides what a cable gives."""
    assert bool(hard(replace(DARK, soil_c=3.0, **change), 10_500)[1]) is latches


def test_a_blip_of_the_heater_ends_no_span_and_a_rest_does() -> None:
    """A minute held off in three hours is nothing; ten are the end of hard heating."""
    for off_s, latches in ((60, True), (600, False)):
        memory, _ = hard(replace(DARK, soil_c=3.0), 5000)
        for at_s in range(15_010, 15_010 + off_s, 10):
            heating(EXPECTED, memory, 0.0, 10.0, float(at_s), 5)
        found = []
        for at_s in range(15_010 + off_s, 20_600, 10):
            found += heating(EXPECTED, memory, 1.0, 10.0, float(at_s), 5)
        assert bool(found) is latches


def rest(memory: Response, seconds: int, soil_k_h: float, stepped_s: int = -1, expected=EXPECTED):  # type: ignore[no-untyped-def]
    """Leave the heater off, every 10 s; returns the trips."""
    found = []
    for at_s in range(0, seconds, 10):
        memory.soil_c = 10.0 + soil_k_h * at_s / 3600
        found += unasked(expected, memory, 1e5, at_s == stepped_s, float(at_s), 5)
    return found


@pytest.mark.parametrize(("k_h", "latches"), [(0.3, True), (0.15, False), (0.0, False), (-1.0, False)])
def test_soil_that_rises_in_the_dark(k_h: float, latches: bool) -> None:
    """K02: 0.2 K within the hour that is looked at here."""
    assert bool(rest(replace(DARK), 7200 + 3600, k_h)) is latches


@pytest.mark.parametrize(
    "change", [{"dark_s": None}, {"air_c": 9.5}, {"air_c": None, "outside_c": None}, {"air_c": None, "outside_c": 12.0}]
)
def test_light_warm_air_or_no_knowledge_of_it_excuse_a_rise(change: dict[str, Any]) -> None:
    """K02 must not act."""
    assert rest(replace(DARK, **change), 7200 + 7200, 0.3) == []


def test_cold_water_excuses_a_rise_for_hours() -> None:
    """E10 with K02: four hours and the time of the wave; then it is looked at again."""
    assert rest(replace(DARK), 6 * 3600, 0.3, stepped_s=600) == []
    assert rest(replace(DARK), 8 * 3600, 0.3, stepped_s=600)


@pytest.mark.parametrize(("off_for_s", "latches"), [(1799.0, False), (1800.0, True)])
@pytest.mark.parametrize("air_c", [20.0, 9.0])
def test_air_far_above_outside_with_the_heater_off(off_for_s: float, latches: bool, air_c: float) -> None:
    """K02: an air heater's own warmth is gone after half an hour."""
    expected = expected_of(AIR, [0.1])
    memory = replace(DARK, air_c=air_c, soil_c=5.0)
    trips = unasked(expected, memory, off_for_s, False, 3600.0, 5)
    assert bool(trips) is (latches and air_c == 20.0)
    assert unasked(expected, memory, off_for_s, False, 3599.0, 5) == []


def test_the_afternoons_warmth_leaving_the_soil_hides_no_sound_cable() -> None:
    """After a hot day in a shut tunnel the soil falls as much as a cable lifts it: no trip; without that day, one."""
    memory = replace(DARK, soil_c=15.1, air_c=12.0, outside_c=12.0, past_c=22.0)
    latched: list[int] = []
    for past_c in (22.0, 12.0):
        span = replace(memory, past_c=past_c, dark_s=-1e6)
        expected = replace(EXPECTED, felt_part=0.07, excess_k=21.8, window_s=10_500.0)
        now_s, found = 0.0, list[object]()
        while now_s < 10_600.0:
            found += heating(expected, span, 1.0, 10.0, now_s, 0)
            now_s += 10.0
            span.soil_c = 15.1 + 0.1 * now_s / 10_500.0
        latched.append(len(found))
    assert latched == [0, 1]
